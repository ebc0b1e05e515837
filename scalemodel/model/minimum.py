"""Moments of the smaller of two normal quantities, and of a normal quantity under a cap.

A frame takes as long as the slower of two parts, and a rate never passes its ceiling: the mean of
the minimum is not the minimum of the means, and a mean over capped values is not the mean of those
below the cap. All arguments broadcast and share one unit; standard deviations are positive.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from scalemodel.model.arrays import FloatArray


def expected_minimum(
    mean_a: ArrayLike, sd_a: ArrayLike, mean_b: ArrayLike, sd_b: ArrayLike, rho: ArrayLike = 0.0
) -> FloatArray:
    """Mean of min(A, B) for jointly normal A and B with correlation `rho`.

    Clark 1961, Operations Research 9, with the sign turned for the minimum. Two quantities that
    differ by a constant (equal sd, rho 1) give the smaller mean.
    """
    a, b, spread = _difference(mean_a, sd_a, mean_b, sd_b, rho)
    z = _standardised(b - a, spread)
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.asarray(a * special.ndtr(z) + b * special.ndtr(-z) - spread * density)


def p_smaller(
    mean_a: ArrayLike, sd_a: ArrayLike, mean_b: ArrayLike, sd_b: ArrayLike, rho: ArrayLike = 0.0
) -> FloatArray:
    """Probability that A is the smaller of the two; a certain tie counts half."""
    a, b, spread = _difference(mean_a, sd_a, mean_b, sd_b, rho)
    return np.asarray(special.ndtr(_standardised(b - a, spread)))


def expected_capped(mean: ArrayLike, sd: ArrayLike, cap: ArrayLike) -> FloatArray:
    """Mean of min(Y, cap) for normal Y: values above the cap count as the cap (censoring).

    Greene 2003, Econometric Analysis, section 22.3.
    """
    mean, sd, cap = (np.asarray(x, dtype=np.float64) for x in (mean, sd, cap))
    z = (cap - mean) / sd
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.asarray(mean * special.ndtr(z) + cap * special.ndtr(-z) - sd * density)


def p_capped(mean: ArrayLike, sd: ArrayLike, cap: ArrayLike) -> FloatArray:
    """Probability that normal Y reaches the cap."""
    mean, sd, cap = (np.asarray(x, dtype=np.float64) for x in (mean, sd, cap))
    return np.asarray(special.ndtr((mean - cap) / sd))


def expected_below_cap(mean: ArrayLike, sd: ArrayLike, cap: ArrayLike) -> FloatArray:
    """Mean of normal Y given that it stays below the cap (truncation).

    Greene 2003, Econometric Analysis, section 22.2.
    """
    mean, sd, cap = (np.asarray(x, dtype=np.float64) for x in (mean, sd, cap))
    z = (cap - mean) / sd
    # Density over distribution function, in logs: exact far out where both underflow.
    mills = np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - special.log_ndtr(z))
    return np.asarray(mean - sd * mills)


def _difference(
    mean_a: ArrayLike, sd_a: ArrayLike, mean_b: ArrayLike, sd_b: ArrayLike, rho: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return both means and the standard deviation of A - B."""
    a, s, b, t, r = (np.asarray(x, dtype=np.float64) for x in (mean_a, sd_a, mean_b, sd_b, rho))
    return a, b, np.sqrt(np.maximum(s**2 + t**2 - 2 * r * s * t, 0.0))


def _standardised(gap: FloatArray, spread: FloatArray) -> FloatArray:
    """Divide gap by spread; without spread the larger side is certain, and a tie stays zero."""
    certain = np.where(gap == 0, 0.0, np.copysign(np.inf, gap))
    return np.where(spread > 0, gap / np.where(spread > 0, spread, 1.0), certain)
