"""One file or sheet of a bench as a typed table, with every problem in it noted."""

import difflib
import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.data.cells import CORRECT, Complaint, Parsed, parser, plain_numbers
from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.rows import Block, RowSource, UnreadableError, open_rows
from scalemodel.data.schema import BANDWIDTH_COLUMNS, DERIVED, Column, Table

REMEMBERED = 200_000
"""Distinct cells of one column remembered at a time."""


@dataclass(frozen=True)
class FileReading:
    """How a file was read.

    Attributes:
        name: file name, or workbook and sheet, or database and table with the order of its rows.
        encoding: "UTF-8", "UTF-8 with byte order mark", "Parquet", "workbook" or "database".
        delimiter: what separates cells; empty but for CSV.
        decimal: "." or ",".
        rows: rows that are not blank, without the header; runs of a wide sheet.
        shape: how wide sheets were read, a sentence a sheet.
    """

    name: str
    encoding: str
    delimiter: str
    decimal: str
    rows: int
    shape: tuple[str, ...] = ()


@dataclass(frozen=True)
class TypedTable:
    """A file read whole: its rows, how it was read, and the sha256 of its bytes.

    ``frame`` has the column ``row``, every column of the table in its order (empty where the
    file lacks it) and then the unknown columns as text. In a table made of wide sheets ``row``
    counts its runs, and ``rows`` gives the row of the sheet for each.
    """

    frame: pd.DataFrame
    reading: FileReading
    digest: str
    rows: Mapping[int, int] = field(default_factory=dict)


Otherwise = Callable[[], TypedTable | None]
"""Reads a table whose header shows that it is not in the long form; raises NotWideError."""


class NotWideError(Exception):
    """A table is not in a wide form; nothing was noted."""


def read_table(
    path: Path, table: Table, log: ProblemLog, otherwise: Otherwise | None = None
) -> TypedTable | None:
    """Read a file; None if it could not be read, with the reasons in the log.

    Cells with errors come back empty; the caller stops on the log's errors.
    """
    opened = file_rows(path, frozenset(table.names()))
    return read_rows(path.name, opened, table, log, otherwise)


def read_rows(
    name: str,
    opened: AbstractContextManager[RowSource],
    table: Table,
    log: ProblemLog,
    otherwise: Otherwise | None = None,
) -> TypedTable | None:
    """Read what is opened as one table, called by this name in messages; as `read_table`."""
    try:
        with opened as source:
            if otherwise is not None and not is_long(source.header, table):
                with suppress(NotWideError):
                    return otherwise()
            result = read_source(source, table, name, log)
            if result is not None and not log.hopeless(name):
                source.settle()
            return result
    except UnreadableError as error:
        log.error(name, error.what, error.allowed, error.fix, row=error.row)
    except OSError as error:
        note_os_error(error, name, log)
    return None


@contextmanager
def file_rows(path: Path, known: frozenset[str], delimiter: str = "") -> Iterator[RowSource]:
    """Open a file that must not change before it is closed; as `open_rows`."""
    before = _fingerprint(path)
    with open_rows(path, known, delimiter) as source:
        yield replace(source, settle=lambda: _check_unchanged(path, before, source.digest()))


def _fingerprint(path: Path) -> tuple[int, int]:
    status = path.stat()
    if not stat.S_ISREG(status.st_mode):
        what = "this is a folder or a device, not a file"
        raise UnreadableError(what, "a plain file", "put the table there")
    return status.st_size, status.st_mtime_ns


def _check_unchanged(path: Path, before: tuple[int, int], digest: str) -> None:
    """Refuse a mixture of two states of a file."""
    with path.open("rb") as stream:
        after = hashlib.file_digest(stream, "sha256").hexdigest()
    if after != digest or _fingerprint(path) != before:
        what = "the file changed while it was being read"
        raise UnreadableError(what, "a file at rest", "wait until it is saved and try again")


def note_os_error(error: OSError, name: str, log: ProblemLog) -> None:
    """Say in words why a file cannot be read."""
    if isinstance(error, FileNotFoundError):
        what, fix = "the file is missing", "put it there or correct the path"
    elif isinstance(error, PermissionError):
        what, fix = "you have no permission to read the file", "allow reading it"
    else:
        what = f"the file cannot be read ({os.strerror(error.errno) if error.errno else error})"
        fix = "check the disk and the path"
    log.error(name, what, "a readable file", fix)


@dataclass(frozen=True)
class _Layout:
    """Where each column stands in the file."""

    known: dict[int, Column]
    unknown: dict[int, str]
    unnamed: tuple[int, ...]
    width: int


