"""Workbooks (Office Open XML, ECMA-376) as rows of text, read without trusting them.

A workbook is a zip archive of XML files. Before a library sees it, archives that unpack to far
more than their size, and XML that declares entities, are refused.
"""

import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from xml.parsers import expat

from openpyxl import Workbook as Book
from openpyxl import load_workbook

from scalemodel.data.problems import shown
from scalemodel.data.rows import (
    MOST_COLUMNS,
    MOST_PACKED,
    SMALL,
    RowSource,
    UnreadableError,
    as_text,
    in_blocks,
)

LARGEST = 256 << 20
"""Bytes of a workbook beyond which it is not read."""

LARGEST_UNPACKED = 4 << 30
"""Bytes that all parts of a workbook may unpack to."""

LARGEST_TEXTS = 512 << 20
"""Bytes that the part with all texts may unpack to; it is held in memory whole."""

MOST_PARTS = 10_000

MOST_ROWS = 1_048_576
"""Rows that a sheet can have (the limit that spreadsheet programs publish)."""

ALLOWED = "a workbook saved as .xlsx"
SAVE = "open it in a spreadsheet program and save it as .xlsx again, or as CSV"

ESCAPED = re.compile("_x([0-9A-Fa-f]{4})_")
"""A character that XML cannot hold, as the standard writes it (ST_Xstring, ECMA-376 22.9.2.19)."""


FORMULA = re.compile(rb"<(\w+:)?f[\s>/]")


@dataclass(frozen=True)
class Workbook:
    """A workbook held in memory, as it was at one moment.

    Attributes:
        titles: names of the sheets, in order.
    """

    titles: tuple[str, ...]
    _content: bytes
    _has_formulas: bool

    @staticmethod
    def of(path: Path) -> "Workbook":
        """Read a workbook.

        Raises:
            UnreadableError: it is none, or not safe to open.
            OSError: the file cannot be read.
        """
        if path.exists() and not path.is_file():
            what = "this is a folder or a device, not a file"
            raise UnreadableError(what, ALLOWED, "put the workbook there")
        size = path.stat().st_size
        if size > LARGEST:
            what = f"the workbook has {size >> 20:,} MiB"
            raise UnreadableError(what, f"up to {LARGEST >> 20} MiB", "save the tables as CSV")
        content = path.read_bytes()
        has_formulas = _check_archive(content)
        with _opened(content, formulas=False) as book:
            titles = tuple(sheet.title for sheet in book.worksheets)
            return Workbook(titles, content, has_formulas)

    @contextmanager
    def rows(self, title: str) -> Iterator[RowSource]:
        """Open one sheet; its first row that is not blank is the header.

        Raises:
            UnreadableError: it holds no table.
        """
        digest = hashlib.sha256()
        with _opened(self._content, formulas=False) as book:
            numbered = _rows(book, title, digest)
            header = next(((n, cells) for n, cells in numbered if any(cells)), None)
            if header is None:
                fix = "fill the sheet or remove it"
                raise UnreadableError("the sheet is empty", "a header and at least one row", fix)
            yield RowSource(
                "workbook",
                "",
                ".",
                [cell.strip() for cell in header[1]],
                header[0],
                in_blocks(numbered),
                digest.hexdigest,
                lambda: self._check_formulas(title),
            )

    def _check_formulas(self, title: str) -> None:
        """Refuse formulas whose result was never stored: their cells would look empty."""
        if not self._has_formulas:
            return
        with (
            _opened(self._content, formulas=False) as results,
            _opened(self._content, formulas=True) as book,
        ):
            for row, (cells, texts) in enumerate(
                zip(_values(results, title), _values(book, title), strict=True), start=1
            ):
                for cell, text in zip(cells, texts, strict=True):
                    if cell is None and isinstance(text, str) and text.startswith("="):
                        raise UnreadableError(
                            f"a cell holds a formula without its result: {shown(text)}",
                            "values, or formulas saved with their results",
                            "open the workbook in a spreadsheet program and save it again",
                            row,
                        )


