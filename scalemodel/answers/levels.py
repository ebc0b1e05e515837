"""Levels of ranges and the words for counts, widths and names that several answers share."""

from scalemodel.errors import ScalemodelError


def check_level(level: float) -> None:
    """Refuse a level that is not a share.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    if not 0 < level < 1:
        raise ScalemodelError(f"A level of {level:g} is not between 0 and 1. The usual one is 0.8.")


def counted(count: int, thing: str) -> str:
    """Return a count and its noun, such as "1 chart" or "2 charts"."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def width_words(width: float) -> str:
    """Write the width of a range, its upper end over its lower one, less 1: 0.0123 as "1.23%"."""
    return f"{width:.2%}" if width < 0.0995 else f"{width:.0%}"
