"""Where the tables of a bench lie: in a folder, a workbook or a database."""

import hashlib
import os
import platform
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
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
from scalemodel.data.urls import BenchPath, DatabaseUrl, place_of, shown_place
from scalemodel.data.wide.grid import Sheet
from scalemodel.data.wide.reading import Known, read_wide
from scalemodel.data.workbook import Workbook

WORKBOOK = ".xlsx"

_TABLES = frozenset(table.name for table in TABLES)


class Place(Protocol):
    """Where a bench is kept."""

    @property
    def folder(self) -> Path | None:
        """Where its frame-time logs lie; None for a database on a server."""

    def read(self, table: Table, log: ProblemLog) -> TypedTable | None:
        """Read one table; None if it is not there or cannot be read, with errors in the log."""


def bench_folder(path: BenchPath) -> Path:
    """Return the folder of a bench, or the one that its workbook or database file lies in.

    A database on a server has a folder of its own in the user's cache, made here, whose name tells
    nothing of it.
    """
    place = place_of(path)
    if not isinstance(place, DatabaseUrl):
        return place.parent if is_workbook(place) else place
    if place.file is not None:
        return place.file.parent
    where = (place.kind, place.url.host, place.url.port, place.url.database, place.schema)
    name = hashlib.sha256(repr((*where, place.url.query.get("host"))).encode()).hexdigest()[:32]
    folder = _cache_folder() / "scalemodel" / name
    with suppress(OSError):  # then nothing is kept
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def _cache_folder() -> Path:
    """Return where programs keep what they can make again, by the rule of the system."""
    match platform.system():
        case "Windows":
            given, usual = os.environ.get("LOCALAPPDATA", ""), Path.home() / "AppData" / "Local"
        case "Darwin":
            given, usual = "", Path.home() / "Library" / "Caches"
        case _:
            given, usual = os.environ.get("XDG_CACHE_HOME", ""), Path.home() / ".cache"
    return Path(given) if Path(given).is_absolute() else usual


@contextmanager
def open_place(path: BenchPath, log: ProblemLog) -> Iterator[Place | None]:
    """Open a bench as long as its tables are read; None if it cannot be, with an error in the log.

    Raises:
        AddressError: it looks like the address of a database and is none.
    """
    place = place_of(path)
    if isinstance(place, DatabaseUrl):
        from scalemodel.data.database import open_database  # noqa: PLC0415 - the library is heavy

        with open_database(place, log) as database:
            yield database
    elif is_workbook(place):
        yield _open_book(place, shown_place(path), log)
    else:
        names = _names(place, shown_place(path), log)
        yield None if names is None else _Folder(place, names)


def read_alone(path: BenchPath, table: Table, log: ProblemLog) -> TypedTable | None:
    """Read one table that has a file to itself, or is in a database; None with errors in the log.

    Raises:
        AddressError: it looks like the address of a database and is none.
    """
    place = place_of(path)
    if isinstance(place, DatabaseUrl):
        with open_place(place, log) as database:
            return database.read(replace(table, required=True), log) if database else None
    if not is_workbook(place):
        return read_table(place, table, log)
    book = _open_book(place, shown_place(path), log)
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
    place: _Folder | _Book, sheets: Sequence[Sheet], log: ProblemLog, *, alone: bool
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
        if _is_sqlite(folder):
            fix = f"name a database by its address: sqlite:///{path}"
    except OSError as error:
        what = f"the folder cannot be opened ({error.strerror or error})"
        fix = "allow opening it or correct the path"
    log.error(path, what, "a folder with cards.csv and results.csv", fix)
    return None


def _is_sqlite(file: Path) -> bool:
    """Say whether a file begins as a database of SQLite does (its file format, section 1.3)."""
    try:
        with file.open("rb") as stream:
            return stream.read(16) == b"SQLite format 3\0"
    except OSError:
        return False
