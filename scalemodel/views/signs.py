"""Characters that are orders to a terminal or to a browser, shown as signs instead."""

_SIGNS = {
    **{code: 0x2400 + code for code in range(32) if chr(code) != "\n"},
    **dict.fromkeys((*range(0x7F, 0xA0), 0x200E, 0x200F, *range(0x202A, 0x202F)), 0xFFFD),
    **dict.fromkeys((0x61C, *range(0x2066, 0x206A), 0xFFFE, 0xFFFF), 0xFFFD),
}
"""Control characters, and those that turn the direction of writing, by what stands for them."""


def harmless(text: str) -> str:
    """Give a text of the same length that can do nothing but be read; line ends stay."""
    return text.translate(_SIGNS)
