"""The numbers of a Parquet log."""

from collections.abc import Iterator, Sequence
from typing import IO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from scalemodel.data.logs.text import Column, Segment
from scalemodel.data.problems import shown
from scalemodel.data.rows import PARQUET_ERRORS, UnreadableError

BATCH = 1 << 20
SAMPLE = 10_000

MOST_FRAMES = 500_000_000
"""Frames beyond which a log is not read: six days at a thousand a second."""


class ParquetLog:
    """An open Parquet log."""

    def __init__(self, stream: IO[bytes]) -> None:
        """Read its end, where the columns are listed.

        Raises:
            UnreadableError: it is no sound Parquet file.
        """
        try:
            self._file = pq.ParquetFile(stream)
            self._schema = self._file.schema_arrow
        except PARQUET_ERRORS as error:
            raise _damaged(error) from None
        if self._file.metadata.num_rows > MOST_FRAMES:
            what = f"the log declares {self._file.metadata.num_rows:,} rows"
            raise UnreadableError(what, f"up to {MOST_FRAMES:,}", "cut it into runs")
        self.names = tuple(str(name).strip() for name in self._schema.names)

    def samples(self) -> dict[int, NDArray[np.float64]]:
        """Give the numbers of the first rows of each column that has numbers."""
        there = [i for i, field in enumerate(self._schema) if _is_number(field.type)]
        for _, columns in self.segments(there, SAMPLE):
            return {
                i: np.asarray(column, dtype=np.float64)
                for i, column in zip(there, columns, strict=True)
            }
        raise UnreadableError("the log is empty", "rows of numbers", "fill it or take it out")

    def segments(self, columns: Sequence[int], batch: int = BATCH) -> Iterator[Segment]:
        """Give the numbers of some columns; NaN where there is none."""
        names = [self._schema.names[i] for i in columns]
        row = 2
        try:
            for table in self._file.iter_batches(batch, columns=names):
                if table.num_rows:
                    yield row, [_numbers(table.column(name)) for name in names]
                    row += table.num_rows
        except PARQUET_ERRORS as error:
            raise _damaged(error) from None


def _is_number(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_decimal(kind)
        or pa.types.is_timestamp(kind)
        or pa.types.is_duration(kind)
    )


def _numbers(column: pa.Array) -> Column:
    kind = column.type
    whole = pa.types.is_integer(kind) or pa.types.is_timestamp(kind) or pa.types.is_duration(kind)
    if whole and not column.null_count:
        return np.asarray(column.cast(pa.int64()).to_numpy())
    if whole:
        column = column.cast(pa.int64())
    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False))


def _damaged(error: Exception) -> UnreadableError:
    reason = shown(str(error).splitlines()[0] if str(error) else type(error).__name__, 100)
    what = f"the log is not a sound Parquet file: {reason}"
    return UnreadableError(what, "a Parquet file, or text", "save the log again")
