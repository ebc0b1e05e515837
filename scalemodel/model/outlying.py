"""Outlying values: within a cell, and against the spread that a lab usually has."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import beta
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Extreme:
    """The results of the generalized ESD test, (most,) each.

    Attributes:
        index: which value is farthest after those before it are gone.
        statistic: its distance from the mean of the rest and itself, in their sds.
        critical: what it would have to exceed.
    """

    index: IntArray
    statistic: FloatArray
    critical: FloatArray

    @property
    def count(self) -> int:
        """Number of outliers: the last of the statistics that exceeds its critical value."""
        beyond = np.flatnonzero(self.statistic > self.critical)
        return int(beyond[-1]) + 1 if len(beyond) else 0


def grubbs(values: FloatArray) -> tuple[int, float]:
    """Return which value is farthest from the mean, and by how many sample sds."""
    away = np.abs(values - values.mean())
    index = int(np.argmax(away))
    sd = float(values.std(ddof=1))
    return index, float(away[index]) / sd if sd > 0 else 0.0


def grubbs_critical(size: int, alpha: float, sides: int = 2) -> float:
    """Return what Grubbs' statistic of so many normal values exceeds with chance alpha.

    Grubbs 1969, Technometrics 11: from Student's t, exact up to the chance that two values exceed
    it at once.
    """
    t2 = student.isf(alpha / (sides * size), size - 2) ** 2
    return float((size - 1) / np.sqrt(size) * np.sqrt(t2 / (size - 2 + t2)))


def generalized_esd(values: FloatArray, most: int, alpha: float) -> Extreme:
    """Look for up to `most` outliers, none of which hides the others.

    Rosner 1983, Technometrics 25: Grubbs' test of what is left, over and over; the last
    significant step counts, not the first insignificant one.
    """
    left = np.arange(len(values))
    index, statistic, critical = [], [], []
    for _ in range(most):
        at, distance = grubbs(values[left])
        index.append(left[at])
        statistic.append(distance)
        critical.append(grubbs_critical(len(left), alpha))
        left = np.delete(left, at)
    return Extreme(np.array(index, dtype=np.intp), np.array(statistic), np.array(critical))


def holm(p: FloatArray) -> FloatArray:
    """Return chances that hold for a family: all below alpha together err with chance alpha.

    Holm 1979, Scandinavian Journal of Statistics 6: the smallest is multiplied with the size of the
    family, the next with one less, and none is below those before it.
    """
    order = np.argsort(p, kind="stable")
    size = len(p) - np.arange(len(p))
    out = np.empty(len(p))
    out[order] = np.minimum(1.0, np.maximum.accumulate(size * p[order]))
    return out


def apart_from_others(
    values: FloatArray, cell: IntArray, weight: FloatArray, scale: FloatArray
) -> FloatArray:
    """Return (runs,) how far each value is from what the others of its cell say, in sds of that.

    With weights of 1 and a known scale this is standard normal; NaN for a value alone in its cell.

    Args:
        values: (runs,) values.
        cell: (runs,) index of the cell.
        weight: (runs,) what each value counts.
        scale: (runs,) sd of one value.
    """
    others = np.bincount(cell, weight)[cell] - weight
    total = np.bincount(cell, weight * values)[cell] - weight * values
    alone = np.bincount(cell)[cell] == 1
    others = np.where(alone, 1.0, others)
    away = (values - total / others) / (scale * np.sqrt(1 + 1 / others))
    return np.where(alone, np.nan, away)


def chance_of_farthest(away: FloatArray, dof: FloatArray, runs: IntArray) -> FloatArray:
    """Return the chance that some value of a cell is so far from the others, (runs,).

    Of two values both are equally far. Of more, chances are added up (Bonferroni), at most 1.
    """
    alike = np.where(runs == 2, 1, runs)
    return np.minimum(1.0, 2 * alike * student.sf(np.abs(away), dof))


def spread_ratio(
    values: FloatArray, cell: IntArray, chart: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return k of each cell, and the chance of a larger one in its chart, (cells,) each.

    k is the sd of a cell over that pooled over its chart (ASTM E691; cells are labs there).
    Its square, times the cell's share of the degrees of freedom, has a beta law if all spread
    alike: the exact form of the critical values that E691 tabulates. NaN where a cell has one
    run, or no other cell of its chart has two.
    """
    runs = np.bincount(cell)
    first = np.unique(cell, return_index=True)[1]
    of_chart = chart[first]
    squares = np.bincount(cell, (values - (np.bincount(cell, values) / runs)[cell]) ** 2)
    dof = runs - 1.0
    whole, whole_dof = (
        np.bincount(of_chart, squares)[of_chart],
        np.bincount(of_chart, dof)[of_chart],
    )
    known = (dof > 0) & (whole_dof > dof) & (whole > 0)
    share = np.divide(squares, whole, out=np.full(len(runs), np.nan), where=known)
    k = np.sqrt(share * whole_dof / np.where(known, dof, np.nan))
    chance = beta.sf(share, dof / 2, (whole_dof - dof) / 2)
    return k, np.where(known, chance, np.nan)


def level_ratio(means: FloatArray) -> FloatArray:
    """Return h of each mean: its distance from their mean in their sample sds (ASTM E691)."""
    sd = means.std(ddof=1)
    return np.asarray((means - means.mean()) / sd) if sd > 0 else np.zeros(len(means))


def level_chance(h: FloatArray, count: int) -> FloatArray:
    """Return the chance of a larger |h| of one of `count` means, two-sided, from Student's t."""
    square = count * h**2 / (count - 1)
    inside = np.maximum(count - 1 - square, 0.0)
    with np.errstate(divide="ignore"):
        t = np.sqrt((count - 2) * square / inside)
    return np.asarray(2 * student.sf(t, count - 2))
