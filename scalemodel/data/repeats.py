"""What the runs of a cell agree on: the one place that decides how much each run counts.

The check of a bench warns from it, the cells of a fit are made with it, and the
question of repeatability shows it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

HUBER = 1.5
"""Standard deviations up to which a residual counts in full towards the spread."""

FULL = 2.0
"""... and up to which a run counts in full towards its cell."""

FAR_SDS = 6.0
"""A run is far from its repeats beyond this many standard deviations of a run on its chart,"""

FAR_SHARE = 0.05
"""... and beyond this share of what they agree on, ..."""

FEWEST_REPEATS = 3
"""... in a cell with so many runs: of two, nobody knows which one is wrong."""

AGREES = 3.0
"""Runs within so many standard deviations agree."""

LAB_DOF = 10.0
"""Degrees of freedom with which the lab's spread is mixed into that of a chart."""

SMALLEST_SD = 2e-4
"""Rates are written with few digits; repeats that look the same agree no closer than this."""

MOST_STEPS, CLOSE = 200, 1e-10

_BEYOND = math.erfc(HUBER / math.sqrt(2))
_WINSORISED = (
    1
    - _BEYOND
    + HUBER**2 * _BEYOND
    - 2 * HUBER * math.exp(-(HUBER**2) / 2) / math.sqrt(2 * math.pi)
)
"""Mean square of a standard normal value cut off at plus and minus HUBER."""


@dataclass(frozen=True)
class Agreement:
    """What the runs of each cell agree on.

    Attributes:
        location: (cells,) log rate.
        se: (cells,) its standard error from repeats; NaN if the lab has none.
        agreed: (cells,) more than half of the runs agree; else the median counts.
        weight: (runs,) what each run counts, at most 1.
        scale: (runs,) sd of the log rate of one run on its chart; NaN if the lab has no repeats.
        wide: (runs,) sd by which a run's distance from its cell is judged: the same, but wider in
            a cell of several sessions.
        scale_dof: (runs,) degrees of freedom behind the scale.
        together: (runs,) index of the runs whose spread is that of repeats: sessions, or cells
            where no session has two runs.
        far: (runs,) far from its repeats: counts less than (FULL / FAR_SDS)^2 of a run.
        run_sd: sd of the log rate of one run, pooled over the lab; None without repeats.
    """

    location: FloatArray
    se: FloatArray
    agreed: NDArray[np.bool_]
    weight: FloatArray
    scale: FloatArray
    wide: FloatArray
    scale_dof: FloatArray
    together: IntArray
    far: NDArray[np.bool_]
    run_sd: float | None


def agree(log_rate: FloatArray, cell: IntArray, session: IntArray, chart: IntArray) -> Agreement:
    """Find what the runs of each cell agree on.

    The lab's spread of a run is Huber's proposal 2 (1964, Annals of Mathematical Statistics 35),
    pooled over sessions; a chart's own is mixed with it. The location of a cell maximises a
    density that is normal up to FULL of these standard deviations and falls off like a t with
    three degrees of freedom beyond, starting from the median: one bad run of three hardly moves
    it. If no more than half of the runs agree, the cell shows their median, with the standard error
    of its own spread.

    Args:
        log_rate: (runs,) log rates.
        cell: (runs,) index of the cell of each run, from 0 without gaps.
        session: (runs,) index of what was tested together within a cell, likewise. Spread is that
            within sessions; if no session has two runs, that within cells.
        chart: (runs,) index of its chart, likewise.
    """
    within = session if len(log_rate) > len(np.unique(session)) else cell
    one = np.zeros_like(cell)
    run_sd = float(robust_sd(log_rate, within, one)[0])
    if np.isnan(run_sd):
        ones, unknown = np.ones(len(cell)), np.full(len(cell), np.nan)
        start = medians(log_rate, cell)
        return Agreement(
            start,
            unknown[: len(start)],
            np.isfinite(start),
            ones,
            unknown,
            unknown,
            0 * ones,
            within,
            ones > 1,
            None,
        )
    run_sd = max(run_sd, SMALLEST_SD)
    own = np.nan_to_num(robust_sd(log_rate, within, chart))
    dof = degrees_of_freedom(within, chart)
    mixed = np.sqrt((LAB_DOF * run_sd**2 + dof * own**2) / (LAB_DOF + dof))
    scale = mixed[chart]
    wide = _with_sessions(log_rate, cell, within, scale)
    settled = settle(log_rate, cell, scale, wide)
    away = np.abs(log_rate - settled.location[cell])
    judged = (settled.agreed & (np.bincount(cell) >= FEWEST_REPEATS))[cell]
    far = (away > far_limit(wide)) & judged
    return Agreement(
        settled.location,
        settled.se,
        settled.agreed,
        settled.weight,
        scale,
        wide,
        LAB_DOF + dof[chart],
        within,
        far,
        run_sd,
    )


