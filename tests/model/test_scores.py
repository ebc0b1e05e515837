import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, stats

from scalemodel.errors import ScalemodelError
from scalemodel.model.scores import (
    auc,
    brier,
    calibration_curve,
    coverage,
    crps_ensemble,
    interval_score,
    uniformity,
)


@settings(derandomize=True, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=1, max_size=12), st.floats(-100, 100))
def test_crps_ensemble_is_the_double_sum(draws: list[float], y: float) -> None:
    x = np.array(draws)
    double = np.mean(np.abs(x - y)) - np.mean(np.abs(x[:, None] - x)) / 2
    assert_allclose(crps_ensemble(x, y), double, atol=1e-11)


def test_crps_ensemble_takes_many_predictions_at_once() -> None:
    draws = np.random.default_rng(0).normal(size=(50, 3, 2))
    y = np.arange(6.0).reshape(3, 2)
    together = crps_ensemble(draws, y)
    assert together.shape == (3, 2)
    assert_allclose(together[2, 1], crps_ensemble(draws[:, 2, 1], 5.0), rtol=1e-12)


@pytest.mark.parametrize(("mean", "sd", "y"), [(4.0, 0.1, 4.05), (4.0, 0.3, 3.5), (0, 2, 5)])
def test_crps_ensemble_nears_the_integral(mean: float, sd: float, y: float) -> None:
    """Points at equal steps of probability near a law as 1 / n^2: 1e-7 of its sd here."""
    law = stats.norm(mean, sd)
    below = integrate.quad(lambda x: law.cdf(x) ** 2, mean - 12 * sd, y)[0]
    above = integrate.quad(lambda x: law.sf(x) ** 2, y, mean + 12 * sd)[0]
    draws = law.ppf((np.arange(4000) + 0.5) / 4000)
    assert_allclose(crps_ensemble(draws, y), below + above, atol=1e-6 * sd)


def test_interval_score_inside_is_the_width() -> None:
    assert_allclose(interval_score([1, 1], [3, 3], [1, 2], 0.8), [2, 2])
    assert_allclose(interval_score(1, 3, 0.5, 0.8), 2 + 10 * 0.5)
    with pytest.raises(ScalemodelError, match=r"level must lie between 0 and 1, got 80"):
        interval_score(1, 3, 2, 80)


def test_interval_score_rewards_the_true_quantiles() -> None:
    """Propriety: of central ranges of any width the stated one scores best on average."""
    y = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    widths = np.linspace(0.5, 3, 251)
    means = [interval_score(-w, w, y, 0.8).mean() for w in widths]
    assert_allclose(widths[np.argmin(means)], stats.norm.ppf(0.9), atol=0.011)


def test_coverage_counts_ends_as_inside() -> None:
    got = coverage([0, 0, 0, 0], [1, 1, 1, 1], [0.0, 1.0, 0.5, 1.1])
    assert (got.inside, got.total, got.share, got.confidence) == (3, 4, 0.75, 0.95)


def test_coverage_interval_is_the_exact_binomial_one() -> None:
    """Clopper & Pearson 1934: each end leaves 2.5% of a binomial law beyond the count."""
    got = coverage(np.zeros(40), np.ones(40), np.where(np.arange(40) < 30, 0.5, 2.0))
    assert_allclose(stats.binom.sf(29, 40, got.lower), 0.025, rtol=1e-8)
    assert_allclose(stats.binom.cdf(30, 40, got.upper), 0.025, rtol=1e-8)


def test_coverage_of_nothing_is_refused() -> None:
    with pytest.raises(ScalemodelError, match="at least one range"):
        coverage([], [], [])


def test_calibration_curve_groups_statements() -> None:
    curve = calibration_curve([0.05, 0.15, 0.15, 1.0, 0.92], [0, 1, 0, 1, 1])
    assert_allclose(curve.stated, [0.05, 0.15, 0.96])
    assert_allclose(curve.happened, [0, 0.5, 1])
    assert_allclose(curve.count, [1, 2, 2])
    assert_allclose(curve.lower[2], 0.025 ** (1 / 2))  # two of two: p^2 = 2.5%
    assert curve.upper[2] == 1


def test_calibration_curve_of_honest_statements_is_straight() -> None:
    rng = np.random.default_rng(8)
    p = rng.uniform(size=50_000)
    curve = calibration_curve(p, rng.uniform(size=p.size) < p)
    error = np.sqrt(curve.stated * (1 - curve.stated) / curve.count)
    assert np.all(np.abs(curve.happened - curve.stated) < 4 * error)
    assert curve.count.sum() == p.size


def test_calibration_curve_of_nothing_is_empty() -> None:
    assert calibration_curve([], []).stated.shape == (0,)


def test_auc_counts_pairs() -> None:
    p, event = np.array([0.1, 0.4, 0.4, 0.8, 0.9]), np.array([0, 0, 1, 1, 0])
    pairs = [(a > b) + 0.5 * (a == b) for a in p[event == 1] for b in p[event == 0]]
    assert_allclose(auc(p, event), np.mean(pairs))


def test_auc_without_a_pair_is_missing() -> None:
    assert np.isnan(auc([0.2, 0.4], [1, 1]))
    assert np.isnan(auc([], []))


def test_statements_are_checked() -> None:
    with pytest.raises(ScalemodelError, match="a probability must lie between 0 and 1"):
        brier([1.2], [1])
    with pytest.raises(ScalemodelError, match="an outcome must be 0 or 1"):
        brier([0.2], [0.5])
    with pytest.raises(ScalemodelError, match="2 probabilities for 1 outcomes"):
        auc([0.2, 0.4], [1])


def test_uniformity_is_pearsons_test_of_binned_ranks() -> None:
    """Ten ranks of 20 in four bins, 2.5 expected in each, 3 degrees of freedom."""
    ranks = [0, 1, 2, 3, 4, 5, 9, 14, 15, 16]
    chi_square = sum((count - 2.5) ** 2 / 2.5 for count in (5, 2, 1, 2))
    assert_allclose(uniformity(ranks, 19, 4), stats.chi2.sf(chi_square, df=3), rtol=1e-12)
    assert_allclose(uniformity(np.arange(20), 19, 4), 1.0)


def test_uniformity_of_uniform_ranks_is_uniform() -> None:
    rng = np.random.default_rng(0)
    p = [uniformity(rng.integers(0, 100, 2000), 99, 20) for _ in range(400)]
    assert stats.kstest(p, "uniform").pvalue > 0.001


def test_uniformity_refuses_ranks_it_cannot_bin() -> None:
    with pytest.raises(ScalemodelError, match=r"100 ranks do not go evenly into 30 bins"):
        uniformity([1, 2], 99, 30)
    for impossible in ([100], [-1], [1.5], []):
        with pytest.raises(ScalemodelError, match=r"whole numbers from 0 to 99"):
            uniformity(impossible, 99, 20)
