"""From the numbers of a log to frame times, with a note for every impossible one."""

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.logs.columns import MS, Decision
from scalemodel.data.logs.faults import PAUSE_MS, Faults
from scalemodel.data.logs.spool import Numbers, Spool
from scalemodel.data.logs.text import Column
from scalemodel.data.problems import STOP

SHORTEST_MS, LONGEST_MS = 2.0**-19, 2.0**27
"""Frame times beyond these are in no unit at all: 2 ns and a day and a half."""

AGAIN = 0.02
"""A clock that falls back to within this share of its way so far has started again."""

Rows = NDArray[np.int64] | int
"""Row of each number, or of the first where rows follow each other."""


def row_at(rows: Rows, place: int) -> int:
    """Give the row of a number of a segment."""
    return rows + place if isinstance(rows, int) else int(rows[place])


class FrameMaker:
    """Takes the segments of a log and keeps their frame times in ms.

    Attributes:
        times: the frame times.
        rows: first frame and row of each stretch of frames whose rows follow each other.
    """

    def __init__(self, decision: Decision, faults: Faults) -> None:
        """Start before the first row."""
        self.times, self.rows = Spool(), list[tuple[int, int]]()
        self.decision, self.faults = decision, faults
        unit = decision.unit if decision.stamp else decision.clock[1] if decision.clock else ""
        self._clock = _Clock(MS[unit]) if unit else None
        self._begun = False

    def take(self, rows: Rows, columns: list[Column]) -> None:
        """Take a segment: the numbers of the column used, then those of a clock beside it."""
        if not len(columns[0]):
            return
        if self.decision.stamp and self._clock is not None:
            times, left_out = self._clock.steps(columns[0]), int(not self._begun)
            self._check_steps(rows, left_out, times)
        else:
            times, left_out = self._durations(rows, columns[0])
            if self._clock is not None:
                self._check_clock(rows, self._clock.steps(columns[1]))
        self._note_rows(rows, left_out, len(times))
        self.times.append(times)
        self._begun = True

    def _durations(self, rows: Rows, numbers: Column) -> tuple[Numbers, int]:
        """Give frame times; the first row of a log may be without one."""
        times, left_out = in_ms(numbers, self.decision.ms), 0
        if not self._begun and not times[0] > 0 and not times[0] < 0:
            self.faults.first_row(row_at(rows, 0), self.decision.column)
            times, left_out = times[1:], 1
        for place in _impossible(times):
            row = row_at(rows, place + left_out)
            self.faults.not_positive(row, self.decision.column, float(times[place]))
        return times, left_out

    def _check_steps(self, rows: Rows, left_out: int, steps: Numbers) -> None:
        assert self._clock is not None
        for place in _impossible(steps):
            step, again = float(steps[place]), self._clock.again(place + left_out)
            row = row_at(rows, place + left_out)
            self.faults.no_step(row, self.decision.column, step, again=again)

    def _check_clock(self, rows: Rows, steps: Numbers) -> None:
        """Look at a clock beside the frame times: runs glued together, pauses between frames."""
        assert self._clock is not None
        left_out = int(not self._begun)
        if not len(steps) or (steps.min() >= 0 and steps.max() < PAUSE_MS):
            return
        for place in np.flatnonzero((steps < 0) | (steps >= PAUSE_MS))[:STOP]:
            step, row = float(steps[place]), row_at(rows, int(place) + left_out)
            if step < 0:
                again = self._clock.again(int(place) + left_out)
                self.faults.no_step(row, self.decision.clock_name, step, again=again)
            else:
                self.faults.paused(row, self.decision.clock_name, step)

    def _note_rows(self, rows: Rows, left_out: int, count: int) -> None:
        if isinstance(rows, int):
            begins = [(0, rows + left_out)]
        else:
            rows = rows[left_out:]
            breaks = np.flatnonzero(np.diff(rows, prepend=-2) != 1)
            begins = [(int(at), int(rows[at])) for at in breaks]
        if count:
            self.rows += [(self.times.count + at, row) for at, row in begins]


class _Clock:
    """Gives the steps of a clock across segments."""

    def __init__(self, ms: float) -> None:
        self._ms = ms
        self._last: Column | None = None
        self._first = 0.0
        self._stamps: Column = np.empty(0)
        self._most = -np.inf

    def steps(self, stamps: Column) -> Numbers:
        """Give the time from each stamp to the next in ms, the first from the segment before."""
        self._stamps = stamps
        if self._last is None:
            self._first = float(stamps[0])
            whole = stamps
        else:
            whole = np.concatenate([self._last, stamps])
        self._last = stamps[-1:]
        return in_ms(np.diff(whole), self._ms)

    def again(self, place: int) -> bool:
        """Tell whether the clock has started again at a place of the segment."""
        if place:  # whole numbers have no smallest one to begin with
            self._most = max(self._most, float(np.max(self._stamps[:place])))
        way = self._most - self._first
        return way > 0 and float(self._stamps[place]) - self._first <= AGAIN * way


def in_ms(numbers: Column, ms: float) -> Numbers:
    """Turn numbers of a unit of so many ms into ms; whole ones divide without loss."""
    if ms == 1:
        return np.asarray(numbers, dtype=np.float64)
    return np.asarray(numbers * ms if ms > 1 else numbers / round(1 / ms), dtype=np.float64)


def _impossible(times: Numbers) -> list[int]:
    """Give the places of times that no frame takes."""
    if not len(times) or (times.min() > SHORTEST_MS and times.max() < LONGEST_MS):
        return []
    possible = (times > SHORTEST_MS) & (times < LONGEST_MS)
    return [int(place) for place in np.flatnonzero(~possible)[:STOP]]