@contextmanager
def _opened(content: bytes, *, formulas: bool) -> Iterator[Book]:
    """Open a workbook row by row; what is damaged in it becomes an UnreadableError."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of styles and the like, which do not matter here
        try:
            book = load_workbook(io.BytesIO(content), read_only=True, data_only=not formulas)
            with closing(book):
                yield book
        except UnreadableError:
            raise
        except Exception as error:  # the library raises whatever a damaged part leads to
            reason = shown(str(error).splitlines()[0] if str(error) else type(error).__name__, 100)
            what = f"the workbook is damaged: {reason}"
            raise UnreadableError(what, ALLOWED, SAVE) from None


def _values(book: Book, title: str) -> Iterator[tuple[object, ...]]:
    """Give the rows of a sheet, as far as a sound one can reach.

    The library fills in rows and cells that a sheet skips, however many it says these are.
    """
    sheet = book[title]
    sheet.reset_dimensions()
    for row, values in enumerate(sheet.iter_rows(max_row=MOST_ROWS + 1, values_only=True), start=1):
        if row > MOST_ROWS or len(values) > MOST_COLUMNS:
            what = "the sheet has cells far out"
            allowed = f"up to {MOST_ROWS:,} rows and {MOST_COLUMNS:,} columns"
            raise UnreadableError(what, allowed, "delete what is beyond the table")
        yield values


def _rows(book: Book, title: str, digest: "hashlib._Hash") -> Iterator[tuple[int, list[str]]]:
    """Number the rows as the spreadsheet does."""
    for number, values in enumerate(_values(book, title), start=1):
        cells = [_unescaped(as_text(value)) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            digest.update(repr((number, cells)).encode())
        yield number, cells


def _unescaped(text: str) -> str:
    return ESCAPED.sub(lambda match: chr(int(match[1], 16)), text) if "_x" in text else text


def _check_archive(content: bytes) -> bool:
    """Refuse what is no workbook or not safe to unpack; say whether formulas are in it."""
    formulas = False
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            _check_sizes(parts, len(content))
            for part in parts:
                with archive.open(part) as stream:
                    root = _check_no_entities(stream, part.filename)
                if root == "sst":
                    _check_texts(part.file_size)
                formulas |= root == "worksheet" and _holds(archive, part)
    except UnreadableError:
        raise
    except Exception:  # a damaged archive leads to many kinds of error
        raise UnreadableError("the file is not a workbook, or damaged", ALLOWED, SAVE) from None
    return formulas


def _holds(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    """Say whether a sheet may hold formulas: the elements named f."""
    rest = b""
    with archive.open(part) as stream:
        while piece := stream.read(1 << 20):
            if FORMULA.search(rest + piece):
                return True
            rest = piece[-8:]
    return False


def _check_sizes(parts: list[zipfile.ZipInfo], packed: int) -> None:
    unpacked, most = sum(part.file_size for part in parts), max(SMALL, MOST_PACKED * packed)
    if unpacked > min(LARGEST_UNPACKED, most) or len(parts) > MOST_PARTS:
        what = f"the workbook unpacks to {unpacked >> 20:,} MiB in {len(parts):,} parts"
        allowed = (
            f"up to {LARGEST_UNPACKED >> 20:,} MiB and {MOST_PACKED} times its size, in "
            f"{MOST_PARTS:,} parts"
        )
        raise UnreadableError(what, allowed, "save the tables as CSV")


def _check_texts(unpacked: int) -> None:
    if unpacked > LARGEST_TEXTS:
        what = f"the texts of the workbook unpack to {unpacked >> 20:,} MiB"
        allowed = f"up to {LARGEST_TEXTS >> 20} MiB"
        raise UnreadableError(what, allowed, "save the tables as CSV")


class _RootReachedError(Exception):
    """The first element of an XML file has begun: no declarations can follow."""


def _check_no_entities(stream: IO[bytes], name: str) -> str:
    """Refuse a part that declares entities; give the name of its first element.

    What a part is called says nothing: the library takes any for what the archive's list says. A
    part that is no XML gives "".
    """

    def declared(*_: object) -> None:
        what = f"{shown(name)} in the workbook declares XML entities"
        raise UnreadableError(what, "a workbook as spreadsheet programs write it", SAVE)

    def begun(element: str, _: object) -> None:
        raise _RootReachedError(element.rpartition(":")[2])

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = declared
    parser.StartElementHandler = begun
    try:
        while piece := stream.read(1 << 16):
            parser.Parse(piece)
    except _RootReachedError as reached:
        return str(reached)
    except expat.ExpatError:
        return ""
    return ""
