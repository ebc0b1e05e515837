"""Read the wide sheets of a bench as its table of results."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from scalemodel.data.problems import ProblemLog
from scalemodel.data.rows import RowSource, UnreadableError
from scalemodel.data.schema import RESULTS
from scalemodel.data.tables import (
    FileReading,
    NotWideError,
    TypedTable,
    is_long,
    note_os_error,
    read_source,
)
from scalemodel.data.wide.grid import Grid, Sheet
from scalemodel.data.wide.layout import FILE, UNKNOWN, Asked, Layout, draft, read_layout
from scalemodel.data.wide.roles import Reading, read_headers
from scalemodel.data.wide.shape import Shape, card_matches, find_shape
from scalemodel.data.wide.telling import placed, told
from scalemodel.data.wide.unpivot import Row, Unpivoted, unpivot
from scalemodel.data.wide.words import AVERAGE, is_number, loose

FIXES = (
    ("delete the row", "empty it"),
    ("mark the row exclude with a note", "empty the cell"),
    ("correct the row", "correct the cell"),
)
"""What to do with a row of a long table, and with the cell of a wide one instead."""


@dataclass(frozen=True)
class Known:
    """Names of the other tables of the bench."""

    cards: Sequence[str]
    platforms: Sequence[str]


@dataclass(frozen=True)
class _Read:
    """A wide sheet, and what its headers say."""

    shape: Shape
    headers: Reading
    sound: bool


def read_wide(
    sheets: Sequence[Sheet], known: Known, folder: Path, log: ProblemLog, *, alone: bool
) -> TypedTable | None:
    """Read sheets that may be wide as one table of results.

    Args:
        sheets: the sheet named results, or all that have no other purpose.
        known: names of the other tables.
        folder: where layout.toml may lie.
        log: takes what is wrong.
        alone: the sheet is named results.

    Returns:
        The table, or None with errors in the log.

    Raises:
        NotWideError: no sheet has rates beside or under the names of cards.
    """
    names = {loose(name): name for name in reversed(known.cards) if name}
    names |= {name: name for name in known.cards if name}  # a name as it is written comes first
    trial = ProblemLog()
    layout = read_layout(folder, trial)
    ignored = {loose(text) for text in layout.ignore}
    sheets = [sheet for sheet in sheets if loose(sheet.title) not in ignored]
    grids = [grid for sheet in sheets if (grid := _grid(sheet, names, trial))]
    grids = [grid for grid in grids if alone or not is_long(grid.header, RESULTS)]
    if not any(card_matches(grid, names) for grid in grids):
        if alone and any(map(_looks_wide, grids)):
            _note_strangers(grids[0], log)
            return None
        raise NotWideError
    read = [one for grid in grids if (one := _read(grid, names, known, layout, trial, alone=alone))]
    if not read:
        raise NotWideError
    before = log.errors()
    for problem in trial.problems():
        log.add(problem)
    if log.errors(FILE):
        return None
    asked = _asked([one for one in read if one.sound])
    if any(asked):
        _ask(read, asked, layout, log)
    if log.errors() > before:
        return None
    return _table(read, sheets, layout, log)


def _grid(sheet: Sheet, names: Mapping[str, str], log: ProblemLog) -> Grid | None:
    """Read a sheet, split into cells in the way that shows most cards."""
    try:
        grids = sheet.grids()
    except UnreadableError as error:
        log.error(sheet.name, error.what, error.allowed, error.fix, row=error.row)
        return None
    except OSError as error:
        note_os_error(error, sheet.name, log)
        return None
    return max(grids, key=lambda one: (card_matches(one, names), one.width), default=None)


def _looks_wide(grid: Grid) -> bool:
    """Say whether a sheet that names no card has columns of numbers under headers of its own."""
    columns = grid.turned().cells
    numbers = sum(sum(map(is_number, column)) > 1 for column in columns)
    header = {cell.lower() for cell in grid.header} & {*RESULTS.names()}
    return numbers > 1 and len(header) < 2


def _note_strangers(grid: Grid, log: ProblemLog) -> None:
    what = "no row and no column of this sheet names cards of the table of cards"
    allowed = "one row a run with the columns of results.csv, or cards down and charts across"
    log.error(grid.name, what, allowed, "write the cards as in the table of cards")


def _read(
    grid: Grid,
    names: Mapping[str, str],
    known: Known,
    layout: Layout,
    log: ProblemLog,
    *,
    alone: bool,
) -> _Read | None:
    before = log.errors()
    shape = find_shape(grid, names, layout, log)
    if shape is None:
        return None
    if log.errors() > before:
        return _Read(shape, Reading({}, {}, {}, Asked()), False)
    headers = read_headers(shape, layout, known.platforms, log, alone=alone)
    return _Read(shape, headers, log.errors() == before)


def _asked(read: Sequence[_Read]) -> list[Asked]:
    """Say what is open; of a sheet without resolutions among others, whether it holds rates."""
    asked = [one.headers.asked for one in read]
    if all("resolution" in one.names for one in asked):
        return asked
    return [
        Asked(ignore=(one.shape.grid.title,)) if "resolution" in open_.names else open_
        for one, open_ in zip(read, asked, strict=True)
    ]


def _ask(read: Sequence[_Read], asked: list[Asked], layout: Layout, log: ProblemLog) -> None:
    """Note all that is open in one message, with a layout.toml to fill in."""
    names = list(dict.fromkeys(name for one in asked for name in one.names))
    open_words = [f"the {name}" for name in names]
    if any(one.headers for one in asked):
        across = read[0].shape.grid.across
        open_words.append(f"what each {'column' if across else 'row'} of headers holds")
    if any(one.sheets for one in asked):
        open_words.append("what the names of the sheets are")
    if any(one.ignore for one in asked):
        open_words.append("whether numbers without a resolution are rates")
    log.error(
        _name(read),
        f"the sheet is wide ({placed(read[0].shape)}), and leaves open: {'; '.join(open_words)}",
        f"a {FILE} that says so",
        f'save the lines below as {FILE} in the folder of the bench, your words for "{UNKNOWN}"',
        draft=draft(asked, layout),
    )


def _name(read: Sequence[_Read]) -> str:
    """Name the sheets together."""
    first = read[0].shape.grid.name
    return first if len(read) == 1 else f"{first} and {len(read) - 1} more"


def _table(
    read: Sequence[_Read], sheets: Sequence[Sheet], layout: Layout, log: ProblemLog
) -> TypedTable | None:
    """Join the runs of all sheets."""
    before = log.errors()
    seen: dict[tuple[str, ...], str] = {}
    found = [unpivot(one.shape, one.headers, layout.resolutions, seen, log) for one in read]
    names = [one.shape.grid.name for one in read]
    cells = {
        (number, column): (name, *at)
        for number, (name, row) in _numbered(names, found)
        for column, at in row.places.items()
    }
    log.place({_name(read), *names}, cells, FIXES)
    parts: list[TypedTable] = []
    start = 1
    for one, runs in zip(read, found, strict=True):
        source = _source(one.shape.grid, runs.rows, start)
        if runs.rows or log.errors() == before:
            part = read_source(source, RESULTS, one.shape.grid.name, log)
            parts += [part] if part else []
        start += len(runs.rows)
    if not parts:
        return None
    lines = told([(one.shape, one.headers, runs) for one, runs in zip(read, found, strict=True)])
    if others := [sheet.name for sheet in sheets if sheet.name not in names]:
        lines.append(f"not read, as no rates of cards were found there: {', '.join(others)}")
    return _joined(_name(read), parts, lines, layout, cells)


def _numbered(
    names: Sequence[str], found: Sequence[Unpivoted]
) -> Iterator[tuple[int, tuple[str, Row]]]:
    """Count the runs of all sheets, each with the name of its sheet."""
    return enumerate(
        ((name, row) for name, runs in zip(names, found, strict=True) for row in runs.rows), start=1
    )


def _source(grid: Grid, rows: Sequence[Row], start: int) -> RowSource:
    """Give runs as rows of text, numbered from a start."""
    used = {name for row in rows for name in row.cells}
    header = [c.name for c in RESULTS.columns if c.required or c.name in used]
    cells = [[row.cells.get(name, "") for name in header] for row in rows]
    blocks = [(list(range(start, start + len(rows))), cells)] if rows else []
    return RowSource(
        grid.encoding, grid.delimiter, grid.decimal, header, 1, iter(blocks), lambda: grid.digest
    )


def _joined(
    name: str,
    parts: Sequence[TypedTable],
    lines: Sequence[str],
    layout: Layout,
    cells: Mapping[tuple[int, str], tuple[str, int, str]],
) -> TypedTable:
    """Make one table of the runs of several sheets."""

    def common(values: Iterable[str]) -> str:
        return " and ".join(dict.fromkeys(value for value in values if value))

    readings = [part.reading for part in parts]
    reading = FileReading(
        name,
        common(one.encoding for one in readings),
        common(one.delimiter for one in readings),
        common(one.decimal for one in readings),
        sum(one.rows for one in readings),
        tuple(lines),
    )
    digest = hashlib.sha256(layout.content)
    for part in parts:
        digest.update(f"{part.reading.name} {part.digest}\n".encode())
    rows = {number: at[1] for (number, column), at in cells.items() if column == AVERAGE}
    frame = pd.concat([part.frame for part in parts], ignore_index=True)
    return TypedTable(frame, reading, digest.hexdigest(), rows)
