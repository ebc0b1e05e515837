"""The numbers of a text log, a segment of lines at a time: quickly, or row by row if need be."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import IO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from scalemodel.data.logs.faults import Faults
from scalemodel.data.logs.layout import Layout
from scalemodel.data.rows import LONGEST_LINE, UnreadableError

SEGMENT = 1 << 24
"""Bytes taken at a time."""

_BLOCK = 1 << 20

Column = NDArray[np.float64] | NDArray[np.int64]
Segment = tuple[NDArray[np.int64] | int, list[Column]]
"""Row of each number, or of the first if rows follow each other; the numbers of each column."""


class UnevenError(Exception):
    """A segment is not a plain table of numbers: it must be gone through row by row."""


@dataclass(frozen=True)
class _Lines:
    """Whole lines of a log, good until the next ones are taken; the last may lack its end."""

    content: memoryview
    last: bool


def _segments(stream: IO[bytes], layout: Layout, size: int) -> Iterator[_Lines]:
    stream.seek(layout.start)
    buffer, kept = bytearray(size), 0
    while True:
        if kept == len(buffer):  # a line longer than the buffer
            if kept > LONGEST_LINE:
                what = f"a line is longer than {LONGEST_LINE:,} characters"
                raise UnreadableError(what, "one row a frame", "check that this is a log")
            buffer = buffer + bytes(len(buffer))
        taken = stream.readinto(memoryview(buffer)[kept:])  # type: ignore[attr-defined]
        if not taken:
            break
        end = buffer.rfind(b"\n", 0, kept + taken) + 1
        if end:
            yield _Lines(memoryview(buffer)[:end], False)
        rest = buffer[end : kept + taken]
        buffer[: len(rest)], kept = rest, len(rest)
    if kept:
        yield _Lines(memoryview(buffer)[:kept], True)


def quick_segments(
    stream: IO[bytes], layout: Layout, columns: Sequence[int], size: int = SEGMENT
) -> Iterator[Segment]:
    """Give the numbers of some columns.

    Args:
        stream: the log.
        layout: its layout.
        columns: places of the columns wanted.
        size: bytes taken at a time; what comes out does not depend on it.

    Raises:
        UnevenError: a row is not like the others. A last line without an end is left to
            ``slow_segments`` too if it may be cut off.
    """
    names = [f"c{i}" for i in range(len(layout.names))]
    wanted = [names[i] for i in columns]
    types = {names[i]: pa.int64() if i in layout.whole else pa.float64() for i in columns}
    read = pa_csv.ReadOptions(column_names=names, block_size=_BLOCK)
    parse = pa_csv.ParseOptions(delimiter=layout.delimiter, ignore_empty_lines=False)
    convert = pa_csv.ConvertOptions(
        include_columns=wanted,
        column_types=types,
        null_values=[],
        decimal_point=layout.decimal,
        check_utf8=False,
    )
    row = layout.lines + 1
    for lines in _segments(stream, layout, size):
        if lines.last and _may_be_cut(bytes(lines.content).decode("latin-1"), layout, columns):
            raise UnevenError
        try:
            table = pa_csv.read_csv(pa.py_buffer(lines.content), read, parse, convert)
        except pa.ArrowException as error:
            raise UnevenError from error
        if any(table[name].null_count for name in wanted):
            raise UnevenError
        yield row, [table[name].to_numpy() for name in wanted]
        row += table.num_rows


def _may_be_cut(line: str, layout: Layout, columns: Sequence[int]) -> bool:
    """Tell whether a last line without an end lacks cells or decimals that others have."""
    cells = layout.cells(line)
    width = len(layout.names)
    if len(cells) != width:
        return len(cells) < width
    if width - 1 not in columns:
        return False
    return layout.number(cells[-1]) is None or (
        len(cells[-1].partition(layout.decimal)[2]) < layout.decimals
    )


def slow_segments(
    stream: IO[bytes], layout: Layout, columns: Sequence[int], faults: Faults
) -> Iterator[Segment]:
    """Give the numbers of some columns row by row, and note every row that is not as it should."""
    width, row = len(layout.names), layout.lines
    for lines in _segments(stream, layout, SEGMENT):
        text = bytes(lines.content).decode("latin-1")
        if lines.last and _may_be_cut(text, layout, columns):
            faults.cut_row(row + 1, text.strip())
            return
        rows: list[int] = []
        found: list[list[float]] = []
        for line in text.removesuffix("\n").split("\n"):
            row += 1
            if not line.strip():
                continue
            cells = layout.cells(line)
            if layout.header and tuple(cells) == layout.header:
                faults.header_again(row)
            elif len(cells) != width:
                faults.wrong_width(row, len(cells), width)
            else:
                numbers = [layout.number(cells[i]) for i in columns]
                if None in numbers:
                    place = columns[numbers.index(None)]
                    _not_a_number(faults, row, layout, place, cells[place])
                    continue
                rows.append(row)
                found.append([number for number in numbers if number is not None])
        table = np.array(found, dtype=np.float64).reshape(len(rows), len(columns))
        yield np.array(rows, dtype=np.int64), [table[:, i].copy() for i in range(len(columns))]


def _not_a_number(faults: Faults, row: int, layout: Layout, place: int, cell: str) -> None:
    if row == layout.lines + 1:
        faults.first_row(row, layout.names[place])
    else:
        faults.not_a_number(row, layout.names[place], cell)
