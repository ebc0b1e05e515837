"""Simulation-based calibration of draws around a mode, where the posterior is known.

Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788: among draws from its posterior
a truth drawn from the prior has each rank equally often (their theorem 1).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.layout import Group
from scalemodel.model.likelihood import Noise
from scalemodel.model.mode import Prior, find_mode
from scalemodel.model.scores import uniformity
from tests.published.linear_cells import NORMAL, TINY, linear_problem

REPEATS, DRAWS, BINS = 4000, 99, 20


@pytest.fixture(scope="module")
def posterior() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return truths (repeats,), the modes around their data, and draws (repeats, draws) less these.

    Truths are normal with sd 1, each seen once with an error of sd 1. Every repeat is a scene of
    its own, all in one fit; what scenes share is known to be zero.
    """
    rng = np.random.default_rng(0)
    truth = rng.standard_normal(REPEATS)
    y = truth + rng.standard_normal(REPEATS)
    groups = (Group("mean", "offset", "scene", 0.0, 1.0), Group("zero", "offset", "one", 0.0, TINY))
    problem = linear_problem(y, np.arange(REPEATS), groups, {}, run_variance=1.0)
    prior = Prior.at(problem.layout, {})
    noise = Noise(gpu=TINY, cell=TINY, tail=NORMAL)
    mode = find_mode(problem.likelihood, prior, noise, problem.starts[0])
    where = problem.layout.position("mean")
    # The posterior is normal around y / 2 with variance 1 / 2 (theorem).
    assert_allclose(mode.theta[where], y / 2, atol=1e-6)
    assert_allclose(mode.factors.variances()[where], 0.5, rtol=1e-6)
    away = mode.factors.sample(rng.standard_normal((problem.layout.size, DRAWS)))
    return truth, mode.theta[where], away[where]


def ranks(truth: FloatArray, draws: FloatArray) -> IntArray:
    return np.sum(draws < truth[:, None], axis=1)


def histogram(found: IntArray) -> IntArray:
    return np.bincount(found * BINS // (DRAWS + 1), minlength=BINS)


def test_ranks_among_exact_draws_are_uniform(
    posterior: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    truth, center, away = posterior
    assert uniformity(ranks(truth, center[:, None] + away), DRAWS, BINS) > 0.001


def test_draws_too_narrow_leave_truths_at_both_ends(
    posterior: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    truth, center, away = posterior
    found = ranks(truth, center[:, None] + 0.7 * away)
    assert uniformity(found, DRAWS, BINS) < 1e-50
    counts = histogram(found)
    assert min(counts[0], counts[-1]) > 1.5 * counts[BINS // 4 : -BINS // 4].max()


def test_draws_too_high_leave_truths_at_the_low_end(
    posterior: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    truth, center, away = posterior
    found = ranks(truth, 0.2 + center[:, None] + away)
    assert uniformity(found, DRAWS, BINS) < 1e-20
    quarters = histogram(found).reshape(4, -1).sum(axis=1)
    assert np.all(np.diff(quarters) < 0)