def agree_in_proportion(
    values: FloatArray, cell: IntArray, session: IntArray, chart: IntArray
) -> Agreement:
    """Find what the runs of each cell agree on where spread goes with level, as of latencies.

    As `agree`, of values above 0, by their shares of the median of their cell: the spread that is
    pooled over the lab, and `run_sd`, are shares of it.
    """
    level = medians(values, cell)
    found = agree(values / level[cell], cell, session, chart)
    return replace(
        found,
        location=found.location * level,
        se=found.se * level,
        scale=found.scale * level[cell],
        wide=found.wide * level[cell],
    )


def _with_sessions(
    log_rate: FloatArray, cell: IntArray, within: IntArray, scale: FloatArray
) -> FloatArray:
    """Return (runs,) the sd of a run in its cell: in cells of several sessions theirs too."""
    first = np.unique(within, return_index=True)[1]
    several = (np.bincount(cell[first]) > 1)[cell]
    if not several.any():
        return scale
    index = np.unique(cell[several], return_inverse=True)[1].astype(np.intp)
    apart = robust_sd(log_rate[several], index, np.zeros_like(index))[0]
    return np.where(several, np.maximum(scale, apart), scale)


@dataclass(frozen=True)
class Settled:
    """Where cells lie, given the sd of a run.

    Attributes:
        location, se: (cells,) the location and its standard error.
        weight: (runs,) what each run counts; 1 where no majority agrees.
        agreed: (cells,) more than half of the runs agree.
    """

    location: FloatArray
    se: FloatArray
    weight: FloatArray
    agreed: NDArray[np.bool_]


def settle(log_rate: FloatArray, cell: IntArray, scale: FloatArray, wide: FloatArray) -> Settled:
    """Find the location of each cell (see `agree`).

    Args:
        log_rate: (runs,) log rates.
        cell: (runs,) index of the cell.
        scale: (runs,) sd of a run, for the standard error.
        wide: (runs,) sd by which a run's distance from its cell is judged.
    """
    location, weight = located(log_rate, cell, wide, FULL, 2)
    runs = np.bincount(cell)
    close = np.abs(log_rate - location[cell]) <= AGREES * wide
    agreed = 2 * np.bincount(cell, close) > runs
    mean = np.bincount(cell, log_rate) / runs
    weight = np.where(agreed[cell], weight, 1.0)
    pooled = (np.bincount(cell, scale) / runs) ** 2 / np.bincount(cell, weight)
    squares = np.bincount(cell, (log_rate - mean[cell]) ** 2)
    own = squares / (np.maximum(runs - 1, 1) * runs)
    se = np.sqrt(np.where(agreed, pooled, np.maximum(own, pooled)))
    return Settled(np.where(agreed, location, medians(log_rate, cell)), se, weight, agreed)


