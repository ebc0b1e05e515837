"""Files as rows of text: CSV with its many habits, and Parquet; in blocks, so memory is bounded."""

import csv
import datetime
import hashlib
import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from scalemodel.data.problems import shown

BLOCK = 10_000
"""Rows handed on at a time."""

MOST_COLUMNS = 1_000
"""Columns that no table of a bench comes near; a short row counts as one of full width."""

MOST_DECLARED = 10_000_000
"""Rows beyond which a Parquet file, in which billions take no room, is not read."""

SMALL, MOST_PACKED = 64 << 20, 250
"""Bytes that anything may unpack to, and how many times its size beyond that: none shrinks so."""

LONGEST_LINE = 1 << 20
"""Characters in a line beyond which a file is not taken for a table."""

DELIMITERS = (",", ";", "\t")

UTF8 = "text saved as UTF-8"
SAVE_UTF8 = 'save the file as "CSV UTF-8"'

PARQUET_ERRORS = (pa.ArrowException, OSError, ValueError, OverflowError, KeyError)
"""What a damaged file makes the Parquet library raise."""

Block = tuple[list[int], list[list[str]]]
"""Row numbers as a spreadsheet shows them, and the stripped cells of each row."""


class UnreadableError(Exception):
    """The file cannot be read on from this row; the caller turns it into a problem."""

    def __init__(self, what: str, allowed: str, fix: str, row: int | None = None) -> None:
        """Take the words of the problem."""
        super().__init__(what)
        self.what, self.allowed, self.fix, self.row = what, allowed, fix, row


@dataclass(frozen=True)
class RowSource:
    """An open table file.

    Attributes:
        encoding: how its text is stored, in words.
        delimiter: what separates cells; empty but for CSV.
        decimal: "." where the format fixes it, else empty: to be found out.
        header: stripped column names.
        header_row: its row as a spreadsheet shows it.
        blocks: the rows after the header; raises UnreadableError.
        digest: gives the sha256 of what was read, once the blocks are used up.
        settle: raises UnreadableError if what was read is a mixture of two states of the file; to
            be called once the blocks are used up.
    """

    encoding: str
    delimiter: str
    decimal: str
    header: list[str]
    header_row: int
    blocks: Iterator[Block]
    digest: Callable[[], str]
    settle: Callable[[], None] = lambda: None


@contextmanager
def open_rows(path: Path, known: frozenset[str], delimiter: str = "") -> Iterator[RowSource]:
    """Open a CSV or Parquet file; ``known`` column names help to find a delimiter not given.

    Raises:
        UnreadableError: it holds no table.
        OSError: it cannot be opened.
    """
    if path.suffix.lower() == ".parquet":
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            yield _parquet_source(stream, digest)
    else:
        with path.open("rb", buffering=0) as raw:
            yield _csv_source(_Hashing(raw), known, delimiter)


class _Hashing(io.RawIOBase):
    """Passes bytes through and keeps their sha256."""

    def __init__(self, raw: io.RawIOBase | io.FileIO) -> None:
        super().__init__()
        self._raw = raw
        self.sha256 = hashlib.sha256()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        count = self._raw.readinto(buffer) or 0
        self.sha256.update(memoryview(buffer)[:count])
        return count


def _csv_source(raw: _Hashing, known: frozenset[str], given: str) -> RowSource:
    buffered = io.BufferedReader(raw, 1 << 20)
    start = buffered.peek(4)[:4]
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise UnreadableError("the text is saved as UTF-16", UTF8, SAVE_UTF8)
    bom = start[:3] == b"\xef\xbb\xbf"
    text = io.TextIOWrapper(buffered, encoding="utf-8-sig", errors="surrogateescape", newline="")
    lines = _lines(text)
    delimiter, reader, row = _find_header(lines, known, given)
    header = [name.strip() for name in next(_numbered(reader, row))[1]]
    check_width(header)
    return RowSource(
        "UTF-8 with byte order mark" if bom else "UTF-8",
        delimiter,
        "",
        header,
        row + 1,
        in_blocks(_numbered(reader, row + 1)),
        raw.sha256.hexdigest,
    )


def _lines(text: io.TextIOWrapper) -> Iterator[str]:
    """Give line after line, and stop at what no table holds."""
    while line := text.readline(LONGEST_LINE):
        if len(line) >= LONGEST_LINE:
            what = f"a line is longer than {LONGEST_LINE:,} characters"
            raise UnreadableError(what, "one run or card a line", "check that this is a CSV file")
        if "\0" in line:
            what = "a NUL byte: the file is not plain text"
            raise UnreadableError(what, UTF8, SAVE_UTF8)
        if not line.isascii():
            bad = next((c for c in line if "\udc80" <= c <= "\udcff"), None)
            if bad:
                what = f"the byte 0x{ord(bad) - 0xDC00:02X} is not UTF-8"
                raise UnreadableError(what, UTF8, SAVE_UTF8)
        yield line


