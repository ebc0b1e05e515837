"""A bench in a database: one table each, read in one transaction, row by row.

Rows of a table have no order of their own. They are taken by the column ``row``, which `export`
writes; else by the primary key; else, in SQLite, by rowid; else by all columns.
"""

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    CursorResult,
    Select,
    Text,
    cast,
    collate,
    column,
    inspect,
    literal_column,
    select,
)
from sqlalchemy import table as table_of
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.sql.expression import TableClause

from scalemodel.data.connecting import reading, refused
from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.rows import RowSource, UnreadableError, as_text, in_blocks
from scalemodel.data.schema import Table
from scalemodel.data.tables import TypedTable, read_rows
from scalemodel.data.urls import POSTGRESQL, SQLITE, DatabaseUrl

ROW = "row"
"""Column with the row numbers, as messages name them; the primary key of what export writes."""

FETCHED = 1000
"""Rows held at a time before they become text."""

_ROWIDS = ("rowid", "_rowid_", "oid")


@contextmanager
def open_database(address: DatabaseUrl, log: ProblemLog) -> Iterator["Database | None"]:
    """Open a database for as long as its tables are read; None with an error in the log."""
    with ExitStack() as stack:
        try:
            connection = stack.enter_context(reading(address))
            place: Database | None = Database(address, connection, _names(address, connection))
        except UnreadableError as error:
            log.error(str(address), error.what, error.allowed, error.fix)
            place = None
        yield place


def _names(address: DatabaseUrl, connection: Connection) -> dict[str, bool]:
    """Give the tables and views, and which of them is a table."""
    try:
        inspector = inspect(connection)
        if address.schema and not inspector.has_schema(address.schema):
            there = ", ".join(shown(name) for name in sorted(inspector.get_schema_names())[:8])
            what = f"there is no schema {shown(address.schema)}; there are: {there}"
            raise UnreadableError(what, "a schema of this database", "correct the address")
        names = dict.fromkeys(inspector.get_view_names(address.schema), False)
        if address.kind == POSTGRESQL:
            names |= dict.fromkeys(inspector.get_materialized_view_names(address.schema), False)
        return names | dict.fromkeys(inspector.get_table_names(address.schema), True)
    except SQLAlchemyError as error:
        raise refused(error, address) from None


class Database:
    """An open database with one table, or view, for each table of a bench."""

    def __init__(
        self, address: DatabaseUrl, connection: Connection, names: dict[str, bool]
    ) -> None:
        """Take an open database and its tables."""
        self.folder = _folder(address)
        self._address, self._connection, self._names = address, connection, names

    def read(self, table: Table, log: ProblemLog) -> TypedTable | None:
        """Read one table; None if it is not there or cannot be read, with errors in the log.

        A table that need not be there may also have no rows.
        """
        alike = sorted(name for name in self._names if name.strip().lower() == table.name)
        if len(alike) > 1:
            what = f"the tables {' and '.join(shown(name) for name in alike)} have one name"
            log.error(self._address.name, what, "one table of each name", "keep the right one")
            return None
        if not alike:
            if table.required:
                self._note_missing(table, log)
            return None
        try:
            source = _Source(
                self._address, self._connection, alike[0], is_table=self._names[alike[0]]
            )
            if source.is_empty:
                if not table.required:
                    return None
                raise UnreadableError("the table has no rows", "at least one row", "add rows")
            if not set(table.names()) & {name.strip().lower() for name in source.columns}:
                allowed = ", ".join(c.name for c in table.columns if c.required)
                raise UnreadableError("the table has none of the columns", allowed, "rename them")
        except UnreadableError as error:
            log.error(_called(self._address, alike[0]), error.what, error.allowed, error.fix)
            return None
        return read_rows(source.name, source.rows(), table, log)

    def _note_missing(self, table: Table, log: ProblemLog) -> None:
        there = ", ".join(shown(name) for name in sorted(self._names)[:8]) or "none"
        what = f"the table {table.name} is missing; there are: {there}"
        fix = "name the table so, or add it"
        if self._address.file is None and self._address.schema is None:
            fix += "; if it is in a schema of its own, add ?schema=NAME to the address"
        log.error(self._address.name, what, f"a table named {table.name}", fix)


def _called(address: DatabaseUrl, title: str) -> str:
    where = f"{address.schema}.{title.strip()}" if address.schema else title.strip()
    return f"{address.name}, table {where}"


