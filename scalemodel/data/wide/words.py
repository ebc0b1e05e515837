"""What the words of a wide sheet mean: resolutions, metrics, passes, presets, marks."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scalemodel.data.cells import parse_resolution
from scalemodel.data.schema import RESULTS

NAMED_RESOLUTIONS = {
    "8k": "7680x4320",
    "4k": "3840x2160",
    "uhd": "3840x2160",
    "wqhd": "2560x1440",
    "qhd": "2560x1440",
    "full hd": "1920x1080",
    "fhd": "1920x1080",
}
"""Trade terms, all 16:9."""

HEIGHTS = frozenset({"720", "1080", "1440", "2160"})
"""Heights that stand for a resolution even as bare numbers, if a row of headers has no others."""

AVERAGE, LOW_1PCT, LOW_01PCT = "avg_fps", "low_1pct_fps", "low_01pct_fps"
_NUMBERS = (column.name for column in RESULTS.columns if column.kind == "number")
MEASURED = tuple(name for name in _NUMBERS if name != "power_limit_w")
"""Columns of results that a wide sheet may hold in its cells."""

MARKS = frozenset(
    {"-", "--", "–", "—", "n/a", "n.a.", "na", "#n/a", "dnf", "dns", "n.t.", "nt", "not tested"}
)
"""What people write where nothing was tested, in lower case."""

SUMMARIES = {"average", "averages", "avg", "avg.", "avg fps", "average fps", "mean", "geomean"}
SUMMARIES |= {"geometric mean", "median", "total", "sum", "overall", "index", "count", "rank"}
SUMMARIES |= {"min", "max", "minimum", "maximum"}
"""Names of rows and columns that are worked out from others, in lower case."""

_BORDER = r"(?<![\w.,])", r"(?![\w%])"
_SIZE = re.compile(rf"{_BORDER[0]}\d{{3,5}}\s*[xX×]\s*\d{{3,5}}{_BORDER[1]}", re.ASCII)
_HEIGHT = re.compile(rf"{_BORDER[0]}(\d{{3,4}})\s?p{_BORDER[1]}", re.ASCII | re.IGNORECASE)
_NAMED = re.compile(
    rf"{_BORDER[0]}({'|'.join(sorted(NAMED_RESOLUTIONS, key=len, reverse=True))}){_BORDER[1]}",
    re.IGNORECASE,
)
_RUN = re.compile(rf"{_BORDER[0]}(?:(?:run|pass)\s*#?|#)\s*(\d+){_BORDER[1]}", re.IGNORECASE)
_METRICS = (
    (LOW_01PCT, re.compile(r"(?<![\w.,])0[.,]1\s?%(\s*lows?)?(?!\w)", re.IGNORECASE)),
    (LOW_1PCT, re.compile(r"(?<![\w.,])1\s?%(\s*lows?)?(?!\w)", re.IGNORECASE)),
    *((name, re.compile(rf"(?<!\w){name}(?!\w)", re.IGNORECASE)) for name in MEASURED),
    (AVERAGE, re.compile(r"(?<!\w)(averages?|avg\.?|fps)(?!\w)", re.IGNORECASE)),
)
_BETWEEN = r"[\s,;|/–—:-]*"
_PRESETS = {"ultra", "high", "medium", "low", "epic", "extreme", "maximum", "minimum", "max", "min"}
_PRESETS |= {"highest", "lowest", "normal", "standard", "competitive", "cinematic", "performance"}
_PRESETS |= {"quality", "balanced"}
_BEFORE = {"very", "rt"}
_AFTER = {"+", "&", "with", "no", "rt", "ray", "rays", "tracing", "raytracing", "path", "native"}
_AFTER |= {"upscaled", "upscaling", "on", "off", "preset", "settings"}
"""Words that stand before and after those of a preset and belong to it."""

_NUMBER = re.compile(r"[+-]?\d[\d.,'\s]*([eE][+-]?\d+)?")


@dataclass(frozen=True)
class Label:
    """A header cell taken apart; empty texts for what it does not say.

    Attributes:
        resolution: "WxH".
        metric: the column of results that it names.
        run: number of the pass.
        text: what is left: a game, a preset, or both.
        named: the word that stood for the resolution, if it was not width x height.
    """

    resolution: str = ""
    metric: str = ""
    run: str = ""
    text: str = ""
    named: str = ""


def loose(text: str) -> str:
    """Return a name without its capitals and spaces, to find what may be the same."""
    return "".join(unicodedata.normalize("NFC", text).split()).casefold()


def is_number(text: str) -> bool:
    """Say whether a cell holds a number, however its digits are grouped."""
    return _NUMBER.fullmatch(text) is not None


def is_mark(text: str) -> bool:
    """Say whether a cell says in a sign or a word that nothing was tested."""
    return " ".join(text.lower().split()) in MARKS


def is_summary(text: str) -> bool:
    """Say whether a row or column of this name is worked out from the others."""
    return " ".join(text.lower().split()) in SUMMARIES


def label_of(text: str, given: Mapping[str, str]) -> Label:
    """Take a header cell apart.

    Args:
        text: the cell.
        given: resolutions by the words the user has for them; these come first.
    """
    resolution, named, rest = _resolution(text, given)
    found = []
    for name, pattern in _METRICS:
        rest, count = pattern.subn("\0", rest)
        found += [name] * bool(count)
    match = _RUN.search(rest)
    if match:
        rest = rest[: match.start()] + "\0" + rest[match.end() :]
    return Label(
        resolution, found[0] if found else "", match[1] if match else "", _tidy(rest), named
    )


def labels_of(texts: Sequence[str], given: Mapping[str, str]) -> list[Label]:
    """Take the cells of one row of headers apart; heights alone are resolutions if all are."""
    filled = set(texts) - {""}
    if filled and filled <= HEIGHTS:
        return [Label(sixteen_to_nine(int(text or 0)), named=text) for text in texts]
    apart = {text: label_of(text, given) for text in filled | {""}}
    return [apart[text] for text in texts]


def _resolution(text: str, given: Mapping[str, str]) -> tuple[str, str, str]:
    """Return the resolution, the word it was named by, and the text without it."""
    for word, size in given.items():
        pattern = re.compile(rf"(?<!\w){re.escape(word)}(?!\w)", re.IGNORECASE)
        if pattern.search(text):
            return size, word, pattern.sub("\0", text)
    found = [(m, str(parse_resolution(m[0])), "") for m in _SIZE.finditer(text)]
    found += [(m, NAMED_RESOLUTIONS[m[1].lower()], m[0]) for m in _NAMED.finditer(text)]
    found += [(m, sixteen_to_nine(int(m[1])), m[0]) for m in _HEIGHT.finditer(text)]
    found = [one for one in found if one[1]]
    if not found:
        return "", "", text
    size = found[0][1]
    for match, other, _ in sorted(found, key=lambda one: -one[0].start()):
        if other == size:  # "4K (3840x2160)" says it twice
            text = text[: match.start()] + "\0" + text[match.end() :]
    return size, found[0][2], text


def sixteen_to_nine(height: int) -> str:
    """Return the resolution of 16:9 with this height, empty if its width is no whole number."""
    return f"{height * 16 // 9}x{height}" if height and height * 16 % 9 == 0 else ""


def _tidy(text: str) -> str:
    """Close the gaps (NUL) that the words taken out left behind, with the signs around them."""
    text = re.sub(rf"{_BETWEEN}\0{_BETWEEN}", "\0", text)
    text = re.sub(r"\(\0*\)|\[\0*\]", "\0", text)
    text = re.sub(r"(?<=[(\[])\0+|\0+(?=[)\]])", "", text)
    text = re.sub(rf"{_BETWEEN}\0[\0\s]*", "\0", text)
    return " ".join(text.replace("\0", " ").split())


def split_preset(text: str, presets: Sequence[str]) -> tuple[str, str]:
    """Split the preset from the end of a text: what stands before it, and the preset.

    Args:
        text: a game, a preset, or both.
        presets: names of presets; empty: common words for them.
    """
    if presets:
        for name in sorted(presets, key=len, reverse=True):
            match = re.search(rf"(?<!\w){re.escape(name)}\s*[)\]]?$", text, re.IGNORECASE)
            if match:
                return _before(text[: match.start()]), text[match.start() :].rstrip(")] ")
        return text, ""
    words = text.split()
    keys = [word.strip(",;|/()[]–—:").lower() or word for word in words]
    start = end = len(words)
    while start and (keys[start - 1] in _AFTER or keys[start - 1] in _PRESETS):
        start -= 1
    first = next((k for k in range(start, end) if keys[k] in _PRESETS), None)
    if first is None:
        return text, ""
    while first and keys[first - 1] in _BEFORE:
        first -= 1
    return _before(" ".join(words[:first])), " ".join(words[first:]).strip("()[] ")


def _before(text: str) -> str:
    return re.sub(r"[\s,;|/–—:([-]+$", "", text)
