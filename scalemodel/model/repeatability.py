"""Repeatability of a lab by analysis of variance, and how many runs show a difference."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, f, ncf
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray

LIMIT = 2.8
"""Two results differ by more than this many of their sds once in twenty times: 1.96 sqrt(2), as
ISO 5725-6:1994 rounds it."""

FEWEST_RUNS, MOST_RUNS = 1.5, 1000.0
"""Real numbers of runs between which the number needed is looked for."""


PLAIN = 100.0
"""Sds from which a difference is plain to see whatever the degrees of freedom."""


@dataclass(frozen=True)
class Precision:
    """Spread of runs within sessions and between sessions of a cell.

    Attributes:
        s_r: repeatability sd: of runs of one session; NaN without repeats.
        dof_r: degrees of freedom behind it.
        s_session: sd of what sessions differ by beyond that; NaN if no cell has two sessions.
        dof_session: degrees of freedom between sessions.
        f: ratio of the mean squares between and within sessions; NaN if either is unknown.
    """

    s_r: float
    dof_r: int
    s_session: float
    dof_session: int
    f: float

    @property
    def s_R(self) -> float:
        """Sd of a single run of another session: the reproducibility sd within the lab."""
        return float(np.hypot(self.s_r, self.s_session))

    @property
    def p_session(self) -> float:
        """Chance of so large an f if sessions did not differ."""
        return float(f.sf(self.f, self.dof_session, self.dof_r))

    def repeatability_range(self, level: float) -> tuple[float, float]:
        """Return the range of the repeatability sd for normal errors; NaN without repeats."""
        if not self.dof_r:
            return np.nan, np.nan
        ends = chi2.ppf([(1 + level) / 2, (1 - level) / 2], self.dof_r)
        low, high = self.s_r * np.sqrt(self.dof_r / ends)
        return float(low), float(high)


def precision(values: FloatArray, cell: IntArray, session: IntArray) -> Precision:
    """Estimate the spread within and between sessions, pooled over cells.

    With one cell and equal numbers of runs this is ISO 5725-2:1994, 7.4 (and ASTM E691): labs
    there are sessions here. A negative variance between sessions is cut to 0. Unequal numbers enter
    by the coefficient of the expected mean square of a nested design (Searle 1971, Linear Models,
    chapter 11), which is 7.4.5.2 there for one cell.

    Args:
        values: (runs,) values.
        cell: (runs,) index of the cell, from 0 without gaps.
        session: (runs,) index of the session within its cell, from 0 without gaps.
    """
    values = values - values[0]  # exact between near numbers, so that sums keep their digits
    runs = np.bincount(session)
    of_session = np.zeros(len(runs), dtype=np.intp)
    of_session[session] = cell
    in_cell = np.bincount(cell)
    mean = np.bincount(session, values) / runs
    cell_mean = np.bincount(cell, values) / in_cell
    dof_r, dof_session = len(values) - len(runs), len(runs) - len(in_cell)
    within = float(((values - mean[session]) ** 2).sum())
    between = float((runs * (mean - cell_mean[of_session]) ** 2).sum())
    s_r = float(np.sqrt(within / dof_r)) if dof_r else np.nan
    if not dof_session:
        return Precision(s_r, dof_r, np.nan, 0, np.nan)
    usual = (len(values) - float((runs**2 / in_cell[of_session]).sum())) / dof_session
    square = between / dof_session
    noise = s_r**2 if dof_r else 0.0
    s_session = float(np.sqrt(max(square - noise, 0.0) / usual))
    ratio = square / noise if noise else np.nan
    return Precision(s_r, dof_r, s_session, dof_session, ratio)


def runs_needed(
    difference: float, s_r: float, s_session: float = 0.0, level: float = 0.95, power: float = 0.8
) -> float:
    """Return the runs of each of two cells that show a difference, as a real number.

    The test is the two-sided t test of two means at 1 - level; the power is that of the
    noncentral t (Cohen 1988, Statistical Power Analysis, 2.4). What sessions differ by does not
    shrink with more runs: infinite if no number up to MOST_RUNS does.

    Args:
        difference: to be seen, of the means.
        s_r: sd of runs of one session.
        s_session: sd between sessions; each cell has one.
        level: one minus the chance of seeing a difference where there is none.
        power: chance of seeing this one.
    """

    def lacking(runs: float) -> float:
        dof = 2 * (runs - 1)
        sd = np.sqrt(2 * (s_session**2 + s_r**2 / runs))
        apart = min(difference / sd, PLAIN) if sd > 0 else PLAIN
        beyond = student.ppf((1 + level) / 2, dof)
        return float(ncf.sf(beyond**2, 1, dof, apart**2)) - power  # t squared is F

    if lacking(FEWEST_RUNS) > 0:
        return FEWEST_RUNS
    upper = FEWEST_RUNS
    while lacking(upper) < 0:
        upper *= 2
        if upper > MOST_RUNS:
            return np.inf
    return float(brentq(lacking, upper / 2, upper, xtol=1e-6))
