"""How often each frame time occurs, by size, in one go through a log of any length.

A bin is a thousandth wide: the bins are the leading bits of the numbers themselves, so a number
always falls into the same bin and counting costs next to nothing.
"""

from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from scalemodel.model.arrays import FloatArray

SHORTEST_MS, LONGEST_MS = 2.0**-20, 2.0**28
"""Frame times that are counted: from a millionth of a ms to three days."""

_SHIFT = 42  # leaves 10 bits of the fraction: 1024 bins for each doubling


def _key(times: FloatArray) -> NDArray[np.int64]:
    return times.view(np.int64) >> _SHIFT


_FIRST = int(_key(np.array([SHORTEST_MS]))[0])
_BINS = int(_key(np.array([LONGEST_MS]))[0]) - _FIRST


@dataclass(frozen=True)
class Counts:
    """Frames by frame time.

    Attributes:
        edges: lower edge of each bin in ms, and the upper edge of the last.
        below: frames in all bins before an edge.
    """

    edges: FloatArray
    below: NDArray[np.int64]

    @property
    def total(self) -> int:
        """Number of frames."""
        return int(self.below[-1])

    def edge_at(self, rank: int) -> float:
        """Give the lower edge of the bin that holds the frame of a rank (0: the fastest)."""
        return float(self.edges[np.searchsorted(self.below, rank, side="right") - 1])

    def between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Give how many frames lie between two times, to the width of a bin."""
        return np.asarray(
            np.interp(high, self.edges, self.below) - np.interp(low, self.edges, self.below)
        )


class Counter:
    """Counts frame times piece by piece, also from several threads."""

    def __init__(self) -> None:
        """Start at none."""
        self._counts = np.zeros(_BINS, dtype=np.int64)
        self._lock = Lock()

    def add(self, times: FloatArray) -> None:
        """Count a piece; every time lies between the shortest and the longest allowed."""
        if not len(times):
            return
        keys = _key(times) - _FIRST
        low = int(keys.min())
        found = np.bincount(keys - low)
        with self._lock:
            self._counts[low : low + len(found)] += found

    def counts(self) -> Counts:
        """Give what was counted, without the empty bins at both ends."""
        used = np.flatnonzero(self._counts)
        first, last = int(used[0]), int(used[-1]) + 1
        keys = (np.arange(first, last + 1, dtype=np.int64) + _FIRST) << _SHIFT
        below = np.concatenate([[0], np.cumsum(self._counts[first:last])])
        return Counts(keys.view(np.float64), below)
