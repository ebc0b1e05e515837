"""Write the tables of a bench into a database: all of them in one transaction, or nothing."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import (
    BigInteger,
    Boolean,
    Connection,
    Double,
    Identity,
    Integer,
    MetaData,
    Text,
    inspect,
)
from sqlalchemy import Column as DatabaseColumn
from sqlalchemy import Table as DatabaseTable
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.schema import CreateSchema
from sqlalchemy.types import TypeEngine

from scalemodel.data.connecting import refused, writing
from scalemodel.data.database import ROW
from scalemodel.data.files import new_file
from scalemodel.data.problems import shown
from scalemodel.data.rows import BLOCK, UnreadableError
from scalemodel.data.schema import TABLES, Column
from scalemodel.data.urls import POSTGRESQL, SQLITE, DatabaseUrl

Columns = Mapping[Column, pd.Series]

ALWAYS_FILLED = frozenset(
    column for table in TABLES for column in table.columns if column.required and not column.unless
)


def write_tables(
    tables: Mapping[str, Columns], rows: Mapping[str, pd.Series], address: DatabaseUrl
) -> None:
    """Write tables into a database that has none of the tables of a bench yet.

    Args:
        tables: the columns of each table.
        rows: the row numbers of each table, by which they are read again.
        address: of the database; a file is made if need be, and so is a schema.

    Raises:
        UnreadableError: this cannot be done; nothing was written.
    """
    if address.kind not in (SQLITE, POSTGRESQL):
        what = "this kind of database does not make several tables in one transaction"
        raise UnreadableError(what, "SQLite or PostgreSQL", "export to one of these")
    file = address.file
    try:
        if file is None or file.exists():
            _write(tables, rows, address, None)
            return
        file.parent.mkdir(parents=True, exist_ok=True)
        with new_file(file) as temporary:
            _write(tables, rows, address, temporary)
    except OSError as error:
        what = f"the file cannot be made ({error.strerror})"
        fix = "choose a place that you may write to"
        raise UnreadableError(what, "a new name in a folder that exists", fix) from None


def _write(
    tables: Mapping[str, Columns],
    rows: Mapping[str, pd.Series],
    address: DatabaseUrl,
    file: Path | None,
) -> None:
    try:
        with writing(address, file) as connection:
            _check_free(connection, address.schema)
            for name, columns in tables.items():
                _write_table(connection, name, columns, rows[name], address.schema)
    except SQLAlchemyError as error:
        raise refused(error, address) from None


def _check_free(connection: Connection, schema: str | None) -> None:
    """Refuse to write over anything, or to mix with another bench; make the schema if need be."""
    inspector = inspect(connection)
    if schema and not inspector.has_schema(schema):
        connection.execute(CreateSchema(schema))
    there = {*inspector.get_table_names(schema), *inspector.get_view_names(schema)}
    known = {table.name for table in TABLES}
    taken = sorted(name for name in there if name.strip().lower() in known)
    if taken:
        what = f"there is something here already: {', '.join(shown(name) for name in taken)}"
        allowed = "a database without these tables"
        fix = "choose another, or move them away first"
        if connection.dialect.name == POSTGRESQL:
            fix += "; or name a new schema with ?schema=NAME"
        raise UnreadableError(what, allowed, fix)


def _write_table(
    connection: Connection, name: str, columns: Columns, rows: pd.Series, schema: str | None
) -> None:
    # Keys of our own, since names of a user's columns may hold what no parameter may.
    made = DatabaseTable(
        name,
        MetaData(schema=schema),
        _number_column(connection),
        *(_column(connection, column, n) for n, column in enumerate(columns)),
    )
    made.create(connection)
    for chunk in _chunks(columns, rows):
        connection.execute(made.insert(), chunk)
    if connection.dialect.name == POSTGRESQL:  # later rows get the numbers after these
        table = connection.dialect.identifier_preparer.format_table(made)
        last = int(rows.max()) + 1
        connection.exec_driver_sql(f'ALTER TABLE {table} ALTER COLUMN "{ROW}" RESTART WITH {last}')


def _number_column(connection: Connection) -> DatabaseColumn[int]:
    if connection.dialect.name == SQLITE:  # so spelt, numbers for later rows come by themselves
        return DatabaseColumn(ROW, Integer, primary_key=True, key=ROW)
    return DatabaseColumn(ROW, BigInteger, Identity(), primary_key=True, key=ROW)


def _column(connection: Connection, column: Column, n: int) -> DatabaseColumn[object]:
    longest = connection.dialect.max_identifier_length
    if len(column.name.encode()) > longest:
        what = f"the name of the column {shown(column.name)} is too long"
        raise UnreadableError(what, f"up to {longest} bytes", "rename the column")
    kinds: dict[str, TypeEngine[Any]] = {"number": Double(), "flag": Boolean()}
    kind = kinds.get(column.kind, Text())
    return DatabaseColumn(column.name, kind, key=f"c{n}", nullable=column not in ALWAYS_FILLED)


def _chunks(columns: Columns, rows: pd.Series) -> Iterator[list[dict[str, object]]]:
    """Give the rows as a driver takes them, some at a time; what is empty is NULL."""
    for start in range(0, len(rows), BLOCK):
        cells = {ROW: [int(row) for row in rows.iloc[start : start + BLOCK]]} | {
            f"c{n}": _values(column, series.iloc[start : start + BLOCK])
            for n, (column, series) in enumerate(columns.items())
        }
        yield [dict(zip(cells, row, strict=True)) for row in zip(*cells.values(), strict=True)]


def _values(column: Column, cells: pd.Series) -> list[object]:
    if column.kind == "number":
        return [None if np.isnan(cell) else float(cell) for cell in cells]
    if column.kind == "flag":
        return [bool(cell) for cell in cells]
    return [cell or None for cell in cells]
