"""How heavy the tails of repeats are: Student's t with learned degrees of freedom."""

import numpy as np
from scipy.optimize import minimize
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray

LEAST, MOST = 2.0, 200.0
"""Bounds of the degrees of freedom; at the upper one repeats are as good as normal."""


def repeat_tail(values: FloatArray, cell: IntArray, scale: FloatArray) -> float:
    """Return the degrees of freedom of the t that repeats follow; NaN without repeats.

    From distances of repeats from the mean of their cell, widened by sqrt(n / (n - 1)).

    Args:
        values: (runs,) values.
        cell: (runs,) index of the cell.
        scale: (runs,) usual sd of one value.
    """
    runs = np.bincount(cell)[cell]
    away = values - (np.bincount(cell, values) / np.bincount(cell))[cell]
    z = (away * np.sqrt(runs / np.maximum(runs - 1, 1)) / scale)[runs > 1]
    return student_tail(z) if len(z) and np.isfinite(z).all() else float("nan")


def student_tail(z: FloatArray) -> float:
    """Return the degrees of freedom of the t that some values of like size about 0 follow.

    By maximum likelihood over degrees of freedom and a factor on their scale.
    """

    def minus_log_likelihood(at: FloatArray) -> float:
        dof, factor = np.exp(at)
        return -float((student.logpdf(z / factor, dof) - np.log(factor)).sum())

    bounds = [(np.log(LEAST), np.log(MOST)), (-3.0, 3.0)]
    found = minimize(minus_log_likelihood, np.array([np.log(8.0), 0.0]), bounds=bounds)
    return float(np.exp(found.x[0]))


def tail_of_mean(tail: float, runs: float) -> float:
    """Return the degrees of freedom of the t that is about as heavy-tailed as a mean of runs.

    Where there is a fourth moment, the excess kurtosis 6 / (dof - 4) shrinks with the number of
    runs; else the mean is taken to be as heavy-tailed as a run.
    """
    return max(tail, 4.0 + runs * (tail - 4.0))
