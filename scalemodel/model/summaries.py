"""Summaries of one lead over many charts."""

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray


def geometric_mean_ratio(log_ratios: ArrayLike) -> float:
    """Geometric mean of ratios, given their logs; subtract 1 for a mean lead.

    It is the one mean of ratios that does not depend on which card is the base, and equals the
    ratio of the geometric means (Fleming & Wallace 1986, Communications of the ACM 29(3)).
    """
    return float(np.exp(np.mean(_values(log_ratios))))


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
