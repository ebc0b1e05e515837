"""Uncertainty carried from readings to results: the Guide's examples, and Fieller's ratio."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from scalemodel.model import ratio as ratio_module
from scalemodel.model.arrays import FloatArray
from scalemodel.model.propagation import propagate, rectangular
from scalemodel.model.ratio import correlation_within, ratio_interval
from scalemodel.model.two_way import two_way

# JCGM 100:2008, H.2, table H.2: five simultaneous readings of voltage (V), current (mA) and phase.
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance(x: FloatArray) -> FloatArray:
    """Return resistance, reactance and impedance, in ohms."""
    whole = x[0] / x[1]
    return np.array([whole * np.cos(x[2]), whole * np.sin(x[2]), whole])


def readings(*, correlated: bool) -> tuple[FloatArray, FloatArray]:
    """Return the means and the covariance of their errors."""
    every = np.stack([VOLTS, AMPERES, PHASE])
    covariance = np.cov(every) / every.shape[1]
    return every.mean(axis=1), covariance if correlated else np.diag(np.diag(covariance))


def test_simultaneous_readings_with_their_correlations() -> None:
    """JCGM 100:2008, H.2, table H.4 (as other packages' tests restate it): 1e-3."""
    found = propagate(impedance, *readings(correlated=True))
    assert_allclose(found.value, [127.732, 219.847, 254.260], atol=1e-3)
    assert_allclose(found.se, [0.071, 0.295, 0.236], atol=1e-3)


def test_without_the_correlations_the_errors_would_be_wrong() -> None:
    """Recomputed from the same readings: what an analysis that drops them would state."""
    found = propagate(impedance, *readings(correlated=False))
    assert_allclose(found.se, [0.195, 0.201, 0.204], atol=1e-3)


def test_correlations_of_simultaneous_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    """JCGM 100:2008, H.2, table H.2 prints -0.36, 0.86 and -0.65 (recalled from memory)."""
    monkeypatch.setattr(ratio_module, "FEWEST_PAIRS", 4)  # the example has five readings
    one = np.zeros(5, dtype=np.intp)
    pairs = ((VOLTS, AMPERES), (VOLTS, PHASE), (AMPERES, PHASE))
    found = [correlation_within(a, b, one) for a, b in pairs]
    assert_allclose(found, [-0.36, 0.86, -0.65], atol=5e-3)


def test_a_sum_of_four_rectangular_errors_is_narrower_than_normal() -> None:
    """JCGM 101:2008, 9.2.3: 95% of the sum lie within 3.88, not 3.92 as normal theory has it."""
    draws = rectangular(np.random.default_rng(0), np.sqrt(3), (1_000_000, 4)).sum(axis=1)
    assert draws.std() == pytest.approx(2.0, abs=0.005)
    assert_allclose(np.quantile(draws, [0.025, 0.975]), [-3.88, 3.88], atol=0.02)


def test_a_sum_in_which_one_rectangular_error_prevails() -> None:
    """JCGM 101:2008, 9.2.4 (recalled from memory): u 10.15 and 17.0, not 19.9."""
    rng = np.random.default_rng(1)
    draws = rectangular(rng, np.sqrt(3), (1_000_000, 3)).sum(axis=1)
    draws += rectangular(rng, 10 * np.sqrt(3), (1_000_000,))
    assert draws.std() == pytest.approx(10.15, abs=0.02)
    assert_allclose(np.quantile(draws, [0.025, 0.975]), [-17.0, 17.0], atol=0.06)


def test_the_range_of_a_ratio() -> None:
    """Fieller 1954, JRSS B 16: 120 +- 3 over 100 +- 2, worked with 1.96 for the normal quantile.

    The delta method would be symmetric around 1.2: 1.124699 to 1.275301.
    """
    level = float(norm.cdf(1.96) - norm.cdf(-1.96))
    low, high = ratio_interval(120.0, 100.0, (9.0, 4.0), 0.0, level)
    assert_allclose((low, high), (1.126466, 1.277228), atol=1e-6)
    assert 1.2 - low < high - 1.2


def test_efficiency_is_a_ratio_of_geometric_means_whatever_is_the_base() -> None:
    """Fleming & Wallace 1986, CACM 29(3), for the layout of cards and charts that `power` uses.

    Rates 100 and 200, power 50 and 400 W: neither the mean of the ratios (1.25) nor the ratio of
    the sums (0.667) but 1. Counting one chart in other units changes all cards alike.
    """
    log_rate, log_power = np.log([100.0, 200.0, 80.0, 160.0]), np.log([50.0, 400.0, 40.0, 80.0])
    card, chart = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
    none = np.zeros(4)
    rate, power, both = (
        two_way(v, card, chart, none, chart).location
        for v in (log_rate, log_power, log_rate - log_power)
    )
    assert_allclose(np.exp(both), [1.0, 2.0], atol=1e-12)
    assert_allclose(np.exp(both), np.exp(rate - power), rtol=1e-12)
    shifted = log_rate - log_power + np.log(7.0) * (chart == 1)
    moved = two_way(shifted, card, chart, none, chart).location
    assert_allclose(moved[1] - moved[0], both[1] - both[0], atol=1e-12)
