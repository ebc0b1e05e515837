"""Summaries of one lead over many charts."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm
from scipy.stats import t as student

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray


def geometric_mean_ratio(log_ratios: ArrayLike) -> float:
    """Geometric mean of ratios, given their logs; subtract 1 for a mean lead.

    It is the one mean of ratios that does not depend on which card is the base, and equals the
    ratio of the geometric means (Fleming & Wallace 1986, Communications of the ACM 29(3)).
    """
    return float(np.exp(np.mean(_values(log_ratios))))


def mean_range(values: ArrayLike, groups: ArrayLike, level: float) -> tuple[float, float]:
    """Ends of the range of the mean of values like these, by Student's t; two or more values.

    Values of one group stray together: the standard error is that of the sums over groups (Liang
    & Zeger 1986, Biometrika 73), with one degree of freedom less than there are groups. Where
    every value is a group of its own this is the usual one; it is also taken if there is but one
    group, of which nothing says how far groups stray.

    Args:
        values: what is averaged.
        groups: (values,) which group each belongs to.
        level: of the range.
    """
    x = _values(values)
    error, freedom = _mean_error(x, np.asarray(groups))
    reach = float(student.ppf((1 + level) / 2, freedom)) * error
    mean = float(np.mean(x))
    return mean - reach, mean + reach


def p_positive(values: ArrayLike, groups: ArrayLike, error: float) -> float:
    """Probability that the mean of values like these is above zero.

    The tail of the distribution behind `mean_range`; of one value, that of a normal distribution.

    Args:
        values: what is averaged.
        groups: (values,) which group each belongs to.
        error: standard error of a single value; not looked at if there are more.
    """
    x = _values(values)
    mean = float(np.mean(x))
    freedom = 0
    if x.size > 1:
        error, freedom = _mean_error(x, np.asarray(groups))
    if error == 0:
        return 0.5 * (1.0 + float(np.sign(mean)))
    if not freedom:
        return float(norm.cdf(mean / error))
    return float(student.cdf(mean / error, freedom))


def _mean_error(values: FloatArray, groups: NDArray[Any]) -> tuple[float, int]:
    """Return the standard error of the mean of two or more values, and its degrees of freedom."""
    places = _places(groups)
    count = int(places.max()) + 1
    sums = np.bincount(places, values - values.mean())
    return float(np.sqrt(count / (count - 1) * (sums**2).sum()) / values.size), count - 1


def _places(groups: NDArray[Any]) -> IntArray:
    """Number the groups of values; a single group is taken apart into its values."""
    names, places = np.unique(groups, return_inverse=True)
    return np.arange(groups.size) if len(names) == 1 else np.asarray(places)


def mean_weights(groups: ArrayLike, draws: int, rng: np.random.Generator) -> FloatArray:
    """Draw weights (draws, values) that turn values into draws of the mean of values like these.

    The draws of one mean have the distribution behind `mean_range`: with n values x in G groups
    and a normal z for each group, sum of (1/n + sqrt(G / chi2) (z_g(k) - mean z_g(k)) / n) x_k,
    where chi2 has G - 1 degrees of freedom, is Student's t around the mean of x with the standard
    error of the mean. The same weights for several cards give joint draws, and so the range of
    every lead. One value has weight one.
    """
    places = _places(np.asarray(groups))
    if places.size == 1:
        return np.ones((draws, 1))
    count = int(places.max()) + 1
    normals = rng.standard_normal((draws, count))[:, places]
    normals -= normals.mean(axis=1, keepdims=True)
    squares = rng.chisquare(count - 1, (draws, 1))
    weights: FloatArray = (1 + normals * np.sqrt(count / squares)) / places.size
    return weights


def shortest_half(values: ArrayLike) -> tuple[float, float]:
    """Ends of the shortest interval that holds half of the values, rounded up.

    The "shorth" of robust statistics (Andrews et al. 1972, Robust Estimates of Location). Among
    equally short intervals the one whose middle is nearest the median is taken. One or two
    values give their whole span.
    """
    x = np.sort(_values(values))
    held = min(x.size, max(2, (x.size + 1) // 2))
    lows, highs = x[: x.size - held + 1], x[held - 1 :]
    widths = highs - lows
    # Widths that differ only by rounding are equal.
    rounding = 8 * np.finfo(float).eps * np.max(np.abs(x))
    candidates = np.flatnonzero(widths <= widths.min() + rounding)
    distance = np.abs((lows + highs)[candidates] / 2 - np.median(x))
    best = candidates[np.argmin(distance)]
    return float(lows[best]), float(highs[best])


def odd_ones_out(values: ArrayLike) -> BoolArray:
    """Mark values further than 1.5 interquartile ranges outside the quartiles, shape (n,).

    Tukey 1977, Exploratory Data Analysis; quartiles by linear interpolation (type 7 of Hyndman &
    Fan 1996, American Statistician 50).
    """
    x = _values(values)
    low, high = np.quantile(x, [0.25, 0.75])
    reach = 1.5 * (high - low)
    return np.asarray((x < low - reach) | (x > high + reach))


def _values(values: ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64).ravel()
    if x.size == 0 or not np.isfinite(x).all():
        raise ScalemodelError("a summary needs at least one value, and none missing or infinite")
    return x
