"""Write the tables of a bench elsewhere, so that reading them gives the same bench."""

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from scalemodel.data.bench import read_tables
from scalemodel.data.files import write_atomic, write_new
from scalemodel.data.places import is_workbook, open_place
from scalemodel.data.problems import BenchError, ProblemLog, shown
from scalemodel.data.rows import UnreadableError
from scalemodel.data.schema import TABLES, Column
from scalemodel.data.sheets import sheets_bytes
from scalemodel.data.tables import TypedTable
from scalemodel.data.urls import BenchPath, DatabaseUrl, place_of, shown_place
from scalemodel.errors import ScalemodelError

FileKind = Literal["csv", "parquet"]


class ExportError(ScalemodelError):
    """The bench cannot be written there."""


@dataclass(frozen=True)
class Exported:
    """What was written.

    Attributes:
        files: the files, in the order of the tables; none for a database on a server.
        place: what the tables are called together: the files, or the address of a database.
        rows: rows of each table.
        logs: folder with frame-time logs that the tables name; it was not copied.
    """

    files: tuple[Path, ...]
    place: str
    rows: Mapping[str, int]
    logs: Path | None

    def __str__(self) -> str:
        parts = [f"{count:,} of {name}" for name, count in self.rows.items()]
        words = f"Wrote {self.place}: rows {', '.join(parts)}."
        if self.logs is not None:
            words += " The frame-time logs were not copied: "
            beside = f"put {self.logs} beside the tables."
            words += beside if self.files else "a database on a server has no folder for them."
        return words


def export_bench(bench: BenchPath, target: BenchPath, kind: FileKind = "csv") -> Exported:
    """Write the tables of a bench into a new workbook, a new or empty folder, or a database.

    Every row and every column with something in it is written, excluded runs and columns of the
    user's own included; numbers, texts and dates come back as they were. A database is given by its
    address, and gets all tables in one transaction.

    Args:
        bench: a bench as `read_bench` takes it.
        target: a path that ends in .xlsx, or else a folder; or the address of a database, in which
            none of the tables of a bench may be.
        kind: kind of the files in a folder.

    Raises:
        BenchError: the bench cannot be read.
        ExportError: the target is there already or cannot be written, or cannot hold the bench.
        AddressError: one of them looks like the address of a database and is none.
    """
    log = ProblemLog()
    to = place_of(target)
    with open_place(bench, log) as place:
        tables = read_tables(place, log) if place else {}
    if place is None or log.errors():
        raise BenchError(shown_place(bench), log.problems(), (log.errors(), log.warnings()))
    if not tables:
        raise ExportError(f"{target}: there is no table to write. Fix: check the bench.")
    if isinstance(to, DatabaseUrl):
        files, written = _into_database(tables, to), str(to)
    else:
        files = _into_files(tables, to, kind)
        written = ", ".join(str(file) for file in files)
    rows = {name: len(table.frame) for name, table in tables.items()}
    logs = place.folder / "frames" if place.folder and "frames" in tables else None
    return Exported(files, written, rows, logs)


def _into_database(tables: Mapping[str, TypedTable], address: DatabaseUrl) -> tuple[Path, ...]:
    from scalemodel.data.database_export import write_tables  # noqa: PLC0415 - a heavy library

    columns = {name: _columns(name, table.frame) for name, table in tables.items()}
    rows = {name: table.frame["row"] for name, table in tables.items()}
    try:
        write_tables(columns, rows, address)
    except UnreadableError as error:
        raise ExportError(
            f"{address}: {error.what}; nothing was written. Allowed: {error.allowed}. "
            f"Fix: {error.fix}."
        ) from None
    return (address.file,) if address.file else ()


def _into_files(tables: Mapping[str, TypedTable], path: Path, kind: FileKind) -> tuple[Path, ...]:
    _check_free(path)
    try:
        contents = _contents(tables, path, kind)
        if is_workbook(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, contents[path.name], overwrite=False)
        else:
            write_new(path, contents)
    except OSError as error:
        raise ExportError(
            f"{path}: this cannot be written ({error.strerror}). "
            "Fix: choose a place that you may write to."
        ) from None
    return (path,) if is_workbook(path) else tuple(path / name for name in contents)


def _contents(tables: Mapping[str, TypedTable], path: Path, kind: FileKind) -> dict[str, bytes]:
    if is_workbook(path):
        columns = {name: _columns(name, table.frame) for name, table in tables.items()}
        return {path.name: sheets_bytes(columns)}
    written = _csv_bytes if kind == "csv" else _parquet_bytes
    return {
        f"{name}.{kind}": written(_columns(name, table.frame)) for name, table in tables.items()
    }


def _check_free(path: Path) -> None:
    """Refuse to write over anything, or to mix with another bench."""
    folder = not is_workbook(path)
    taken = path.exists() and (not folder or not path.is_dir() or any(path.iterdir()))
    if taken:
        what = "a new name, or an empty folder" if folder else "a new name"
        raise ExportError(
            f"{path}: there is something here already; nothing was written. "
            f"Allowed: {what}. Fix: choose another, or move this away first."
        )


def _columns(name: str, frame: pd.DataFrame) -> dict[Column, pd.Series]:
    """Give the columns to write: those required or not known, and those with something in them."""
    declared = {
        column.name: column for table in TABLES if table.name == name for column in table.columns
    }
    columns: dict[Column, pd.Series] = {}
    for title in frame.columns.drop("row"):
        column = declared.get(title, Column(title, "text", "", "", required=True))
        if column.required or _is_filled(column, frame[title]):
            columns[column] = frame[title]
    return columns


def _is_filled(column: Column, cells: pd.Series) -> bool:
    if column.kind == "number":
        return bool(cells.notna().any())
    return bool(cells.any() if column.kind == "flag" else (cells != "").any())


def _texts(column: Column, cells: pd.Series) -> Iterator[str]:
    """Write cells as a CSV file holds them; a number with all its digits."""
    if column.kind == "number":
        for number in cells.to_numpy(dtype=np.float64):
            whole = number.is_integer() and abs(number) < 1e15
            yield "" if np.isnan(number) else str(int(number)) if whole else repr(float(number))
    elif column.kind == "flag":
        yield from ("yes" if cell else "no" for cell in cells)
    else:
        yield from cells


def _csv_bytes(columns: Mapping[Column, pd.Series]) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream)  # with the line ends of RFC 4180, so that either end is quoted
    writer.writerow([column.name for column in columns])
    for row in zip(*(_texts(column, cells) for column, cells in columns.items()), strict=True):
        _check_text(row)
        writer.writerow(row)
    return stream.getvalue().encode("utf-8")


def _check_text(row: tuple[str, ...]) -> None:
    bad = next((cell for cell in row if "\0" in cell), None)
    if bad is not None:
        raise ExportError(
            f"{shown(bad)} holds a NUL character, which no CSV file can hold. "
            "Fix: take it out, or export to Parquet or .xlsx."
        )


def _parquet_bytes(columns: Mapping[Column, pd.Series]) -> bytes:
    arrays = {
        column.name: pa.array(cells.to_numpy(), from_pandas=True)
        if column.kind in ("number", "flag")
        else pa.array(list(cells), pa.string())
        for column, cells in columns.items()
    }
    stream = io.BytesIO()
    pq.write_table(pa.table(arrays), stream)
    return stream.getvalue()