def _find_header(
    lines: Iterator[str], known: frozenset[str], given: str
) -> tuple[str, Iterator[list[str]], int]:
    """Give the delimiter, a reader that starts at the header, and the row before the header.

    A delimiter that is not given is the one that yields most known column names, then most columns.
    """
    line, blank = _first_line(lines)

    def score(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([line], delimiter=delimiter))
        except csv.Error:
            return 0, 0
        return len(known.intersection(cell.strip().lower() for cell in cells)), len(cells)

    delimiter = given or max(DELIMITERS, key=score)
    return delimiter, csv.reader(chain([line], lines), delimiter=delimiter, strict=True), blank


def _first_line(lines: Iterator[str]) -> tuple[str, int]:
    """Give the first line that is not blank and the number of lines before it."""
    blank = 0
    while True:
        try:
            line = next(lines)
        except StopIteration:
            what = "the file holds nothing but blank lines" if blank else "the file is empty"
            fix = "fill the file or remove it"
            raise UnreadableError(what, "a header and at least one row", fix) from None
        except UnreadableError as error:
            error.row = blank + 1
            raise
        if line.strip(" \t\r\n,;"):
            return line, blank
        blank += 1


def _numbered(reader: Iterator[list[str]], row: int) -> Iterator[tuple[int, list[str]]]:
    """Number the records as a spreadsheet does, and name the row in what goes wrong."""
    while True:
        row += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except UnreadableError as error:
            error.row = row
            raise
        except csv.Error as error:
            raise UnreadableError(
                _quoting_problem(str(error)),
                'cells in "double quotes", a quote inside them doubled',
                "correct the quotes in this row",
                row,
            ) from None
        yield row, cells


def _quoting_problem(message: str) -> str:
    if "end of data" in message:
        return "a quote is opened and never closed"
    if "field limit" in message:
        limit = f"{csv.field_size_limit():,} characters"
        return f"a cell is longer than {limit}, or its quote is never closed"
    if "expected after" in message:
        return "a quote inside a quoted cell is not doubled"
    return f"the row cannot be split into cells ({message})"


def in_blocks(numbered: Iterator[tuple[int, list[str]]]) -> Iterator[Block]:
    """Gather rows that are not blank."""
    numbers: list[int] = []
    rows: list[list[str]] = []
    for number, cells in numbered:
        stripped = list(map(str.strip, cells))
        if any(stripped):
            numbers.append(number)
            rows.append(stripped)
            if len(rows) == BLOCK:
                yield numbers, rows
                numbers, rows = [], []
    if rows:
        yield numbers, rows


def _parquet_source(stream: io.BufferedReader, digest: str) -> RowSource:
    try:
        file = pq.ParquetFile(stream)
        header = [str(name).strip() for name in file.schema_arrow.names]
    except PARQUET_ERRORS as error:
        raise _not_parquet(error) from None
    check_width(header)
    if file.metadata.num_rows > MOST_DECLARED:
        what = f"the file declares {file.metadata.num_rows:,} rows"
        raise UnreadableError(
            what, f"up to {MOST_DECLARED:,}", "check that this is the table meant"
        )

    def rows() -> Iterator[tuple[int, list[str]]]:
        number = 1
        try:
            for batch in file.iter_batches(BLOCK):
                for cells in zip(*map(_texts, batch.columns), strict=True):
                    number += 1
                    yield number, list(cells)
        except PARQUET_ERRORS as error:
            raise _not_parquet(error) from None

    return RowSource("Parquet", "", ".", header, 1, in_blocks(rows()), lambda: digest)


def check_width(header: Sequence[str]) -> None:
    """Refuse a table with more columns than any bench has.

    Raises:
        UnreadableError: it has.
    """
    if len(header) > MOST_COLUMNS:
        what = f"the table has {len(header):,} columns"
        raise UnreadableError(what, f"up to {MOST_COLUMNS:,}", "delete what is beyond the table")


def _not_parquet(error: Exception) -> UnreadableError:
    reason = shown(str(error).splitlines()[0] if str(error) else type(error).__name__, 100)
    return UnreadableError(
        f"the file is not a sound Parquet file: {reason}",
        "a Parquet file, or a CSV file named .csv",
        "save the file again",
    )


def _texts(column: pa.Array) -> list[str]:
    values = column.to_pylist()
    if pa.types.is_string(column.type) and not column.null_count:
        return list(values)
    return [as_text(value) for value in values]


def as_text(value: object) -> str:
    """Write a typed value as the cell of a CSV file would hold it."""
    if value is None:
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, datetime.datetime) and value.time() == datetime.time():
        return value.date().isoformat()
    if isinstance(value, datetime.date):
        return value.isoformat()
    return str(value)
