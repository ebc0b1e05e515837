"""Which column of a log holds the frame times, and in what unit: found from the numbers alone.

Names play no part. A frame takes 0.5 to 200 ms, so the size of typical numbers gives the unit; a
column that only grows is a clock, and the differences of its rows are the frame times.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scalemodel.data.problems import shown
from scalemodel.data.rows import UnreadableError
from scalemodel.data.schema import UNITS

SHORTEST_MS, LONGEST_MS = 0.5, 200.0
"""Typical frame times between which a unit is taken to be the right one: 5 to 2,000 a second."""

MS = dict(zip(UNITS, (1e3, 1.0, 1e-3, 1e-6), strict=True))
"""Milliseconds in each unit."""

FEWEST = 8
"""Rows below which nothing is found from numbers."""

RARELY = 0.02
"""A clock falls back in fewer of its rows: where two runs are glued together, or it is faulty."""

COUNTER = 0.9
"""A counter of frames grows by the same in more than this share of its rows."""

AGREE = 0.02
"""Two columns tell the same frame times if they differ by less than this share, typically."""

GIVE_BOTH = "give column and unit in frames.csv"
GIVE_COLUMN = "name one in the cell column of frames.csv"

Sample = NDArray[np.float64]


@dataclass(frozen=True)
class Decision:
    """How a log is read.

    Attributes:
        column: name of the column used.
        index: its place in the log.
        unit: s, ms, us or ns.
        stamp: it holds time stamps, whose differences are the frame times.
        why: in words, for the user.
        clock: place and unit of a column of time stamps that goes with frame times, if any.
        clock_name: its name.
    """

    column: str
    index: int
    unit: str
    stamp: bool
    why: str
    clock: tuple[int, str] | None = None
    clock_name: str = ""

    @property
    def ms(self) -> float:
        """Milliseconds in the unit."""
        return MS[self.unit]


@dataclass(frozen=True)
class _Reading:
    """A column as frame times in one unit."""

    index: int
    unit: str
    stamp: bool
    times: Sample  # in ms, one a row; of the first row of stamps NaN

    @property
    def typical(self) -> float:
        return float(np.nanmedian(self.times))

    def words(self, names: Sequence[str]) -> str:
        what = "time stamps" if self.stamp else "frame times"
        rate = 1000 / self.typical
        return f"{shown(names[self.index])} ({what} in {self.unit}: {rate:.4g} frames per second)"


def decide(names: Sequence[str], samples: Mapping[int, Sample], column: str, unit: str) -> Decision:
    """Find column and unit of the frame times, as far as they are not given.

    Args:
        names: of all columns.
        samples: numbers of the first rows of each column that has numbers.
        column: name given by the user, or empty.
        unit: given by the user ("ms", "ms stamp"), or empty.

    Raises:
        UnreadableError: no column fits, or several do and disagree, or what is given is not there.
    """
    if column:
        samples = {index: samples[index] for index in [_named(names, samples, column)]}
    rows = max((len(sample) for sample in samples.values()), default=0)
    if unit:
        word, _, stamp = unit.partition(" ")
        readings = [_as_told(i, s, word, bool(stamp)) for i, s in samples.items() if column]
        readings = readings or [
            r for i, s in samples.items() for r in _readings(i, s) if _fits(r, word, bool(stamp))
        ]
    elif rows < FEWEST:
        what = f"{rows} rows are too few to find column and unit from the numbers"
        raise UnreadableError(what, f"at least {FEWEST}", GIVE_BOTH)
    else:
        readings = [r for i, s in samples.items() for r in _readings(i, s)]
    if not readings:
        raise _nothing_fits(names, samples, column, unit)
    return _choose(names, readings, column, unit)


def _named(names: Sequence[str], samples: Mapping[int, Sample], column: str) -> int:
    wanted = column.strip().lower()
    found = [i for i, name in enumerate(names) if name.strip().lower() == wanted]
    listed = ", ".join(shown(name) for name in names)
    if len(found) != 1:
        what = f"there is {'no' if not found else 'more than one'} column {shown(column)}"
        raise UnreadableError(what, listed, "correct the cell column of frames.csv")
    sample = samples.get(found[0])
    if sample is None or not np.isfinite(sample).any():
        what = f"the column {shown(column)} holds no numbers"
        raise UnreadableError(what, "a column of numbers", GIVE_COLUMN)
    if len(sample) >= FEWEST and _constant(sample):
        what = f"the column {shown(column)} holds {sample[0]:.6g} in every row"
        raise UnreadableError(what, "frame times, which always vary a little", GIVE_COLUMN)
    return found[0]


def _constant(sample: Sample) -> bool:
    finite = sample[np.isfinite(sample)]
    return bool(len(finite) and finite.min() == finite.max())


def _as_told(index: int, sample: Sample, unit: str, stamp: bool) -> _Reading:
    return _Reading(index, unit, stamp, (_steps(sample) if stamp else sample) * MS[unit])


def _fits(reading: _Reading, unit: str, stamp: bool) -> bool:
    return reading.unit == unit and reading.stamp == stamp


def _steps(sample: Sample) -> Sample:
    return np.diff(sample, prepend=np.nan)


def _readings(index: int, sample: Sample) -> list[_Reading]:
    """Give what a column could be: nothing, frame times or time stamps, in one unit."""
    finite = sample[np.isfinite(sample)]
    if len(finite) < max(FEWEST, 0.9 * len(sample)) or _constant(finite):
        return []
    steps = np.diff(finite)
    if np.mean(steps < 0) < RARELY:
        usual = np.mean(steps == np.median(steps))
        if usual > COUNTER or np.mean(steps > 0) <= 0.5:
            return []
        unit = _unit(float(np.median(steps)))
        return [_as_told(index, sample, unit, True)] if unit else []
    if np.mean(finite > 0) < 0.9:
        return []
    unit = _unit(float(np.median(finite)))
    return [_as_told(index, sample, unit, False)] if unit else []


def _unit(typical: float) -> str:
    fitting = [unit for unit, ms in MS.items() if SHORTEST_MS <= typical * ms <= LONGEST_MS]
    return fitting[0] if len(fitting) == 1 else ""


def _choose(names: Sequence[str], readings: list[_Reading], column: str, unit: str) -> Decision:
    """Take the only reading, or the one that a clock of the log bears out."""
    if len(readings) == 1:
        (only,) = readings
        return _decision(names, only, _why_only(only, column, unit), None)
    groups: list[list[_Reading]] = []
    for reading in readings:
        home = next((group for group in groups if _agree(group[0], reading)), None)
        if home is None:
            groups.append([reading])
        else:
            home.append(reading)
    borne_out = [g for g in groups if len({r.index for r in g}) > 1 and any(r.stamp for r in g)]
    chosen = groups if len(groups) == 1 else borne_out
    if len(chosen) != 1:
        listed = "; ".join(reading.words(names) for reading in readings)
        what = f"{len({r.index for r in readings})} columns could be the frame times"
        raise UnreadableError(f"{what}: {listed}", "one of them", GIVE_BOTH)
    group = sorted(chosen[0], key=lambda r: (r.stamp, -len(np.unique(r.times)), r.index))
    best, clock = group[0], next((r for r in group if r.stamp and r is not group[0]), None)
    if clock is None:
        also = ", ".join(shown(names[r.index]) for r in group[1:])
        return _decision(names, best, f"{also} tells the same times", None)
    why = f"the clock {shown(names[clock.index])} grows by it from row to row"
    return _decision(names, best, why, None if best.stamp else clock)


def _agree(one: _Reading, other: _Reading) -> bool:
    """Tell whether two columns give the same frame times, row by row or one row apart."""
    for shift in (0, 1, -1):
        a = one.times[max(shift, 0) : len(one.times) + min(shift, 0)]
        b = other.times[max(-shift, 0) : len(other.times) + min(-shift, 0)]
        off = np.abs(a - b) / one.typical
        if np.isfinite(off).any() and np.nanmedian(off) <= AGREE:
            spread = np.nanmedian(np.abs(a - one.typical)) / one.typical
            if np.nanmedian(off) <= max(spread / 4, 1e-9):
                return True
    return False


def _decision(
    names: Sequence[str], reading: _Reading, why: str, clock: _Reading | None
) -> Decision:
    name, place, told = names[reading.index], reading.index, (reading.unit, reading.stamp, why)
    if clock is None:
        return Decision(name, place, *told)
    return Decision(name, place, *told, (clock.index, clock.unit), names[clock.index])


def _why_only(reading: _Reading, column: str, unit: str) -> str:
    if column and unit:
        return "as given"
    if column:
        return "column as given, unit by the size of its numbers"
    if reading.stamp:
        return "the only column that grows by plausible frame times"
    return "the only column of plausible frame times"


def _nothing_fits(
    names: Sequence[str], samples: Mapping[int, Sample], column: str, unit: str
) -> UnreadableError:
    listed = []
    for index, sample in samples.items():
        if _constant(sample):
            listed.append(f"{shown(names[index])} is {np.nanmin(sample):.6g} in every row")
        elif np.isfinite(sample).any():
            listed.append(f"{shown(names[index])} is typically {np.nanmedian(sample):.6g}")
    said = f" in {unit}" if unit else ""
    what = f"no column can be read as frame times{said}"
    if column:
        what = f"the unit of {shown(column)} cannot be found from its numbers"
    if listed:
        what += ": " + ", ".join(listed[:8])
    allowed = "frame times of 0.5 to 200 ms, or a clock that grows by them"
    return UnreadableError(what, allowed, GIVE_BOTH)
