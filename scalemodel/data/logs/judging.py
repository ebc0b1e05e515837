"""Pauses and mixed units among the frames that make a run."""

from collections.abc import Iterator

import numpy as np

from scalemodel.data.logs.faults import PAUSE_MS
from scalemodel.data.logs.reading import Log
from scalemodel.data.logs.spool import Numbers

LONG_MS = 5_000.0
"""A frame that takes longer is worth a word."""

SCALE = 200.0
"""Frames so many times faster than the typical one are in another unit; so are many slower ones."""

MANY = 10

BEGIN = 256
"""Frames whose median is the typical time."""

_PIECE = 1 << 16


def judge(log: Log, first: int, last: int) -> None:
    """Note what is wrong with the frames of a log from `first` to `last` (not included).

    A pause is a fault only there: what is cut off may hold one.
    """
    typical = float(np.median(log.times.read(first, min(first + BEGIN, last))))
    fast, slow = typical / SCALE, typical * SCALE
    odd = [
        (at, piece)
        for at, piece in _pieces(log, first, last)
        if piece.min() < fast or piece.max() > min(slow, LONG_MS)
    ]
    many = sum(np.count_nonzero(piece > slow) for _, piece in odd) >= MANY
    column = log.decision.column
    for at, piece in odd:
        other = (piece < fast) | ((piece > slow) & many)
        for frame in np.flatnonzero(other)[:1]:
            row, ms = log.row_of(at + int(frame)), float(piece[frame])
            log.faults.other_unit(row, column, ms, typical)
            return
        for frame in np.flatnonzero(piece > LONG_MS):
            row, ms = log.row_of(at + int(frame)), float(piece[frame])
            note = log.faults.paused if ms > PAUSE_MS else log.faults.long_frame
            note(row, column, ms)


def _pieces(log: Log, first: int, last: int) -> Iterator[tuple[int, Numbers]]:
    for at in range(first, last, _PIECE):
        yield at, log.times.read(at, min(at + _PIECE, last))
