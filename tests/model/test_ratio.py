"""Ranges of ratios: they hold the truth as often as they say, and know when they cannot."""

import numpy as np
import pytest

from scalemodel.model.ratio import correlation_within, ratio_interval


@pytest.mark.parametrize("correlation", [0.0, 0.8])
def test_ranges_hold_the_truth_as_often_as_they_say(correlation: float) -> None:
    # Theorem: the pivot is exactly normal. 20 000 ratios: 3 sds of a share of 0.9 are 0.0064.
    rng = np.random.default_rng(3)
    sd = np.array([12.0, 9.0])
    covariance = np.outer(sd, sd) * np.array([[1, correlation], [correlation, 1]])
    a, b = rng.multivariate_normal([120.0, 60.0], covariance, 20_000).T
    low, high = ratio_interval(a, b, (sd[0] ** 2, sd[1] ** 2), covariance[0, 1], 0.9)
    assert np.mean((low < 2.0) & (high > 2.0)) == pytest.approx(0.9, abs=0.0064)


def test_with_errors_that_are_small_it_is_the_range_of_the_logs() -> None:
    # Theorem: to first order the error of the log of a ratio is what the two errors leave.
    low, high = ratio_interval(100.0, 50.0, (0.01, 0.0025), 0.004, 0.95)
    se = np.sqrt(0.01 / 100**2 + 0.0025 / 50**2 - 2 * 0.004 / (100 * 50))
    assert np.log(high / low) == pytest.approx(2 * 1.959964 * se, rel=1e-4)


def test_a_denominator_that_may_be_zero_has_no_ends_and_a_missing_error_none() -> None:
    low, high = ratio_interval([100.0, 100.0], [1.0, 50.0], (1.0, [4.0, np.nan]), 0.0, 0.95)
    assert (low[0], high[0]) == (-np.inf, np.inf)
    assert np.isnan(low[1])
    assert np.isnan(high[1])


def test_few_degrees_of_freedom_widen() -> None:
    wide = np.diff(ratio_interval(100.0, 50.0, (1.0, 1.0), 0.0, 0.8, dof=2))
    assert wide > np.diff(ratio_interval(100.0, 50.0, (1.0, 1.0), 0.0, 0.8))


def test_what_cells_differ_by_is_no_correlation() -> None:
    rng = np.random.default_rng(5)
    cell = np.repeat(np.arange(200), 3)
    level = np.repeat(10 * np.arange(200.0), 3)
    a, b = (level + rng.standard_normal(600) for _ in range(2))
    assert abs(correlation_within(a, b, cell)) < 0.15  # 3 sds of 400 degrees of freedom
    both = rng.standard_normal(600)
    assert correlation_within(level + both, -level + both, cell) == pytest.approx(1.0)


def test_few_runs_make_up_no_correlation() -> None:
    cell = np.repeat(np.arange(3), 2)
    x = np.arange(6.0)
    assert correlation_within(x, x**2, cell) == 0.0
    assert correlation_within(np.ones(40), np.arange(40.0), np.repeat(np.arange(20), 2)) == 0.0
