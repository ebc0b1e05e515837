"""Tables as the bytes of a workbook: one sheet a table, typed, nothing in it a formula."""

import datetime
import io
import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from scalemodel.data.problems import shown
from scalemodel.data.schema import Column
from scalemodel.data.workbook import ESCAPED, MOST_ROWS
from scalemodel.errors import ScalemodelError

LONGEST_TEXT = 32_767
"""Characters that a cell can hold (the limit that spreadsheet programs publish)."""

_NOT_XML = re.compile("[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff]")
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_WIDEST = 40


class SheetError(ScalemodelError):
    """A workbook cannot hold the table."""


def sheets_bytes(tables: Mapping[str, Mapping[Column, pd.Series]]) -> bytes:
    """Write tables as a workbook.

    Texts are texts, whatever they begin with; numbers are numbers; full dates are dates.

    Raises:
        SheetError: a table has too many rows, or a text is too long.
    """
    for name, columns in tables.items():
        _check(name, columns)
    book = Workbook(write_only=True)
    for name, columns in tables.items():
        _fill(book.create_sheet(name), columns)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _check(name: str, columns: Mapping[Column, pd.Series]) -> None:
    count = max(len(cells) for cells in columns.values())
    if count >= MOST_ROWS:
        raise SheetError(
            f"{name} has {count:,} rows; a sheet holds {MOST_ROWS - 1:,}. "
            "Fix: export to a folder, or to Parquet."
        )
    for column, cells in columns.items():
        if column.kind not in ("number", "flag"):
            long = next((k for k, text in enumerate(cells) if len(text) > LONGEST_TEXT), None)
            if long is not None:
                text = cells.iloc[long]
                raise SheetError(
                    f"{name}, row {long + 2}, column {column.name}: {shown(text)} has "
                    f"{len(text):,} characters; a cell of a sheet holds {LONGEST_TEXT:,}. "
                    "Fix: export to a folder."
                )


def _fill(sheet: WriteOnlyWorksheet, columns: Mapping[Column, pd.Series]) -> None:
    sheet.freeze_panes = "A2"
    for index, (column, cells) in enumerate(columns.items(), start=1):
        longest = max((len(str(cell)) for cell in cells.iloc[:200]), default=0)
        width = min(max(len(column.name), longest) + 2, _WIDEST)
        sheet.column_dimensions[get_column_letter(index)].width = width
    sheet.append([_text_cell(sheet, column.name, bold=True) for column in columns])
    for row in zip(*columns.values(), strict=True):
        pairs = zip(columns, row, strict=True)
        sheet.append([_cell(sheet, column, value) for column, value in pairs])


def _cell(sheet: WriteOnlyWorksheet, column: Column, value: object) -> object:
    if column.kind == "number":
        number = float(str(value))
        return None if np.isnan(number) else int(number) if number.is_integer() else number
    if column.kind == "flag":
        return "yes" if value else "no"
    text = str(value)
    if column.kind == "date" and _DAY.fullmatch(text):
        cell = WriteOnlyCell(sheet, datetime.date.fromisoformat(text))
        cell.number_format = "yyyy-mm-dd"
        return cell
    return _text_cell(sheet, text) if text else None


def _text_cell(sheet: WriteOnlyWorksheet, text: str, *, bold: bool = False) -> WriteOnlyCell:
    """Make a cell that is text even if it looks like a formula or a number."""
    cell = WriteOnlyCell(sheet, _escaped(text))
    cell.data_type = "s"  # the library takes "=..." for a formula
    cell.number_format = "@"
    if bold:
        cell.font = Font(bold=True)
    return cell


def _escaped(text: str) -> str:
    """Write what XML cannot hold, and what reads like it, as the standard says."""
    plain = ESCAPED.sub(lambda match: "_x005F" + match[0], text)
    return _NOT_XML.sub(lambda match: f"_x{ord(match[0]):04X}_", plain)