def index_by(table: pd.DataFrame, columns: Sequence[str]) -> IntArray:
    """Return (rows,) an index from 0 of the rows that share the values of some columns."""
    return table.groupby(list(columns), sort=False).ngroup().to_numpy().astype(np.intp)


def far_limit(scale: FloatArray) -> FloatArray:
    """Return how far from its repeats a run may be, on the log scale."""
    return np.maximum(FAR_SHARE, FAR_SDS * scale)


def located(
    values: FloatArray, cell: IntArray, scale: FloatArray, corner: float, power: int
) -> tuple[FloatArray, FloatArray]:
    """Return the location of each cell (cells,) and the weight of each value (runs,).

    A value z scales from the location has the weight min(1, corner / z) ^ power: with power 1
    Huber's M-estimate, with power 2 one that forgets what is far. Starts from the medians; a cell
    that no longer moves, as most after one step, is left where it is.
    """
    location = medians(values, cell)
    close = CLOSE * scale.min()
    cells, runs = np.arange(len(location)), np.arange(len(values))
    for _ in range(MOST_STEPS):
        index, value = np.unique(cell[runs], return_inverse=True)[1], values[runs]
        weight = _weights((value - location[cell[runs]]) / scale[runs], corner, power)
        moved = np.bincount(index, weight * value) / np.bincount(index, weight)
        away = np.abs(moved - location[cells])
        location[cells] = moved
        if away.max() <= close:
            break
        still = away > 0
        cells, runs = cells[still], runs[still[index]]
    return location, _weights((values - location[cell]) / scale, corner, power)


def _weights(z: FloatArray, corner: float, power: int) -> FloatArray:
    return np.asarray((corner / np.maximum(np.abs(z), corner)) ** power)


def medians(values: FloatArray, cell: IntArray) -> FloatArray:
    """Return the median of the values of each cell (cells,)."""
    order = np.lexsort((values, cell))
    runs = np.bincount(cell)
    first = np.cumsum(runs) - runs
    ordered = values[order]
    return np.asarray((ordered[first + (runs - 1) // 2] + ordered[first + runs // 2]) / 2)


def degrees_of_freedom(cell: IntArray, group: IntArray) -> FloatArray:
    """Return runs minus cells of each group (groups,)."""
    size = int(group.max()) + 1
    first = np.unique(cell, return_index=True)[1]
    counts = np.bincount(group, minlength=size) - np.bincount(group[first], minlength=size)
    return counts.astype(np.float64)


def robust_sd(values: FloatArray, cell: IntArray, group: IntArray) -> FloatArray:
    """Return the sd of values within cells, pooled over each group; NaN where nothing repeats.

    Huber's proposal 2: residuals from Huber's location are cut off at HUBER sds, and the mean
    square of the cut ones is what it is for a normal law. A residual of a cell of n is widened by
    sqrt(n / (n - 1)) before, so that small cells are cut as large ones are.
    """
    size = int(group.max()) + 1
    runs = np.bincount(cell)[cell]
    free = degrees_of_freedom(cell, group)
    widen = np.sqrt(runs / np.maximum(runs - 1, 1))
    location = (np.bincount(cell, values) / np.bincount(cell))[cell]
    many = np.maximum(free, 1)
    sd = np.sqrt(np.bincount(group, (values - location) ** 2, size) / many)
    for _ in range(MOST_STEPS):
        scale = np.maximum(sd[group], SMALLEST_SD)
        weight = _weights((values - location) / scale, HUBER, 1)
        location = (np.bincount(cell, weight * values) / np.bincount(cell, weight))[cell]
        cut = np.minimum(widen * np.abs(values - location), HUBER * sd[group]) / widen
        moved = np.sqrt(np.bincount(group, cut**2, size) / (many * _WINSORISED))
        done = np.abs(moved - sd).max() <= CLOSE * max(float(sd.max()), SMALLEST_SD)
        sd = moved
        if done:
            break
    return np.where(free > 0, sd, np.nan)
