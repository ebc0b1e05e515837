"""Frame times kept aside while a log is read: in memory, then in a file that has no name."""

import tempfile
from typing import IO

import numpy as np
from numpy.typing import NDArray

IN_MEMORY = 1 << 21
"""Frames up to which nothing goes to disk: 16 MB."""

Numbers = NDArray[np.float64]


class Spool:
    """A row of numbers that is first written and then read, in any pieces."""

    def __init__(self) -> None:
        """Start empty."""
        self.count = 0
        self._parts: list[Numbers] = []
        self._waiting = 0
        self._file: IO[bytes] | None = None

    def append(self, numbers: Numbers) -> None:
        """Add numbers at the end; the array must not be changed afterwards."""
        self.count += len(numbers)
        self._waiting += len(numbers)
        self._parts.append(numbers)
        if self._file is not None or self._waiting > IN_MEMORY:
            self._to_file()

    def read(self, first: int, last: int) -> Numbers:
        """Give the numbers `first` to `last` (not included)."""
        if self._file is None:
            if len(self._parts) != 1:
                self._parts = [np.concatenate([*self._parts, np.empty(0)])]
            return self._parts[0][first:last]
        numbers = np.empty(last - first)
        self._file.seek(8 * first)
        self._file.readinto(numbers.data.cast("B"))  # type: ignore[attr-defined]
        return numbers

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
        self._parts, self._waiting = [], 0
