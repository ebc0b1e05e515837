"""The prior's density against scipy's, and the mode: no gradient left, nothing higher nearby."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from scalemodel.model.mode import TOLERANCE, Mode, Prior, find_mode
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import Scales, first_scales
from tests.model.random_cells import random_problem, random_theta, start_of


def setup(seed: int, *, ceiling: bool = True) -> tuple[FitProblem, Scales, Prior]:
    problem = random_problem(seed, ceiling=ceiling)
    scales = first_scales(problem.layout)
    return problem, scales, Prior.at(problem.layout, scales.values)


@pytest.mark.parametrize("seed", [0, 1])
def test_prior_density_is_that_of_the_multivariate_normal(seed: int) -> None:
    problem, scales, prior = setup(seed)
    rng = np.random.default_rng(seed)
    other = {name: value * rng.uniform(0.5, 2.0) for name, value in scales.values.items()}
    for values, at in ((scales.values, prior), (other, Prior.at(problem.layout, other))):
        covariance = np.zeros((problem.layout.size, problem.layout.size))
        groups = zip(problem.layout.groups, problem.layout.positions, strict=True)
        for group, where in groups:
            sd = values[group.scale] if isinstance(group.scale, str) else group.scale
            shape = np.eye(len(where))
            if group.precision is not None:
                shape = np.linalg.inv(group.precision)
            covariance[np.ix_(where, where)] = sd**2 * shape
        theta = problem.layout.prior_mean() + 0.1 * rng.standard_normal(problem.layout.size)
        expected = multivariate_normal.logpdf(theta, problem.layout.prior_mean(), covariance)
        constant = -0.5 * problem.layout.size * np.log(2 * np.pi)
        assert at.log_density(theta) + constant == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("ceiling", [True, False])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_no_gradient_is_left_at_the_mode(seed: int, ceiling: bool) -> None:
    problem, scales, prior = setup(seed, ceiling=ceiling)
    mode = find_mode(problem.likelihood, prior, scales.noise, start_of(problem), 300)
    assert mode.decrement < TOLERANCE
    gradient = problem.likelihood.evaluate(mode.theta, scales.noise).gradient
    gradient = gradient - prior.precision @ (mode.theta - prior.mean)
    # With H the information, |g_k| / sqrt(H_kk) is at most sqrt(g' H^-1 g) (Cauchy-Schwarz), which
    # is the root of twice the decrement, if that was judged without damping.
    evaluation = problem.likelihood.evaluate(mode.theta, scales.noise)
    diagonal = evaluation.information.plus(prior.precision).diagonal()
    assert (np.abs(gradient) / np.sqrt(diagonal)).max() <= np.sqrt(2 * TOLERANCE)
    assert mode.decrement == pytest.approx(0.5 * gradient @ mode.factors.solve(gradient))


def test_nothing_nearby_is_higher() -> None:
    problem, scales, prior = setup(3)
    mode = find_mode(problem.likelihood, prior, scales.noise, start_of(problem), 300)
    normals = np.random.default_rng(0).standard_normal((problem.layout.size, 50))
    for step in mode.factors.sample(normals).T:
        for size in (0.05, 0.5):
            theta = mode.theta + size * step
            density = problem.likelihood.log_likelihood(theta, scales.noise)
            assert density + prior.log_density(theta) < mode.log_density


def test_steps_are_uphill_and_other_starts_end_there_too() -> None:
    problem, scales, prior = setup(4)

    def climb(start: np.ndarray, steps: int = 300) -> Mode:
        return find_mode(problem.likelihood, prior, scales.noise, start, steps)

    densities = [climb(start_of(problem), steps).log_density for steps in range(6)]
    assert (np.diff(densities) >= 0).all()
    best = climb(start_of(problem))
    near = climb(random_theta(problem, 1))
    assert near.log_density == pytest.approx(best.log_density, abs=1e-4)


def test_the_mode_says_when_it_was_not_reached() -> None:
    problem, scales, prior = setup(5)
    assert not find_mode(problem.likelihood, prior, scales.noise, start_of(problem), 0).converged


def test_laplace_needs_the_information_at_the_mode() -> None:
    problem, scales, prior = setup(6)
    mode = find_mode(problem.likelihood, prior, scales.noise, start_of(problem))
    evaluation = problem.likelihood.evaluate(mode.theta, scales.noise)
    hessian = evaluation.information.plus(prior.precision).toarray()
    expected = mode.log_density - 0.5 * np.linalg.slogdet(hessian)[1]
    assert mode.log_marginal() == pytest.approx(expected, rel=1e-10)
