"""A sheet as a rectangle of texts that knows where each of its cells stands."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

from openpyxl.utils import get_column_letter

from scalemodel.data.rows import RowSource, UnreadableError

MOST_LINES = 20_000
"""Rows beyond which a file is not taken for a wide sheet."""

MOST_CELLS = 4_000_000
"""Cells beyond which a file is not taken for a wide sheet."""


@dataclass(frozen=True)
class Sheet:
    """A sheet or file that may be wide.

    Attributes:
        name: what messages call it.
        title: what people call it: the name of the sheet, or of the file without its ending.
        ways: how it can be opened; more than one where the delimiter is still to be found.
    """

    name: str
    title: str
    ways: Sequence[Callable[[], AbstractContextManager[RowSource]]]

    def grids(self) -> list["Grid"]:
        """Read the sheet in every way that it can be read in.

        Raises:
            UnreadableError: it cannot be read in any.
            OSError: the file cannot be opened.
        """
        found: list[Grid] = []
        error: UnreadableError | None = None
        for way in self.ways:
            try:
                with way() as source:
                    grid = _grid(source, self.name, self.title)
            except UnreadableError as reason:
                error = error or reason
            else:
                found += [grid] if grid else []
        if error is not None and not found:
            raise error
        return found


@dataclass(frozen=True)
class Grid:
    """A sheet; once it is turned so that cards are down, ``across`` says whether it had to be.

    A line is a row of this rectangle, and a row of the sheet unless ``across``.

    Attributes:
        name: what messages call the sheet.
        title: what people call it.
        cells: (lines, columns) texts, blank lines included.
        across: lines are the columns of the sheet.
        encoding: as in RowSource.
        delimiter: as in RowSource.
        decimal: as in RowSource.
        digest: sha256 of what was read.
    """

    name: str
    title: str
    cells: tuple[tuple[str, ...], ...]
    across: bool
    encoding: str
    delimiter: str
    decimal: str
    digest: str

    @property
    def width(self) -> int:
        """How many columns every line has."""
        return len(self.cells[0]) if self.cells else 0

    @property
    def header(self) -> tuple[str, ...]:
        """The first line that is not blank."""
        return next((line for line in self.cells if any(line)), ())

    def turned(self) -> "Grid":
        """Make lines of columns."""
        return replace(self, cells=tuple(zip(*self.cells, strict=True)), across=not self.across)

    def at(self, line: int, column: int) -> tuple[int, str]:
        """Return the row and the column letter of a cell in the sheet."""
        row, index = (column, line) if self.across else (line, column)
        return row + 1, get_column_letter(index + 1)

    def line_words(self, *lines: int) -> str:
        """Name a line, or the first and last of several, as the sheet does: "rows 3-26"."""
        return _named(lines, "column" if self.across else "row", letters=self.across)

    def column_words(self, *columns: int) -> str:
        """Name a column, or the first and last of several, as the sheet does."""
        letters = not self.across
        return _named(columns, "row" if self.across else "column", letters=letters)


def _named(places: Sequence[int], noun: str, *, letters: bool) -> str:
    ends = dict.fromkeys((min(places), max(places)))
    words = [get_column_letter(k + 1) if letters else str(k + 1) for k in ends]
    return f"{noun}{'s' if len(words) > 1 else ''} {'-'.join(words)}"


def _grid(source: RowSource, name: str, title: str) -> Grid | None:
    """Read an open sheet whole; None if it is too large to be one that people look at."""
    lines: list[list[str]] = [[] for _ in range(min(source.header_row, MOST_LINES) - 1)]
    lines.append(source.header)
    width = len(source.header)
    for numbers, rows in source.blocks:
        if numbers[-1] > MOST_LINES:
            return None
        for number, cells in zip(numbers, rows, strict=True):
            lines += [[] for _ in range(number - 1 - len(lines))]
            lines.append(cells)
        width = max(width, *map(len, rows))
        if width * len(lines) > MOST_CELLS:
            return None
    source.settle()
    texts = tuple((*line, *[""] * (width - len(line))) for line in lines)
    return Grid(
        name,
        title,
        texts,
        False,
        source.encoding,
        source.delimiter,
        source.decimal,
        source.digest(),
    )
