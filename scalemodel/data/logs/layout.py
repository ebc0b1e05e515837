"""How a text log is laid out: found from its first lines, whatever program wrote it."""

import csv
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.problems import shown
from scalemodel.data.rows import SAVE_UTF8, UTF8, UnreadableError

BEGIN = 1 << 15
"""Bytes looked at to find the layout."""

PREAMBLE = 200
"""Lines before the numbers at most."""

SAME = 5
"""Lines in a row that must look alike for the numbers to have begun."""

_DELIMITERS = (",", ";", "\t", "|", " ")
_NOTHING = frozenset({"", "-", "n/a", "na", "nan", "null", "none", "inf"})
"""What stands where there is no number."""

_ALONE = [(";", "."), (";", ",")]
"""For logs of one column: a delimiter that does not matter."""

_NUMBER = {
    ".": re.compile(r"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII),
    ",": re.compile(r"\s*[+-]?(\d+(,\d*)?|,\d+)([eE][+-]?\d+)?\s*", re.ASCII),
}


@dataclass(frozen=True)
class Layout:
    """The layout of a text log.

    Attributes:
        delimiter: what separates cells.
        decimal: "." or ",".
        names: of the columns; "column 1" and so on where the log has none.
        header: the cells of the header, one character a byte; empty without one.
        lines: lines before the first row of numbers.
        start: bytes before it.
        samples: numbers of the first rows, by column; NaN where a cell is none.
        whole: which of these columns hold whole numbers only.
        decimals: fewest decimals of the numbers of the last column, 0 if it has none.
        heading: lines before the header, or before the numbers if there is none.
    """

    delimiter: str
    decimal: str
    names: tuple[str, ...]
    header: tuple[str, ...]
    lines: int
    start: int
    samples: dict[int, NDArray[np.float64]]
    whole: frozenset[int]
    decimals: int
    heading: int

    def cells(self, line: str) -> list[str]:
        """Split a line."""
        return split(line, self.delimiter)

    def number(self, cell: str) -> float | None:
        """Read a number; None if the cell holds none."""
        if not _NUMBER[self.decimal].fullmatch(cell):
            return None
        return float(cell.replace(",", "."))


def split(line: str, delimiter: str) -> list[str]:
    """Split a line into stripped cells."""
    if not line.strip():
        return []
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        cells = next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        cells = [line]
    return [cell.strip() for cell in cells]


def find_layout(begin: bytes, *, whole_file: bool) -> Layout:
    """Find the layout of a log.

    Args:
        begin: its first bytes.
        whole_file: that is all of it.

    Raises:
        UnreadableError: these bytes hold no table of numbers.
    """
    text, skipped = _text(begin)
    lines = text.split("\n")
    if not whole_file:
        lines.pop()  # it may be cut
    elif lines and not lines[-1]:
        lines.pop()
    if not any(line.strip() for line in lines):
        raise UnreadableError("the log is empty", "rows of numbers", "fill it or take it out")
    found = [one for one in (_try(lines, *option) for option in _options(text)) if one]
    if not found:
        what = (
            f"no row of numbers among its first lines, which begin with {shown(lines[0].strip())}"
        )
        raise UnreadableError(what, "one row a frame", "check that this is a frame-time log")
    best = max(found, key=lambda one: one.rating)
    delimiter, decimal, first, width = best.delimiter, best.decimal, best.first, best.width
    rows = [split(line, delimiter) for line in lines[first:]]
    header = tuple(split(lines[best.header], delimiter)) if best.header >= 0 else ()
    names = tuple(
        name.encode("latin-1").decode("utf-8", "replace") or f"column {i + 1}"
        for i, name in enumerate(header or [""] * width)
    )
    heading = sum(bool(line.strip()) for line in lines[:first]) - bool(header)
    start = skipped + len("".join(f"{line}\n" for line in lines[:first]).encode("latin-1"))
    good = [cells for cells in rows if len(cells) == width]
    samples, whole = _samples(good, width, _NUMBER[decimal])
    return Layout(
        delimiter,
        decimal,
        names,
        header,
        first,
        start,
        samples,
        whole,
        _decimals(good, decimal),
        heading,
    )


def _samples(
    rows: list[list[str]], width: int, pattern: re.Pattern[str]
) -> tuple[dict[int, NDArray[np.float64]], frozenset[int]]:
    """Give the numbers of each column that has some, and which columns have whole ones only."""
    samples, whole = {}, set()
    for index in range(width):
        cells = [row[index] for row in rows]
        numbers = [float(c.replace(",", ".")) if pattern.fullmatch(c) else np.nan for c in cells]
        if np.isfinite(numbers).mean() > 0.5:
            samples[index] = np.array(numbers)
            if all(cell.lstrip("+-").isdigit() for cell in cells if cell):
                whole.add(index)
    return samples, frozenset(whole)


def _decimals(rows: list[list[str]], decimal: str) -> int:
    """Give the fewest decimals in the last column; the last row may be cut off."""
    digits = [len(row[-1].partition(decimal)[2]) for row in rows[:-1]]
    return min(digits, default=0)


def _options(text: str) -> list[tuple[str, str]]:
    """Give the delimiters and decimal signs that may be meant: those that occur."""
    delimiters = [sign for sign in _DELIMITERS if sign in text] or [","]
    decimals = [".", ","] if "," in text else ["."]
    options = [(delimiter, decimal) for delimiter in delimiters for decimal in decimals]
    return [*(option for option in options if option != (",", ",")), *_ALONE[: len(decimals)]]


def _text(begin: bytes) -> tuple[str, int]:
    if begin[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise UnreadableError("the text is saved as UTF-16", UTF8, SAVE_UTF8)
    if b"\0" in begin:
        what = "the log is neither text nor Parquet"
        raise UnreadableError(
            what, "text or Parquet, or either packed with gzip", "export it again"
        )
    mark = 3 if begin[:3] == b"\xef\xbb\xbf" else 0
    return begin[mark:].decode("latin-1"), mark


@dataclass(frozen=True)
class _Found:
    """Where the numbers of a log begin if its cells are separated in one way.

    Attributes:
        rating: how well that suits, the higher the better.
        delimiter, decimal: the way.
        first: first line of numbers.
        header: line of the header, or -1.
        width: cells a row.
    """

    rating: tuple[int, int, int, int]
    delimiter: str
    decimal: str
    first: int
    header: int
    width: int


def _try(lines: list[str], delimiter: str, decimal: str) -> _Found | None:
    """Find where numbers begin if cells are separated so; rate how well that suits.

    The better of two ways has a header as wide as the rows; then more numbers a row; then fewer
    cells that are no numbers; then a decimal point.
    """
    pattern = _NUMBER[decimal]
    begin = [split(line, delimiter) for line in lines[: PREAMBLE + SAME]]
    for steady in range(min(len(lines), PREAMBLE)):
        rows = [row for row in begin[steady : steady + SAME] if any(row)]
        if not rows or not any(begin[steady]):
            continue
        numeric = [{i for i, c in enumerate(row) if pattern.fullmatch(c)} for row in rows]
        always = set.intersection(*numeric)
        width = len(rows[0])
        if len({len(row) for row in rows[: SAME - 1]}) > 1 or not always:
            continue
        before = begin[:steady]
        first, header = _begin(before, width, always, pattern)
        headed = header >= 0 or not any(line.strip() for line in lines[:first])
        headed &= all(len(row) == width for row in before[first:] if any(row))
        parts = any("." in rows[0][i] or "," in rows[0][i] for i in always)
        rating = (int(headed), len(always), len(always) - width, int(parts or decimal == "."))
        return _Found(rating, delimiter, decimal, first, header, width)
    return None


def _begin(
    before: list[list[str]], width: int, always: set[int], pattern: re.Pattern[str]
) -> tuple[int, int]:
    """Find the first row and the header among the lines before steady numbers.

    Faulty rows may be among them: the numbers begin after the last line that looks like a header,
    or, without one, at the first line that has numbers where the steady ones have them.
    """
    for at in range(len(before) - 1, -1, -1):
        names = [cell for cell in before[at] if cell.lower() not in _NOTHING]
        if len(before[at]) == width and names and not any(map(pattern.fullmatch, names)):
            return at + 1, at
    for at, row in enumerate(before):
        if len(row) == width and all(pattern.fullmatch(row[i]) for i in always):
            return at, -1
    return len(before), -1
