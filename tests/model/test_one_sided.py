"""Ceilings that no card comes near: what is drawn of them is what the data and the prior say."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import halfnorm, ks_1samp, norm, truncnorm

from scalemodel.model.climbing import Climbed, climb
from scalemodel.model.inputs import shape_of
from scalemodel.model.likelihood import linear_predictors
from scalemodel.model.one_sided import REACH, _draw_on_grid, _grid, _one_sided
from scalemodel.model.posterior import draw_posterior
from scalemodel.model.problem import FitProblem, prepare
from scalemodel.model.settings import FitSettings
from tests.model.random_cells import GAME_OF_SCENE, random_observed, random_specs, random_theta

FAR_GAME = 2


def problem(far: float) -> FitProblem:
    """Prepare cells of which the last game's ceiling lies `far` above its fastest card."""
    rng = np.random.default_rng(8)
    specs, observed = random_specs(rng), random_observed(rng)
    shape = shape_of(specs, observed.rows, GAME_OF_SCENE, ceiling=True)
    rough = prepare(observed, specs, shape)
    theta = random_theta(rough, 3)
    own = np.flatnonzero(GAME_OF_SCENE[observed.rows.scene] == FAR_GAME)
    theta[rough.layout.position("game_ceiling")[FAR_GAME]] += far
    model = rough.likelihood.model(theta)
    assert (model.sensitivity[own].min() > 0.9) == (far > 0.5)
    log_rate = model.log_rate + 0.004 * rng.standard_normal(len(model.log_rate))
    return prepare(replace(observed, log_rate=log_rate), specs, shape)


@pytest.fixture(scope="module")
def far() -> tuple[FitProblem, Climbed]:
    prepared = problem(1.5)
    return prepared, climb(prepared)


def test_draws_on_a_grid_follow_the_density() -> None:
    one, two = np.random.default_rng(0).random((2, 4000))
    steps = np.broadcast_to(np.linspace(-6.0, 6.0, 400), (4000, 400))
    above = np.where(steps > 0, -0.5 * steps**2, -1e6)
    assert ks_1samp(_draw_on_grid(above, steps, one), halfnorm.cdf).pvalue > 0.01
    drawn = _draw_on_grid(-0.5 * steps**2, steps, two)
    assert ks_1samp(drawn, truncnorm(-6, 6).cdf).pvalue > 0.01


def test_the_grid_reaches_both_ways_and_is_close_in_the_middle() -> None:
    grid = _grid()
    assert grid[0] == -REACH
    assert grid[-1] == REACH
    assert (np.diff(grid) > 0).all()
    assert np.diff(grid).min() < 0.1


def test_only_ceilings_that_no_card_comes_near_are_drawn_anew(
    far: tuple[FitProblem, Climbed],
) -> None:
    prepared, climbed = far
    found = _one_sided(prepared, climbed.mode)
    games = [e.at for e in found if e.group.name == "game_ceiling"]
    assert games == [prepared.layout.position("game_ceiling")[FAR_GAME]]
    for effect in found:
        scenes = prepared.likelihood.observed.rows.scene[effect.cells]
        assert (GAME_OF_SCENE[scenes] == FAR_GAME).all()


def test_such_a_ceiling_reaches_far_up_and_not_far_down(far: tuple[FitProblem, Climbed]) -> None:
    prepared, climbed = far
    draws = draw_posterior(prepared, climbed, FitSettings())
    at = prepared.layout.position("game_ceiling")[FAR_GAME]
    observed = prepared.likelihood.observed
    own = np.flatnonzero(GAME_OF_SCENE[observed.rows.scene] == FAR_GAME)
    values = linear_predictors(prepared.likelihood.design.take(own), prepared.layout, draws.theta)
    ceiling = values[prepared.layout.predictors.index("ceiling")]
    assert (ceiling < observed.log_rate[own]).mean() < 0.001
    # The prior, with sd .5, goes on upwards; downwards the fastest card's rate forbids it.
    lower, middle, upper = np.quantile(ceiling[:, 0], [0.1, 0.5, 0.9])
    assert upper - middle > middle - lower
    sd = np.sqrt(climbed.mode.factors.variances()[at])
    fastest = observed.log_rate[own].max() - ceiling.mean(axis=0).max()
    assert norm.cdf(fastest, scale=sd) > 0.001  # what a normal posterior would have there
    again = draw_posterior(prepared, climbed, FitSettings())
    np.testing.assert_array_equal(draws.theta, again.theta)
