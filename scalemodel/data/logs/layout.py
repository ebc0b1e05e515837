"""How a text log is laid out: found from its first lines, whatever program wrote it."""

import csv
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.problems import shown
from scalemodel.data.rows import SAVE_UTF8, UTF8, UnreadableError

BEGIN = 1 << 16
"""Bytes looked at to find the layout."""

PREAMBLE = 200
"""Lines before the numbers at most."""

SAME = 5
"""Lines in a row that must look alike for the numbers to have begun."""

_DELIMITERS = (",", ";", "\t", "|", " ")
_NUMBER = {
    ".": re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII),
    ",": re.compile(r"\s*[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?\s*", re.ASCII),
}


@dataclass(frozen=True)
class Layout:
    """The layout of a text log.

    Attributes:
        delimiter: what separates cells.
        decimal: "." or ",".
        names: of the columns; "column 1" and so on where the log has none.
        header: the cells of the header, empty without one.
        lines: lines before the first row of numbers.
        start: bytes before it.
        samples: numbers of the first rows, by column; NaN where a cell is none.
        whole: which of these columns hold whole numbers only.
        decimals: fewest decimals of the numbers of the last column, 0 if it has none.
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
    options = [(d, dec) for d in _DELIMITERS for dec in (".", ",") if (d, dec) != (",", ",")]
    found = [option for option in (_try(lines, d, dec) for d, dec in options) if option]
    if not found:
        what = (
            f"no row of numbers among its first lines, which begin with {shown(lines[0].strip())}"
        )
        raise UnreadableError(what, "one row a frame", "check that this is a frame-time log")
    (_, first, delimiter, decimal) = max(found, key=lambda f: f[0])
    rows = [split(line, delimiter) for line in lines[first:]]
    width = len(rows[0])
    names, header = _names(lines[:first], delimiter, width)
    start = skipped + len("".join(f"{line}\n" for line in lines[:first]).encode("latin-1"))
    pattern = _NUMBER[decimal]
    samples, whole = {}, set()
    good = [cells for cells in rows if len(cells) == width]
    for index in range(width):
        cells = [row[index] for row in good]
        numbers = [float(c.replace(",", ".")) if pattern.fullmatch(c) else np.nan for c in cells]
        if np.isfinite(numbers).mean() > 0.5:
            samples[index] = np.array(numbers)
            if all(cell.lstrip("+-").isdigit() for cell in cells if cell):
                whole.add(index)
    last = [row[-1].partition(decimal)[2] for row in good if pattern.fullmatch(row[-1])]
    decimals = min((len(digits) for digits in last), default=0)
    return Layout(
        delimiter, decimal, names, header, first, start, samples, frozenset(whole), decimals
    )


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


def _try(
    lines: list[str], delimiter: str, decimal: str
) -> tuple[tuple[int, int, int, int], int, str, str] | None:
    """Find where numbers begin if cells are separated so; rate how well that suits.

    The better of two has more numbers a row; then a header as wide as the rows; then fewer cells
    that are no numbers; then a decimal point.
    """
    pattern = _NUMBER[decimal]
    for first in range(min(len(lines), PREAMBLE)):
        rows = [split(line, delimiter) for line in lines[first : first + SAME] if line.strip()]
        if not rows or not lines[first].strip():
            continue
        numeric = [{i for i, c in enumerate(row) if pattern.fullmatch(c)} for row in rows]
        always = set.intersection(*numeric)
        if len({len(row) for row in rows[: SAME - 1]}) > 1 or not always:
            continue
        before = [line for line in lines[:first] if line.strip()]
        headed = bool(before) and len(split(before[-1], delimiter)) == len(rows[0])
        parts = any("." in rows[0][i] or "," in rows[0][i] for i in always)
        rest = len(rows[0]) - len(always)
        rating = (int(headed or not before), len(always), -rest, int(parts or decimal == "."))
        return rating, first, delimiter, decimal
    return None


def _names(
    before: list[str], delimiter: str, width: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the names of the columns and the cells of the header."""
    rows = [split(line, delimiter) for line in before if line.strip()]
    header = tuple(rows[-1]) if rows and len(rows[-1]) == width else ()
    header = tuple(name.encode("latin-1").decode("utf-8", "replace") for name in header)
    names = [name or f"column {i + 1}" for i, name in enumerate(header)]
    return tuple(names) or tuple(f"column {i + 1}" for i in range(width)), header