def is_long(header: Sequence[str], table: Table) -> bool:
    """Say whether a header is that of a table with one row a run, slips and all."""
    needed = {column.name for column in table.columns if column.required}
    found = needed & {name.lower() for name in header}
    return "avg_fps" in found or ("run" in found and len(found) + 2 >= len(needed))


def read_source(source: RowSource, table: Table, name: str, log: ProblemLog) -> TypedTable | None:
    """Read an open table, called by this name in messages; None if it has no header for it."""
    layout = _layout(source.header, table, name, log)
    if layout is None:
        return None
    reader = _BlockReader(layout, source, name, log)
    for block in source.blocks:
        reader.take(block)
        if log.hopeless(name):
            log.stopped(name, block[0][-1])
            break
    if not reader.count:
        log.error(name, "the file has a header but no rows", "at least one row", "add rows")
    reading = FileReading(
        name, source.encoding, source.delimiter, reader.decimal or ".", reader.count
    )
    return TypedTable(reader.frame(table), reading, source.digest())


def _layout(header: Sequence[str], table: Table, name: str, log: ProblemLog) -> _Layout | None:
    """Match the header with the declared columns; note missing and double ones."""
    declared = {column.name: column for column in table.columns}
    known: dict[int, Column] = {}
    unknown: dict[int, str] = {}
    seen: set[str] = set()
    for index, text in enumerate(header):
        key = text.lower()
        if not text:
            continue
        if key in seen:
            fix = "rename or remove one of them"
            log.error(name, f"the column {shown(text)} is there twice", "each column once", fix)
        elif key in declared:
            known[index] = declared[key]
        elif key in DERIVED[table.name]:
            what = f"the column {shown(text)} is worked out by scalemodel; the file's is not used"
            log.warning(name, what, "any other name", "rename or remove the column")
        else:
            unknown[index] = text
        seen.add(key)
    if not known:
        what = "there is no header: the first row names none of the columns"
        allowed = ", ".join(c.name for c in table.columns if c.required)
        log.error(name, what, allowed, "make the column names the first row")
        return None
    _note_missing(seen, [*unknown.values()], table, name, log)
    unnamed = tuple(i for i, text in enumerate(header) if not text)
    return _Layout(known, unknown, unnamed, len(header))


def _note_missing(
    seen: set[str], spare: Iterable[str], table: Table, name: str, log: ProblemLog
) -> None:
    spare_names = {text.lower(): text for text in spare}
    missing = [c.name for c in table.columns if c.required and c.name not in seen]
    if table.name == "cards":
        whole, bus, rate = BANDWIDTH_COLUMNS
        if whole not in seen and not {bus, rate} <= seen:
            missing.append(whole)
    for column in missing:
        near = difflib.get_close_matches(column, spare_names, n=1, cutoff=0.6)
        what = f"the column {column} is missing"
        allowed = "every required column"
        fix = "add the column"
        if near:
            fix = f"rename {shown(spare_names[near[0]])} if that is it, or add the column"
        if column == BANDWIDTH_COLUMNS[0]:
            allowed = f"{column}, or both {' and '.join(BANDWIDTH_COLUMNS[1:])}"
        log.error(name, what, allowed, fix)


