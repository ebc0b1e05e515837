"""Rate over power: what the last watts bring."""

import numpy as np
import pytest

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.power_curve import power_curve

LIMITS = np.log([1.0, 0.9, 0.8, 0.7, 0.6])


def board(x: FloatArray) -> FloatArray:
    """Return log rate of a board of which 30% of the power is still and the rest cubic in clock."""
    return np.asarray(np.log((np.exp(x) - 0.3) / 0.7) / 3)


def results(
    rng: np.random.Generator, charts: int, sd: float, spread: float = 0.0
) -> tuple[FloatArray, FloatArray, IntArray, FloatArray]:
    x = np.tile(LIMITS, charts)
    chart = np.repeat(np.arange(charts), len(LIMITS))
    follows = 0.8 * np.exp(spread * rng.standard_normal(charts))
    level = rng.normal(4, 1, charts)
    y = level[chart] + follows[chart] * board(x) + sd * rng.standard_normal(len(x))
    return y, x, chart, np.full(len(x), sd)


def test_what_the_last_tenth_of_the_power_brings() -> None:
    found = power_curve(*results(np.random.default_rng(1), 3, 1e-6))
    truth = np.expm1(-0.8 * board(np.log(np.array(0.9))))
    low, value, high = found.bought_by(0.1, 0.8)
    # A parabola through a cubic board from 60% on errs by less than 0.15% of the rate.
    assert value == pytest.approx(truth, abs=1.5e-3)
    assert low < value < high
    assert found.mean[1] < 0
    assert found.bought_by(0.05, 0.8)[1] < value / 2  # concave: the last watts bring least


@pytest.mark.parametrize(("charts", "spread"), [(1, 0.0), (4, 0.15)])
def test_ranges_hold_the_truth(charts: int, spread: float) -> None:
    # 600 trials: 3 sds of a share of 0.8 are 0.05. The truth is that of the fitted parabola's
    # family, so that only errors are judged here; with several charts they differ in truth too.
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(600):
        x = np.tile(LIMITS, charts)
        chart = np.repeat(np.arange(charts), len(LIMITS))
        slope = 0.4 * np.exp(spread * rng.standard_normal(charts))[chart]
        y = slope * x - 0.12 * x**2 + 0.004 * rng.standard_normal(len(x))
        low, _, high = power_curve(y, x, chart, np.full(len(x), 0.004)).bought_by(0.1, 0.8)
        truth = np.expm1(-(0.4 * np.exp(spread**2 / 2) * np.log(0.9) - 0.12 * np.log(0.9) ** 2))
        held += low <= truth <= high
    assert 0.74 <= held / 600 <= 0.9  # the larger of two errors counts, so rather too wide


def test_a_curve_is_never_convex() -> None:
    y = 0.4 * LIMITS + 0.3 * LIMITS**2
    found = power_curve(y, LIMITS, np.zeros(5, dtype=np.intp), np.full(5, 0.01))
    assert found.mean[1] == 0
    assert found.mean[0] > 0


def test_two_limits_make_no_curve() -> None:
    two = np.array([0.0, -0.1])
    with pytest.raises(ScalemodelError, match=r"^fewer than 3 limits on every chart$"):
        power_curve(two, two, np.zeros(2, dtype=np.intp), np.full(2, 0.01))
