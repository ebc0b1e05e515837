"""Scores of predictions against what was measured: smaller is better unless said otherwise.

Scores come one a prediction, so that they can be averaged over any group of cards or charts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from sklearn.metrics import roc_auc_score

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, read_only


@dataclass(frozen=True)
class Coverage:
    """How many of `total` truths lay inside their ranges, and what that says about the share.

    `lower` and `upper` bound the share by an exact binomial interval (Clopper & Pearson 1934,
    Biometrika 26) at `confidence`. It takes the truths as independent: those of one card are
    not quite, so it is a little too narrow.
    """

    inside: int
    total: int
    share: float
    lower: float
    upper: float
    confidence: float


@dataclass(frozen=True)
class CalibrationCurve:
    """Stated probability against what happened, one entry a non-empty bin of equal width.

    `stated` is the mean stated probability, `happened` the share of events, `count` the number
    of statements, `lower` and `upper` the exact 95% binomial interval of `happened`.
    """

    stated: FloatArray
    happened: FloatArray
    count: FloatArray
    lower: FloatArray
    upper: FloatArray


def crps_ensemble(draws: ArrayLike, observed: ArrayLike) -> FloatArray:
    """Continuous ranked probability score of draws taken as the whole prediction.

    `draws` has shape (n_draws, ...) and `observed` the shape of the rest. This is the plain
    score, mean |x - y| - mean |x - x'| / 2 with all n^2 pairs (Gneiting & Raftery 2007, JASA
    102, equation 21); the "fair" one divides the pairs by n (n - 1).
    """
    x = np.sort(np.asarray(draws, dtype=np.float64), axis=0)
    n = x.shape[0]
    distance = np.mean(np.abs(x - np.asarray(observed, dtype=np.float64)), axis=0)
    weights = 2 * np.arange(1, n + 1) - n - 1  # a sorted value's share in the sum over pairs
    return np.asarray(distance - np.tensordot(weights, x, axes=1) / n**2)


def interval_score(
    lower: ArrayLike, upper: ArrayLike, observed: ArrayLike, level: float
) -> FloatArray:
    """Width of a central range plus 2 / (1 - level) times the distance by which it missed.

    Gneiting & Raftery 2007, JASA 102, equation 43. `level` is the probability the range claims.
    """
    if not 0 < level < 1:
        raise ScalemodelError(f"level must lie between 0 and 1, got {level}")
    low, high, y = (np.asarray(x, dtype=np.float64) for x in (lower, upper, observed))
    miss = np.maximum(low - y, 0.0) + np.maximum(y - high, 0.0)
    return np.asarray(high - low + 2 / (1 - level) * miss)


def brier(probability: ArrayLike, outcome: ArrayLike) -> FloatArray:
    """Squared distance of each stated probability from what happened (0 or 1).

    Brier 1950, Monthly Weather Review 78, in its two-category form without the factor two.
    """
    p, event = _statements(probability, outcome)
    return np.asarray((p - event) ** 2)


def auc(probability: ArrayLike, outcome: ArrayLike) -> float:
    """Chance that an event got a higher probability than a non-event; larger is better.

    NaN when there was no event or nothing but events: then there is no pair to compare.
    """
    p, event = _statements(probability, outcome)
    if event.size == 0 or event.min() == event.max():
        return float("nan")
    return float(roc_auc_score(event, p))


def coverage(
    lower: ArrayLike, upper: ArrayLike, observed: ArrayLike, confidence: float = 0.95
) -> Coverage:
    """Count the truths inside their ranges, ends included.

    Raises ScalemodelError when there is none to count.
    """
    low, high, y = np.broadcast_arrays(lower, upper, observed)
    if y.size == 0:
        raise ScalemodelError("coverage needs at least one range with its truth")
    inside = int(np.sum((low <= y) & (y <= high)))
    ends = stats.binomtest(inside, y.size).proportion_ci(confidence, method="exact")
    return Coverage(inside, y.size, inside / y.size, ends.low, ends.high, confidence)


def calibration_curve(
    probability: ArrayLike, outcome: ArrayLike, bins: int = 10
) -> CalibrationCurve:
    """Group stated probabilities into `bins` of equal width and compare with what happened."""
    p, event = _statements(probability, outcome)
    index = np.minimum((p * bins).astype(int), bins - 1)
    rows = []
    for b in np.unique(index):
        member = index == b
        count, events = int(member.sum()), int(event[member].sum())
        ends = stats.binomtest(events, count).proportion_ci(0.95, method="exact")
        rows.append((p[member].mean(), events / count, count, ends.low, ends.high))
    columns = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    return CalibrationCurve(*(read_only(column) for column in columns))


def uniformity(ranks: ArrayLike, draws: int, bins: int) -> float:
    """Return the p value of Pearson's chi-square test that ranks of truths are uniform.

    A truth's rank is the number of draws below it, of `draws` from its posterior. Where truths come
    from the prior and the draws are right, each of the draws + 1 ranks is equally likely (Talts et
    al. 2018, arXiv:1804.06788, theorem 1). Too narrow draws leave too many truths at both ends.

    Raises ScalemodelError when `bins` do not divide the ranks evenly, or a rank is impossible.
    """
    x = np.asarray(ranks).ravel()
    if bins < 2 or (draws + 1) % bins:
        raise ScalemodelError(f"{draws + 1} ranks do not go evenly into {bins} bins")
    if x.size == 0 or not np.all((x >= 0) & (x <= draws) & (x == np.floor(x))):
        raise ScalemodelError(f"ranks among {draws} draws must be whole numbers from 0 to {draws}")
    counts = np.bincount(x.astype(np.intp) * bins // (draws + 1), minlength=bins)
    return float(stats.chisquare(counts).pvalue)


def _statements(probability: ArrayLike, outcome: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return both as flat arrays of equal length, checked."""
    p = np.asarray(probability, dtype=np.float64).ravel()
    event = np.asarray(outcome, dtype=np.float64).ravel()
    if p.shape != event.shape:
        raise ScalemodelError(f"{p.size} probabilities for {event.size} outcomes")
    if not np.all((p >= 0) & (p <= 1)):
        raise ScalemodelError("a probability must lie between 0 and 1")
    if not np.all((event == 0) | (event == 1)):
        raise ScalemodelError("an outcome must be 0 or 1")
    return p, event
