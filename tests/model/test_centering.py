"""From mode to mean: known means are found, slopes are derivatives, normal posteriors stay."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import digamma

from scalemodel.model.arrow import Arrow, ArrowMatrix, Places
from scalemodel.model.centering import (
    NormalPoint,
    Terms,
    _Straight,
    capped_step,
    leaning,
    shift_to_mean,
)
from scalemodel.model.climbing import Climbed, climb
from scalemodel.model.draws import PAIRED
from scalemodel.model.likelihood import as_predictors, linear_predictors
from scalemodel.model.linear import draw_gpu_side
from scalemodel.model.mode import Prior
from scalemodel.model.physics import gpu_side
from scalemodel.model.posterior import draw_posterior
from scalemodel.model.problem import FitProblem
from scalemodel.model.settings import FitSettings
from tests.model.random_cells import random_problem

SIZE, PAIRS = 60, 400


def diagonal(precision: float) -> Arrow:
    """Give the factors of a multiple of the identity, half of it in one block."""
    places = Places.of(np.array([0, SIZE // 2], dtype=np.intp), SIZE)
    half = precision * np.eye(SIZE // 2)
    return ArrowMatrix(places, half[None], 0.0 * half[None], half).factorise()


def pairs(factors: Arrow, seed: int) -> np.ndarray:
    """Give (size, draws) draws around zero on both sides of it."""
    half = factors.sample(np.random.default_rng(seed).standard_normal((SIZE, PAIRS)))
    return np.concatenate([half, -half], axis=1)


@pytest.mark.parametrize("count", [6, 20])
def test_the_known_mean_of_a_skewed_posterior_is_found(count: int) -> None:
    # The log of a Poisson rate, flat prior, `count` seen: its posterior is that of the log of a
    # gamma variable, with mode log(count) and mean digamma(count) (a theorem). Draws far out on the
    # steep side, where most of the skewness shows, are those cut: that may cost a fifth.
    factors = diagonal(count)
    theta = np.log(count) + pairs(factors, 0)
    step = capped_step(factors, count - np.exp(theta))
    truth = digamma(count) - np.log(count)
    assert step.mean() == pytest.approx(truth, rel=0.2)
    # Where the step leads, slopes of other draws all but cancel.
    other = np.log(count) + pairs(factors, 1)
    before, after = (count - np.exp(other + moved).mean() for moved in (0.0, step.mean()))
    assert abs(after) < 0.2 * abs(before)


def test_a_normal_posterior_is_not_moved() -> None:
    factors = diagonal(3.0)
    np.testing.assert_allclose(capped_step(factors, -3.0 * pairs(factors, 1)), 0.0, atol=1e-12)


def test_no_draw_counts_for_more_than_one_of_a_normal_posterior() -> None:
    factors = diagonal(3.0)
    slopes = np.zeros((SIZE, 10))
    slopes[:, 0] = 1e6
    step = capped_step(factors, slopes)
    assert np.sqrt(3.0 * step @ step) == pytest.approx(np.sqrt(SIZE) / 10)


@pytest.fixture(scope="module", params=[True, False], ids=["ceiling", "no ceiling"])
def climbed(request: pytest.FixtureRequest) -> tuple[FitProblem, Climbed]:
    problem = random_problem(5, ceiling=request.param)
    return problem, climb(problem)


def point_of(problem: FitProblem, at: Climbed, count: int, seed: int) -> NormalPoint:
    normals = np.random.default_rng(seed).standard_normal((problem.layout.size, count))
    half = at.mode.factors.sample(normals).T
    prior = Prior.at(problem.layout, at.scales.values)
    return NormalPoint(at.mode, prior, at.scales.noise, np.concatenate([half, -half]))


def straight_of(problem: FitProblem, point: NormalPoint) -> _Straight:
    return _Straight.at(problem.likelihood, Terms.of(problem.likelihood), point)


def test_slopes_are_those_of_the_posterior_in_the_straight_coordinates(
    climbed: tuple[FitProblem, Climbed],
) -> None:
    problem, at = climbed
    point = point_of(problem, at, 1, 0)
    straight = straight_of(problem, point)
    slopes = straight.slopes()[:, 0]

    def log_density(away: np.ndarray) -> float:
        there = straight_of(problem, replace(point, away=away[None]))
        taken = there.taken_back(there.remainder(np.zeros_like(away)))[:, 0]
        theta = point.mode.ahead + away - taken
        value = problem.likelihood.log_likelihood(theta, point.noise)
        return value + point.prior.log_density(theta)

    step = 1e-5
    for k in range(0, problem.layout.size, 5):
        beside = step * (np.arange(problem.layout.size) == k)
        difference = log_density(point.away[0] + beside) - log_density(point.away[0] - beside)
        close = 1e-4 * np.abs(slopes).max()
        assert difference / (2 * step) == pytest.approx(slopes[k], abs=close)


def test_a_draw_that_overflows_counts_for_nothing() -> None:
    problem = random_problem(5)
    point = point_of(problem, climb(problem), 4, 0)
    away = point.away.copy()
    away[0, problem.layout.position("hit")] = 400.0
    away[0, problem.layout.position("fill")] = 800.0
    terms = Terms.of(problem.likelihood)
    shift = shift_to_mean([leaning(problem.likelihood, terms, replace(point, away=away))])
    assert np.isfinite(shift).all()


def test_the_mean_of_the_rates_is_exact(climbed: tuple[FitProblem, Climbed]) -> None:
    problem, at = climbed
    draws = draw_posterior(problem, at, FitSettings())
    assert len(draws.paired) == PAIRED * FitSettings().scale_points
    likelihood, layout = problem.likelihood, problem.layout
    values = linear_predictors(likelihood.design, layout, draws.theta[draws.paired])
    speeds, design = likelihood.speeds, likelihood.design
    drawn = draw_gpu_side(layout, draws, speeds, design, values, draws.paired)
    exact = gpu_side(speeds, as_predictors(values, speeds.log_speed.shape[1])).log_rate
    np.testing.assert_allclose(drawn.mean(axis=0), exact.mean(axis=0), atol=1e-10)


def test_paired_draws_lie_on_both_sides(climbed: tuple[FitProblem, Climbed]) -> None:
    problem, at = climbed
    draws = draw_posterior(problem, at, FitSettings())
    shift = draws.theta[draws.paired].reshape(-1, PAIRED, problem.layout.size).mean(axis=1)
    shift -= draws.centers[: len(shift)]
    level = problem.layout.position("level")
    np.testing.assert_allclose(
        shift[:, level], np.broadcast_to(shift[0, level], (len(shift), len(level)))
    )