def _folder(address: DatabaseUrl) -> Path | None:
    return address.file.parent if address.file else None


class _Source:
    """One table or view, and the order of its rows."""

    def __init__(
        self, address: DatabaseUrl, connection: Connection, title: str, *, is_table: bool
    ) -> None:
        self._address, self._connection = address, connection
        self._table: TableClause = table_of(title, schema=address.schema)
        with self._guarded():
            empty = connection.execute(self._select().limit(1))
            self.columns = list(empty.keys())
            self.is_empty = empty.first() is None
            self._number, words, self._rows = self._ordered(title, is_table=is_table)
        self.name = _called(address, title) + words

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """Word errors; what goes wrong here leaves the transaction as it was."""
        try:
            with self._connection.begin_nested():
                yield
        except SQLAlchemyError as error:
            raise refused(error, self._address) from None

    def _select(self, *more: ColumnElement[Any]) -> Select[Any]:
        return select(literal_column("*"), *more).select_from(self._table)

    def _ordered(self, title: str, *, is_table: bool) -> tuple[str, str, Select[Any]]:
        """Give the column that numbers the rows, words for the order, and the rows in it."""
        number = next((name for name in self.columns if name.strip().lower() == ROW), "")
        if number:
            return number, "", self._select().order_by(column(number))
        key: list[str] = []
        if is_table:
            found = inspect(self._connection).get_pk_constraint(title, self._address.schema)
            key = found["constrained_columns"]
        if key:
            rows = self._select().order_by(*(column(name) for name in key))
            words = f" by {shown(', '.join(key))[1:-1]}"
            return key[0] if len(key) == 1 else "", words, rows
        taken = {name.lower() for name in self.columns}
        free = next((name for name in _ROWIDS if name not in taken), "")
        if is_table and free and self._address.kind == SQLITE:
            rowid: ColumnElement[Any] = literal_column(free)
            return free, f" by {free}", self._select(rowid).order_by(rowid)
        plain = "C" if self._address.kind == POSTGRESQL else ""
        texts = [cast(column(name), Text) for name in self.columns]
        order = [collate(text, plain) for text in texts] if plain else texts
        return "", " by all columns", self._select().order_by(*order)

    @contextmanager
    def rows(self) -> Iterator[RowSource]:
        """Open the rows.

        Raises:
            UnreadableError: they cannot be read on.
        """
        header = [name.strip() for name in self.columns if not self._is_row(name)]
        digest = hashlib.sha256(repr(header).encode())
        options = {"stream_results": True, "yield_per": FETCHED}
        with (
            self._guarded(),
            self._connection.execute(self._rows.execution_options(**options)) as result,
        ):
            blocks = in_blocks(self._numbered(result, digest))
            yield RowSource("database", "", ".", header, 0, blocks, digest.hexdigest)

    def _is_row(self, name: str) -> bool:
        return name == self._number and name.strip().lower() == ROW

    def _numbered(
        self, result: CursorResult[Any], digest: "hashlib._Hash"
    ) -> Iterator[tuple[int, list[str]]]:
        """Number the rows by the column for that, or else count them."""
        titles = list(result.keys())
        at = titles.index(self._number) if self._number else None
        taken = [n for n, name in enumerate(self.columns) if not self._is_row(name)]
        last = None
        for count, row in enumerate(result, start=1):
            number = count
            if at is not None and isinstance(row[at], int):
                number = row[at]
            elif at is not None and self._is_row(self._number):
                raise _misnumbered(count)
            if number == last:
                raise _misnumbered(number)
            last = number
            values = [row[n] for n in taken]
            cells = [cell if isinstance(cell, str) else _text(cell, number) for cell in values]
            digest.update(repr((number, cells)).encode())
            yield number, cells


def _misnumbered(row: int) -> UnreadableError:
    what = f"the column {ROW} does not number the rows"
    return UnreadableError(what, "another whole number in each row", "correct or rename it", row)


def _text(value: object, row: int) -> str:
    """Write a value that is no text as the cell of a CSV file would hold it."""
    if isinstance(value, bytes | bytearray | memoryview):
        what, fix = "a cell holds bytes", "convert the column"
        raise UnreadableError(what, "text, numbers, dates and flags", fix, row)
    return as_text(value)
