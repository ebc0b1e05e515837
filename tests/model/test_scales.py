"""Slopes by the scales: against differences of the densities they are slopes of."""

from dataclasses import replace

import numpy as np
import pytest

from scalemodel.model.layout import NOISE_NAMES, Group, ScalePrior
from scalemodel.model.likelihood import Noise
from scalemodel.model.mode import Prior, find_mode
from scalemodel.model.scales import (
    TAIL_BOUNDS,
    Residuals,
    Scales,
    first_scales,
    scale_slopes,
    update_scales,
)
from tests.model.random_cells import random_problem, random_theta, start_of
from tests.published.linear_cells import fixed, linear_problem

STEP = 1e-4


def residuals(seed: int) -> Residuals:
    rng = np.random.default_rng(seed)
    return Residuals(
        squared=(0.01 * rng.standard_t(4.0, (5, 60))) ** 2,
        run_variance=rng.uniform(0.0, 1e-4, 60),
        sensitivity=rng.uniform(0.0, 1.0, 60),
    )


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_derivatives_of_the_expected_log_density(seed: int) -> None:
    at = residuals(seed)
    logs = np.log([0.01, 0.004, 6.0])
    slopes = at.expected(Noise(*np.exp(logs)))[1]
    for k in range(3):
        shift = STEP * np.eye(3)[k]
        up = at.expected(Noise(*np.exp(logs + shift)))[0]
        down = at.expected(Noise(*np.exp(logs - shift)))[0]
        assert slopes[k] == pytest.approx((up - down) / (2 * STEP), rel=1e-5, abs=1e-6)


def test_where_nothing_is_uncertain_the_expected_density_is_the_density() -> None:
    problem = random_problem(1)
    scales = first_scales(problem.layout)
    prior = Prior.at(problem.layout, scales.values)
    mode = find_mode(problem.likelihood, prior, scales.noise, start_of(problem))
    around = Residuals.at(problem.likelihood, mode)
    middle = replace(around, squared=around.squared[2:3].repeat(5, axis=0))
    expected = problem.likelihood.log_likelihood(mode.theta, scales.noise)
    assert middle.expected(scales.noise)[0] == pytest.approx(expected, rel=1e-9)


def test_slopes_are_those_of_the_marginal_density_where_it_is_known_exactly() -> None:
    # Cells linear in the parameters with normal errors: Laplace's approximation is exact.
    rng = np.random.default_rng(0)
    unit = np.repeat(np.arange(8), 5)
    y = 1.0 + 0.7 * rng.standard_normal(8)[unit] + 0.3 * rng.standard_normal(40)
    groups = (fixed("mean"), Group("unit", "offset", "card", 0.0, "unit"))
    priors = {"unit": ScalePrior(0.5, 0.8), "noise": ScalePrior(0.4, 0.8)}
    problem = linear_problem(y, unit, groups, priors)
    scales = first_scales(problem.layout).moved({"unit": 0.3, "noise": -0.2})

    def density(at: Scales) -> float:
        prior = Prior.at(problem.layout, at.values)
        mode = find_mode(problem.likelihood, prior, at.noise, problem.starts[0])
        away = [
            (np.log(at.values[n] / p.median) / p.log_sd) ** 2
            for n, p in problem.layout.scale_priors.items()
            if p.log_sd > 0
        ]
        return mode.log_marginal() - 0.5 * sum(away)

    prior = Prior.at(problem.layout, scales.values)
    mode = find_mode(problem.likelihood, prior, scales.noise, problem.starts[0])
    slopes = dict(
        zip(
            problem.layout.scale_names(),
            scale_slopes(problem.likelihood, mode, scales),
            strict=True,
        )
    )
    for name in ("unit", "noise"):
        up, down = (density(scales.moved({name: step})) for step in (STEP, -STEP))
        assert slopes[name] == pytest.approx((up - down) / (2 * STEP), rel=1e-3), name
    assert slopes["tail"] == 0.0  # it is known


def test_updates_end_where_the_slopes_vanish() -> None:
    problem = random_problem(3)
    scales, theta = first_scales(problem.layout), random_theta(problem, 3)
    for _ in range(200):
        prior = Prior.at(problem.layout, scales.values)
        mode = find_mode(problem.likelihood, prior, scales.noise, theta)
        theta, scales = mode.theta, update_scales(problem.likelihood, mode, scales)
    slopes = scale_slopes(problem.likelihood, mode, scales)
    names = problem.layout.scale_names()
    for name, slope in zip(names, slopes, strict=True):
        if name != "tail" or scales.values["tail"] not in TAIL_BOUNDS:
            # In units of the prior's sd, of which the slope of a standard normal is one a unit.
            assert abs(slope) * problem.layout.scale_priors[name].log_sd < 0.02, name


def test_moved_scales_stay_within_bounds() -> None:
    scales = first_scales(random_problem(0).layout)
    far = scales.moved({"tail": 50.0, "card": 1.0})
    assert far.values["tail"] == TAIL_BOUNDS[1]
    assert far.values["card"] == pytest.approx(np.e * scales.values["card"])
    for name in set(scales.values) - {"tail", "card"}:
        assert far.values[name] == scales.values[name]
    assert set(NOISE_NAMES) <= set(scales.values)


def test_a_scale_is_held_at_its_bound_only_if_it_is_pushed_out() -> None:
    scales = first_scales(random_problem(0).layout)
    lowest = scales.moved({"tail": -50.0})
    slopes = dict.fromkeys(scales.values, -1.0)
    assert lowest.held(slopes) == {"tail"}
    assert lowest.held({**slopes, "tail": 1.0}) == set()
    assert scales.held(slopes) == set()
    highest = scales.moved({"tail": 50.0})
    assert highest.held({**slopes, "tail": 1.0}) == {"tail"}
    assert highest.held(slopes) == set()
