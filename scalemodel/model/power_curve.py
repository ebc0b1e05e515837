"""How a card's rate follows its power: a concave curve through results at several limits."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.equivalence import mean_difference
from scalemodel.model.propagation import propagate

FEWEST_LIMITS = 3
"""Different limits on a chart, the card's own included, that a curve needs."""


@dataclass(frozen=True)
class PowerCurve:
    """log rate = level of the chart + slope x + bend x^2, x the log of power over its own.

    Attributes:
        terms: (charts, 2) slope and bend of each chart. On average over the charts the bend is at
            most 0: the last watts bring least.
        covariance: (charts, 2, 2) of their errors.
        least: lowest x that was tested.
    """

    terms: FloatArray
    covariance: FloatArray
    least: float

    @property
    def mean(self) -> tuple[float, float]:
        """Slope and bend on average over the charts."""
        slope, bend = self.terms.mean(axis=0)
        return float(slope), float(bend)

    def bought_by(self, share: float, level: float) -> tuple[float, float, float]:
        """Return how much of the rate the last `share` of the power brings: lower, value, upper.

        The rate with all of the power over that with a part of it, less 1. The errors of the
        curve are carried through; with several charts the range is that of their mean if other
        charts like these had been tested.
        """
        x = np.log1p(-share)
        found = [
            propagate(lambda at: np.array([-(at[0] * x + at[1] * x**2)]), terms, covariance)
            for terms, covariance in zip(self.terms, self.covariance, strict=True)
        ]
        gains = np.array([float(one.value[0]) for one in found])
        errors = np.array([float(one.se[0]) for one in found])
        mean, se, dof = mean_difference(gains, errors)
        reach = float(student.ppf((1 + level) / 2, dof)) * se
        low, value, high = np.expm1([mean - reach, mean, mean + reach])
        return float(low), float(value), float(high)


def power_curve(
    log_rate: FloatArray, log_power: FloatArray, chart: IntArray, error: FloatArray
) -> PowerCurve:
    """Fit the curve of one card, chart by chart.

    Args:
        log_rate: (cells,) at one limit on one chart each.
        log_power: (cells,) log of the power drawn over that at the card's own limit.
        chart: (cells,) index from 0 without gaps.
        error: (cells,) standard errors of the log rates.

    Raises:
        ScalemodelError: no chart has FEWEST_LIMITS different powers.
    """
    bent = _fitted(log_rate, log_power, chart, error, 2)
    if bent.terms[:, 1].mean() > 0:
        return _fitted(log_rate, log_power, chart, error, 1)
    return bent


def _fitted(
    log_rate: FloatArray, log_power: FloatArray, chart: IntArray, error: FloatArray, powers: int
) -> PowerCurve:
    terms, inverses, squares, free = [], [], 0.0, 0
    for k in range(int(chart.max()) + 1):
        here = chart == k
        if len(np.unique(log_power[here])) < FEWEST_LIMITS:
            continue
        X = log_power[here][:, None] ** np.arange(powers + 1)
        inverse = np.linalg.inv(X.T @ X)
        at = inverse @ (X.T @ log_rate[here])
        squares += float(((log_rate[here] - X @ at) ** 2).sum())
        free += len(X) - X.shape[1]
        own, own_inverse = np.zeros(2), np.zeros((2, 2))
        own[:powers], own_inverse[:powers, :powers] = at[1:], inverse[1:, 1:]
        terms.append(own)
        inverses.append(own_inverse)
    if not terms:
        raise ScalemodelError(f"fewer than {FEWEST_LIMITS} limits on every chart")
    known = float(np.mean(error**2))
    variance = max(squares / free, known) if free else known
    return PowerCurve(np.array(terms), variance * np.array(inverses), float(log_power.min()))
