"""A ratio of two uncertain numbers that may be correlated, and the correlation itself."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray

FEWEST_PAIRS = 10
"""Degrees of freedom from which a correlation is taken from the runs; with fewer it is taken as 0:
so few runs would make one up."""


def ratio_interval(
    numerator: ArrayLike,
    denominator: ArrayLike,
    variances: tuple[ArrayLike, ArrayLike],
    covariance: ArrayLike,
    level: float,
    dof: float = np.inf,
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the range of a ratio, elementwise.

    Fieller 1954, Journal of the Royal Statistical Society B 16: the ratios r for which
    numerator - r denominator is not further from zero than its own error allows. The range is not
    symmetric, and has no ends (minus and plus infinity) where the denominator may be zero.

    Args:
        numerator, denominator: the estimates.
        variances: their squared standard errors.
        covariance: of their errors.
        level: share of such ranges that hold the truth.
        dof: degrees of freedom of the errors; infinite if they are known.
    """
    a, b = np.asarray(numerator, dtype=float), np.asarray(denominator, dtype=float)
    var_a, var_b = (np.asarray(v, dtype=float) for v in variances)
    cov = np.asarray(covariance, dtype=float)
    t2 = float(student.ppf((1 + level) / 2, dof)) ** 2
    # r^2 (b^2 - t^2 var_b) - 2 r (a b - t^2 cov) + a^2 - t^2 var_a <= 0
    square, middle = b**2 - t2 * var_b, a * b - t2 * cov
    inside = middle**2 - square * (a**2 - t2 * var_a)
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = np.sqrt(inside) / square
        centre = middle / square
    bounded = (square > 0) | np.isnan(square)
    lower = np.where(bounded, centre - reach, -np.inf)
    upper = np.where(bounded, centre + reach, np.inf)
    return lower, upper


def correlation_within(first: FloatArray, second: FloatArray, cell: IntArray) -> float:
    """Return the correlation of two readings that every run gives, within the cells of the runs.

    What cells differ by is taken out first: it says nothing about the errors of a run. 0 with
    fewer than FEWEST_PAIRS degrees of freedom, or where a reading never differs.

    Args:
        first, second: (runs,) readings.
        cell: (runs,) index of the cell, from 0 without gaps.
    """
    runs = np.bincount(cell)
    if len(cell) - len(runs) < FEWEST_PAIRS:
        return 0.0
    x, y = (values - (np.bincount(cell, values) / runs)[cell] for values in (first, second))
    size = float(np.sqrt((x**2).sum() * (y**2).sum()))
    return float((x * y).sum() / size) if size else 0.0
