"""Tests of being equal on simulated pairs: error rates at, within and beyond the margin."""

import numpy as np
import pytest
from scipy.stats import norm

from scalemodel.model import equivalence
from scalemodel.model.equivalence import ALPHA, chance_of_one_shift, mean_difference
from scalemodel.model.repeatability import precision, runs_needed

TRIALS, RUNS, SD, MARGIN = 4000, 4, 0.005, 0.02


def verdicts(true: float, seed: int) -> tuple[float, float]:
    """Return how often a difference is called equal, and different."""
    rng = np.random.default_rng(seed)
    a, b = SD * rng.standard_normal((2, TRIALS, RUNS))
    difference = true + a.mean(axis=1) - b.mean(axis=1)
    variance = (a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / RUNS
    found = [
        equivalence.tested(float(d), float(np.sqrt(v)), 2.0 * (RUNS - 1), MARGIN)
        for d, v in zip(difference, variance, strict=True)
    ]
    equal = np.mean([one.p_equal < ALPHA for one in found])
    different = np.mean([one.p_different < ALPHA for one in found])
    return float(equal), float(different)


def test_equal_is_said_wrongly_once_in_twenty_times_at_the_margin() -> None:
    for sign in (-1, 1):
        equal, _ = verdicts(sign * MARGIN, seed=2 + sign)
        assert equal == pytest.approx(ALPHA, abs=0.014)  # four standard errors of the trials


def test_beyond_the_margin_it_is_hardly_said() -> None:
    equal, different = verdicts(1.3 * MARGIN, seed=5)
    assert equal < 0.005
    assert different > 0.99


def test_two_that_are_the_same_are_found_so() -> None:
    equal, different = verdicts(0.0, seed=6)
    assert equal > 0.95
    assert different == pytest.approx(ALPHA, abs=0.014)


def test_a_wide_error_leaves_it_open() -> None:
    found = equivalence.tested(0.001, 0.03, 10.0, MARGIN)
    assert found.p_equal > ALPHA
    assert found.p_different > ALPHA
    low, high = found.range(0.8)
    assert low < -MARGIN < MARGIN < high


def test_the_range_at_90_percent_lies_within_the_margin_just_when_equal_at_5() -> None:
    # Schuirmann 1987: two one-sided tests at 5% are the 90% range within the margins.
    for difference in np.linspace(0.0, 0.03, 61):
        found = equivalence.tested(float(difference), 0.004, 7.0, MARGIN)
        assert (found.p_equal < ALPHA) == (max(map(abs, found.range(0.9))) < MARGIN)


def test_means_of_differences_are_no_surer_than_their_errors() -> None:
    mean, se, dof = mean_difference(np.array([0.01, 0.01]), np.array([0.003, 0.004]))
    assert (mean, dof) == (pytest.approx(0.01), 1.0)
    assert se == pytest.approx(0.0025)
    mean, se, dof = mean_difference(np.array([0.0, 0.1]), np.array([0.003, 0.004]))
    assert se == pytest.approx(0.05)


def test_the_chance_that_shifts_are_one() -> None:
    rng = np.random.default_rng(9)
    ses = rng.uniform(0.002, 0.006, (TRIALS, 6))
    shifts = 0.03 + ses * rng.standard_normal((TRIALS, 6))
    chances = np.array([chance_of_one_shift(d, s) for d, s in zip(shifts, ses, strict=True)])
    assert (chances < ALPHA).mean() == pytest.approx(ALPHA, abs=0.014)
    shifts[:, 0] += 0.04
    chances = np.array([chance_of_one_shift(d, s) for d, s in zip(shifts, ses, strict=True)])
    assert (chances < ALPHA).mean() > 0.95


def test_runs_needed_have_the_power_they_promise() -> None:
    runs = int(np.ceil(runs_needed(MARGIN, 0.01)))
    rng = np.random.default_rng(12)
    a, b = 0.01 * rng.standard_normal((2, 20000, runs))
    se = np.sqrt((a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / runs)
    difference = MARGIN + a.mean(axis=1) - b.mean(axis=1)
    seen = [
        equivalence.tested(float(d), float(s), 2.0 * (runs - 1), MARGIN).p_different < ALPHA
        for d, s in zip(difference[:4000], se[:4000], strict=True)
    ]
    assert 0.78 < np.mean(seen) < 0.9  # at least 80%; rounding up adds at most one run
    fewer = norm.ppf(0.975) + norm.ppf(0.8)
    assert runs > 2 * (fewer * 0.01 / MARGIN) ** 2  # the normal law would promise too few


def test_runs_needed_at_the_ends() -> None:
    assert runs_needed(0.02, 0.0) < 2
    assert runs_needed(0.02, 0.005, s_session=0.05) == np.inf


def test_spread_of_unequal_sessions() -> None:
    # Simulated with known truth: 0.005 within and 0.01 between sessions of one to four runs.
    rng = np.random.default_rng(4)
    sizes = rng.integers(1, 5, 3000)
    session = np.repeat(np.arange(3000), sizes)
    cell = session // 3
    values = 0.01 * rng.standard_normal(3000)[session] + 0.005 * rng.standard_normal(len(session))
    found = precision(values + cell, cell, session)
    assert found.s_r == pytest.approx(0.005, rel=0.05)
    assert found.s_session == pytest.approx(0.01, rel=0.06)
    assert found.s_R == pytest.approx(np.hypot(0.005, 0.01), rel=0.05)
    assert found.p_session < 1e-9
    low, high = found.repeatability_range(0.95)
    assert low < 0.005 < high
