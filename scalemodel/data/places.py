"""Where the tables of a bench lie: the files of a folder, or the sheets of one workbook."""

import os
from collections.abc import Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Protocol

from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.rows import DELIMITERS, UnreadableError
from scalemodel.data.schema import CARDS, PLATFORMS, RESULTS, TABLES, Table
from scalemodel.data.tables import (
    NotWideError,
    Otherwise,
    TypedTable,
    file_rows,
    read_rows,
    read_table,
)
from scalemodel.data.wide.grid import Sheet
from scalemodel.data.wide.reading import Known, read_wide
from scalemodel.data.workbook import Workbook

WORKBOOK = ".xlsx"

_TABLES = frozenset(table.name for table in TABLES)


class Place(Protocol):
    """Where a bench is kept.

    Attributes:
        folder: where what belongs to it lies: frame-time logs, kept fits.
    """

    folder: Path

    def read(self, table: Table, log: ProblemLog) -> TypedTable | None:
        """Read one table; None if it is not there or cannot be read, with errors in the log."""


def bench_folder(path: str | os.PathLike[str]) -> Path:
    """Return the folder of a bench, or the one that its workbook lies in."""
    place = Path(path)
    return place.parent if is_workbook(place) else place


def open_place(path: str | os.PathLike[str], log: ProblemLog) -> Place | None:
    """Open a bench; None if it cannot be opened, with an error in the log."""
    place = Path(path)
    if is_workbook(place):
        return _open_book(place, os.fspath(path), log)
    names = _names(place, os.fspath(path), log)
    return None if names is None else _Folder(place, names)


def read_alone(path: str | os.PathLike[str], table: Table, log: ProblemLog) -> TypedTable | None:
    """Read one table that has a file to itself; None with errors in the log."""
    place = Path(path)
    if not is_workbook(place):
        return read_table(place, table, log)
    book = _open_book(place, os.fspath(path), log)
    return book.read_alone(table, log) if book else None


def _open_book(place: Path, path: str, log: ProblemLog) -> "_Book | None":
    try:
        return _Book(place.parent, place.name, Workbook.of(place))
    except UnreadableError as error:
        log.error(path, error.what, error.allowed, error.fix)
    except OSError as error:
        reason = error.strerror or str(error)
        what = f"the workbook cannot be opened ({reason[:1].lower()}{reason[1:]})"
        log.error(path, what, "a readable file", "correct the path or allow reading it")
    return None


def is_workbook(path: Path) -> bool:
    """Say whether a path is that of a workbook, there or not."""
    return path.suffix.lower() == WORKBOOK and not path.is_dir()


class _Folder:
    """A folder with one file a table."""

    def __init__(self, folder: Path, names: frozenset[str]) -> None:
        self.folder, self._names = folder, names

    def read(self, table: Table, log: ProblemLog) -> TypedTable | None:
        wanted = f"{table.name}.csv", f"{table.name}.parquet"
        there = [self.folder / name for name in wanted if name in self._names]
        if len(there) > 1:
            what, allowed = f"{wanted[1]} is there too", "one file for each table"
            log.error(wanted[0], what, allowed, "keep the right one")
            return None
        if there:
            wide = partial(_read_wide, self, [_file_sheet(there[0])], log, alone=True)
            return read_table(there[0], table, log, wide if table == RESULTS else None)
        if table == RESULTS:
            with suppress(NotWideError):
                return _read_wide(self, self._others(), log, alone=False)
        if table.required:
            alike = sorted(name for name in self._names if name.lower() in wanted)
            fix = f"rename {shown(alike[0])}" if alike else "put it into the folder"
            log.error(wanted[0], "the file is missing", " or ".join(wanted), fix)
        return None

    def _others(self) -> list[Sheet]:
        """Give the files that are no table by their names."""
        files = sorted(self.folder / name for name in self._names if not name.startswith("."))
        ends = (".csv", ".parquet")
        return [
            _file_sheet(file)
            for file in files
            if file.suffix in ends and file.stem.lower() not in _TABLES and file.is_file()
        ]


class _Book:
    """A workbook with one sheet a table."""

    def __init__(self, folder: Path, name: str, book: Workbook) -> None:
        self.folder, self._name, self._book = folder, name, book

    def read(self, table: Table, log: ProblemLog) -> TypedTable | None:
        titles = [title for title in self._book.titles if title.strip().lower() == table.name]
        if len(titles) > 1:
            what = f"the sheets {' and '.join(shown(title) for title in titles)} have one name"
            log.error(self._name, what, "one sheet for each table", "keep the right one")
            return None
        if titles:
            wide = partial(_read_wide, self, [self._sheet(titles[0])], log, alone=True)
            return self._read(titles[0], table, log, wide if table == RESULTS else None)
        if table == RESULTS:
            others = [t for t in self._book.titles if t.strip().lower() not in _TABLES]
            with suppress(NotWideError):
                return _read_wide(self, [*map(self._sheet, others)], log, alone=False)
        if table.required:
            there = ", ".join(shown(title) for title in self._book.titles[:8])
            what = f"the sheet {table.name} is missing; there are: {there}"
            fix = "name the sheet so, or add it"
            log.error(self._name, what, f"a sheet named {table.name}", fix)
        return None

    def read_alone(self, table: Table, log: ProblemLog) -> TypedTable | None:
        """Read the only sheet, or the one that has the table's name."""
        titles = self._book.titles
        return self._read(titles[0], table, log) if len(titles) == 1 else self.read(table, log)

    def _read(
        self, title: str, table: Table, log: ProblemLog, otherwise: Otherwise | None = None
    ) -> TypedTable | None:
        sheet = self._sheet(title)
        return read_rows(sheet.name, self._book.rows(title), table, log, otherwise)

    def _sheet(self, title: str) -> Sheet:
        name = f"{self._name}, sheet {title.strip()}"
        return Sheet(name, title.strip(), [partial(self._book.rows, title)])


def _file_sheet(path: Path) -> Sheet:
    """Give a file that may be wide; what separates the cells of a CSV file is to be found."""
    delimiters = DELIMITERS if path.suffix == ".csv" else ("",)
    ways = [partial(file_rows, path, frozenset(), delimiter) for delimiter in delimiters]
    return Sheet(path.name, path.stem, ways)


def _read_wide(
    place: Place, sheets: Sequence[Sheet], log: ProblemLog, *, alone: bool
) -> TypedTable | None:
    """Read wide sheets, beside the cards and platforms of the same place; as `read_wide`."""
    quiet = ProblemLog()  # the tables are read, and complained of, on their own
    cards, platforms = (place.read(table, quiet) for table in (CARDS, PLATFORMS))
    known = Known(
        cards.frame["card"].tolist() if cards else [],
        platforms.frame["platform"].tolist() if platforms else [],
    )
    return read_wide(sheets, known, place.folder, log, alone=alone)


def _names(folder: Path, path: str, log: ProblemLog) -> frozenset[str] | None:
    """Give the names of the files in a folder, or None with an error in the log."""
    fix = "correct the path"
    try:
        return frozenset(file.name for file in folder.iterdir())
    except FileNotFoundError:
        what = "there is no such folder"
    except NotADirectoryError:
        what = "this is not a folder"
    except OSError as error:
        what = f"the folder cannot be opened ({error.strerror or error})"
        fix = "allow opening it or correct the path"
    log.error(path, what, "a folder with cards.csv and results.csv", fix)
    return None