class _BlockReader:
    """Turns blocks of text rows into typed columns."""

    def __init__(self, layout: _Layout, source: RowSource, name: str, log: ProblemLog) -> None:
        self.count = 0
        self.decimal = source.decimal
        self._layout, self._delimiter = layout, source.delimiter
        self._name, self._log = name, log
        self._memos: dict[int, dict[str, Parsed]] = {i: {} for i in layout.known}
        self._rows: list[NDArray[np.int64]] = []
        self._parts: dict[int, list[NDArray[np.generic]]] = {
            i: [] for i in (*layout.known, *layout.unknown)
        }

    def take(self, block: Block) -> None:
        """Read one block."""
        numbers, rows = block
        self.count += len(numbers)
        self._rows.append(np.array(numbers))
        columns = self._columns(numbers, rows)
        if not self.decimal:
            self._find_decimal(columns)
        flags: dict[str, NDArray[np.generic]] = {}
        for index in sorted(self._layout.known, key=lambda i: self._layout.known[i].unless):
            column = self._layout.known[index]
            part = self._typed(index, column, numbers, columns[index])
            self._parts[index].append(part)
            flags[column.name] = part
            if column.required:
                self._note_empty(column, numbers, columns[index], flags.get(column.unless))
        for index in self._layout.unknown:
            self._parts[index].append(np.array(columns[index], dtype=object))

    def frame(self, table: Table) -> pd.DataFrame:
        """Join the blocks."""
        empty = {"number": np.nan, "flag": False}
        at = {column.name: index for index, column in self._layout.known.items()}
        rows = np.concatenate(self._rows) if self._rows else np.array([], dtype=np.int64)
        data: dict[str, object] = {"row": rows}
        for column in table.columns:
            data[column.name] = (
                self._joined(at[column.name], column.kind)
                if column.name in at
                else np.full(len(rows), empty.get(column.kind, ""))
            )
        data |= {text: self._joined(i, "text") for i, text in self._layout.unknown.items()}
        return pd.DataFrame(data)

    def _joined(self, index: int, kind: str) -> NDArray[np.generic]:
        parts = self._parts[index]
        if not parts:
            return np.array([], dtype={"number": float, "flag": bool}.get(kind, object))
        return np.concatenate(parts)

    def _columns(self, numbers: list[int], rows: list[list[str]]) -> list[Sequence[str]]:
        """Turn rows into columns; note cells outside the header."""
        width = self._layout.width
        for i, cells in enumerate(rows):
            if len(cells) != width:
                beyond = next((c for c in cells[width:] if c), None)
                if beyond is not None:
                    self._note_beyond(numbers[i], beyond, "more cells than the header")
                rows[i] = (cells + [""] * width)[:width]
        columns: list[Sequence[str]] = list(zip(*rows, strict=True))
        for index in self._layout.unnamed:
            for row, cell in zip(numbers, columns[index], strict=True):
                if cell:
                    self._note_beyond(row, cell, "a cell in a column without a name")
        return columns

    def _note_beyond(self, row: int, cell: str, what: str) -> None:
        fix = "name the column or delete the cell"
        if self._delimiter == ",":
            fix += "; text or a number with a comma in it needs quotes"
        self._log.error(
            self._name,
            f"the row has {what}: {shown(cell)}",
            "one cell for each named column",
            fix,
            row=row,
            value=cell,
        )

    def _find_decimal(self, columns: list[Sequence[str]]) -> None:
        """Settle the decimal sign by the first block that shows one.

        In a file separated by commas, 1,234 alone may be a thousand; that settles nothing.
        """
        points = commas = 0
        for index, column in self._layout.known.items():
            if column.kind == "number":
                for cell in set(columns[index]):
                    points += cell.count(".") == 1 and "," not in cell
                    commas += cell.count(",") == 1 and "." not in cell and self._decimal_comma(cell)
        if points or commas:
            prefers_comma = commas == points and self._delimiter != ","
            self.decimal = "," if commas > points or prefers_comma else "."

    def _decimal_comma(self, cell: str) -> bool:
        return self._delimiter != "," or len(cell.rpartition(",")[2]) != 3

    def _typed(
        self, index: int, column: Column, numbers: list[int], cells: Sequence[str]
    ) -> NDArray[np.generic]:
        """Read the cells of one column; note complaints and leave those cells empty."""
        if column.kind == "number" and self.decimal != ",":
            plain = plain_numbers(cells, column)
            if plain is not None:
                return plain
        memo = self._memos[index]
        if len(memo) > REMEMBERED:
            memo.clear()
        parse = parser(column, self.decimal or ".")
        bad = False
        for cell in set(cells):
            parsed = memo.get(cell)
            if parsed is None:
                memo[cell] = parsed = parse(cell)
            bad |= isinstance(parsed, Complaint)
        values: list[object] = list(map(memo.__getitem__, cells))
        if bad:
            values = self._without_complaints(column, numbers, cells, values)
        kinds: dict[str, type] = {"number": float, "flag": bool}
        return np.array(values, dtype=kinds.get(column.kind, object))

    def _without_complaints(
        self, column: Column, numbers: list[int], cells: Sequence[str], values: list[object]
    ) -> list[object]:
        empty: object = {"number": None, "flag": False}.get(column.kind, "")
        for i, value in enumerate(values):
            if isinstance(value, Complaint):
                self._log.error(
                    self._name,
                    value.what,
                    column.allowed,
                    value.fix,
                    row=numbers[i],
                    column=column.name,
                    value=cells[i],
                )
                values[i] = empty
        return values

    def _note_empty(
        self,
        column: Column,
        numbers: list[int],
        cells: Sequence[str],
        excused: NDArray[np.generic] | None,
    ) -> None:
        if all(cells):
            return
        for i, cell in enumerate(cells):
            if not cell and not (excused is not None and excused[i]):
                self._log.error(
                    self._name,
                    "the cell is empty",
                    column.allowed,
                    CORRECT,
                    row=numbers[i],
                    column=column.name,
                    value="",
                )
