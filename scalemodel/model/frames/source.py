"""Frame times as they are gone through: in pieces that start at the same frames every time."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from scalemodel.model.arrays import FloatArray

PIECE = 1 << 16
"""Frames looked at together. Sums are taken piece by piece, so results do not depend on how the
frames were read."""


class FrameSource(Protocol):
    """Frame times of a log, wherever they are kept."""

    @property
    def count(self) -> int:
        """Number of frames."""

    def read(self, first: int, last: int) -> FloatArray:
        """Give the times of frames `first` to `last` (not included), in ms."""


@dataclass(frozen=True)
class FrameArray:
    """Frame times in memory.

    Attributes:
        times: frames, in ms.
    """

    times: FloatArray

    @property
    def count(self) -> int:
        """Number of frames."""
        return len(self.times)

    def read(self, first: int, last: int) -> FloatArray:
        """Give the times of frames `first` to `last` (not included), in ms."""
        return self.times[first:last]


@dataclass(frozen=True)
class Part:
    """The frames of a log that make the run.

    Attributes:
        source: the whole log.
        first: first frame used.
        last: frame after the last one used.
    """

    source: FrameSource
    first: int
    last: int

    @property
    def count(self) -> int:
        """Number of frames."""
        return self.last - self.first

    def read(self, first: int, last: int) -> FloatArray:
        """Give the times of frames `first` to `last` (not included) of the part, in ms."""
        return self.source.read(self.first + first, self.first + last)


def pieces(source: FrameSource) -> Iterator[FloatArray]:
    """Go through all frames, a piece at a time."""
    for first in range(0, source.count, PIECE):
        yield source.read(first, min(first + PIECE, source.count))


def cut(source: FrameSource, skip_ms: float, length_ms: float) -> Part:
    """Leave out the begin and the end of a log.

    A frame belongs to the part if it starts no earlier than `skip_ms` after the start of the log
    and ends no later than `length_ms` after that.

    Args:
        source: the whole log.
        skip_ms: time left out at the begin.
        length_ms: time used; infinite: up to the end.
    """
    if skip_ms <= 0 and np.isinf(length_ms):
        return Part(source, 0, source.count)
    first, end, passed, reached = source.count, source.count, 0.0, 0
    for piece in pieces(source):
        ends = passed + np.cumsum(piece)
        starts = np.concatenate([[passed], ends[:-1]])
        if first == source.count and starts[-1] >= skip_ms * (1 - ROUNDING):
            first = reached + int(np.argmax(starts >= skip_ms * (1 - ROUNDING)))
        if ends[-1] > (skip_ms + length_ms) * (1 + ROUNDING):
            end = reached + int(np.argmax(ends > (skip_ms + length_ms) * (1 + ROUNDING)))
            break
        passed, reached = float(ends[-1]), reached + len(piece)
    return Part(source, first, max(first, end))


ROUNDING = 1e-9
"""Share by which sums of frame times may be off through rounding."""
