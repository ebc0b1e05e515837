"""Frame times kept aside while a log is read: in memory, or in a file that has no name."""

import bisect
import tempfile
from threading import Lock
from typing import IO

import numpy as np
from numpy.typing import NDArray

IN_MEMORY = 1 << 24
"""Frames up to which nothing goes to disk: 134 MB."""

Numbers = NDArray[np.float64]


class Spool:
    """Numbers that are first written and then read, in any pieces and by several threads."""

    def __init__(self) -> None:
        """Start empty."""
        self.count = 0
        self._parts: list[Numbers] = []
        self._begins: list[int] = []
        self._file: IO[bytes] | None = None
        self._lock = Lock()

    def append(self, numbers: Numbers) -> None:
        """Add numbers at the end; the array must not be changed afterwards."""
        if not len(numbers):
            return
        self._parts.append(numbers)
        self._begins.append(self.count)
        self.count += len(numbers)
        if self.count > IN_MEMORY:
            self._to_file()

    def read(self, first: int, last: int) -> Numbers:
        """Give the numbers `first` to `last` (not included)."""
        if first >= last:
            return np.empty(0)
        if self._file is not None:
            numbers = np.empty(last - first)
            with self._lock:
                self._file.seek(8 * first)
                self._file.readinto(numbers.data.cast("B"))  # type: ignore[attr-defined]
            return numbers
        found, at = [], bisect.bisect_right(self._begins, first) - 1
        while first < last:
            begin, part = self._begins[at], self._parts[at]
            found.append(part[first - begin : last - begin])
            first, at = begin + len(part), at + 1
        return found[0] if len(found) == 1 else np.concatenate(found)

    def close(self) -> None:
        """Give memory and disk back."""
        self._parts = []
        if self._file is not None:
            self._file.close()

    def _to_file(self) -> None:
        if self._file is None:
            self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - closed by close
        for part in self._parts:
            self._file.write(np.ascontiguousarray(part).data)
        self._parts, self._begins = [], []
