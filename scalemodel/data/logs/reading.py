"""One log read: its frame times in ms, how they were found, and what is wrong with it."""

import bisect
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Self

from scalemodel.data.logs.columns import Decision, decide
from scalemodel.data.logs.faults import Faults
from scalemodel.data.logs.layout import BEGIN, find_layout
from scalemodel.data.logs.making import FrameMaker, row_at
from scalemodel.data.logs.opening import digest_of, fingerprint, open_log
from scalemodel.data.logs.parquet import ParquetLog
from scalemodel.data.logs.spool import Spool
from scalemodel.data.logs.text import Segment, UnevenError, quick_segments, slow_segments
from scalemodel.data.rows import UnreadableError


@dataclass
class Log:
    """A log that was read.

    Attributes:
        times: frame times in ms.
        decision: how they were found.
        digest: sha256 of the file as it is stored.
        rows: first frame and row of each stretch of frames whose rows follow each other.
        faults: what is wrong.
    """

    times: Spool
    decision: Decision
    digest: str
    rows: list[tuple[int, int]]
    faults: Faults

    def __enter__(self) -> Self:
        """Give the log."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give memory and disk back."""
        self.times.close()

    def row_of(self, frame: int) -> int:
        """Give the row of a frame, as a spreadsheet shows it."""
        first, row = self.rows[bisect.bisect_right(self.rows, (frame, 1 << 62)) - 1]
        return row + frame - first


def read_log(path: Path, file: str, column: str, unit: str) -> Log:
    """Read a log; its faults are noted by row.

    Args:
        path: of the log.
        file: its path in the bench, for messages.
        column: name of the column to use; empty: found from the numbers.
        unit: of that column, such as "ms" or "ms stamp"; empty: found from the numbers.

    Raises:
        UnreadableError: nothing can be read, or column and unit cannot be told.
        OSError: the file cannot be opened.
    """
    before = fingerprint(path)
    with ThreadPoolExecutor(1) as beside:
        digest = beside.submit(digest_of, path)
        with open_log(path) as (stream, parquet):
            read = _parquet if parquet else _text
            frames = read(stream, file, column, unit)
        found = digest.result()
    if fingerprint(path) != before:
        what = "the file changed while it was being read"
        raise UnreadableError(what, "a file at rest", "wait until it is saved and try again")
    return Log(frames.times, frames.decision, found, frames.rows, frames.faults)


def _parquet(stream: IO[bytes], file: str, column: str, unit: str) -> FrameMaker:
    log = ParquetLog(stream)
    decision = decide(log.names, log.samples(), column, unit)
    return _gathered(log.segments(_places(decision)), decision, Faults(file))


def _text(stream: IO[bytes], file: str, column: str, unit: str) -> FrameMaker:
    begin = stream.read(BEGIN)
    layout = find_layout(begin, whole_file=len(begin) < BEGIN)
    decision = decide(layout.names, layout.samples, column, unit)
    if layout.heading:
        passed = f"{layout.heading} line{'s' if layout.heading > 1 else ''} of heading passed over"
        decision = replace(decision, why=f"{decision.why}; {passed}")
    places = _places(decision)
    try:
        return _gathered(quick_segments(stream, layout, places), decision, Faults(file))
    except UnevenError:
        faults = Faults(file)
        return _gathered(slow_segments(stream, layout, places, faults), decision, faults)


def _places(decision: Decision) -> list[int]:
    return [decision.index, *([decision.clock[0]] if decision.clock else [])]


def _gathered(segments: Iterator[Segment], decision: Decision, faults: Faults) -> FrameMaker:
    frames = FrameMaker(decision, faults)
    for rows, columns in segments:
        frames.take(rows, columns)
        if faults.log.hopeless(faults.file):
            faults.log.stopped(faults.file, row_at(rows, len(columns[0]) - 1))
            break
    return frames
