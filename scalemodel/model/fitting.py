"""Fit: alternate between the mode of the parameters and the scales, then integrate over scales."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.inputs import CardSpecs, Observed, Reference, shape_of
from scalemodel.model.layout import Layout, make_layout
from scalemodel.model.likelihood import CellLikelihood, cell_model, linear_predictors
from scalemodel.model.mode import Mode, Prior, find_mode
from scalemodel.model.priors import Levels, make_groups
from scalemodel.model.scales import NOISE_NAMES, Scales, first_scales, update_scales

MOST_ROUNDS = 60
#: Largest change of a log scale, as a share of its posterior sd, at which rounds stop.
SCALE_TOLERANCE = 0.02


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    Attributes:
        theta: (draws, size) parameters.
        scales: (draws, scales) learned scales, in the order of `scale_names`.
        scale_names: their names.
    """

    theta: FloatArray
    scales: FloatArray
    scale_names: tuple[str, ...]

    def scale(self, name: str) -> FloatArray:
        """Return (draws,) draws of one scale."""
        column: FloatArray = self.scales[:, self.scale_names.index(name)]
        return column


@dataclass(frozen=True)
class ModelFit:
    """A fitted model.

    Attributes:
        layout, specs: what was fitted to which cards.
        observed: the cells it was fitted to.
        mode: parameters at the peak, at the best scales.
        scales: the best scales and their uncertainty.
        draws: joint draws over parameters and scales.
        status: "converged", or what did not converge.
        rounds: rounds of scale updates taken.
        log_marginal: log density of the data at the best scales (Laplace).
    """

    layout: Layout
    specs: CardSpecs
    observed: Observed
    theta: FloatArray
    scales: Scales
    draws: Draws
    status: str
    rounds: int
    log_marginal: float


@dataclass(frozen=True)
class Problem:
    """Everything a fit needs, prepared."""

    likelihood: CellLikelihood
    layout: Layout
    specs: CardSpecs
    block_of_row: IntArray
    start: FloatArray


def prepare(
    observed: Observed, specs: CardSpecs, game_of_scene: IntArray, *, ceiling: bool = True
) -> Problem:
    """Lay out the parameters for observed cells and find where to start from."""
    shape = shape_of(specs, observed.rows, game_of_scene, ceiling=ceiling)
    reference = Reference.of(specs)
    tops = _tops(observed, shape.platforms)
    levels = Levels(float(observed.log_rate.mean()), float(np.mean(list(tops.values()))))
    groups = make_groups(specs, shape, levels)
    layout = make_layout(shape, reference, specs.stages, groups)
    likelihood = CellLikelihood.of(observed, specs, layout)
    start = _start(likelihood, levels, tops)
    return Problem(
        likelihood, layout, specs, shape.game_of_scene[observed.rows.scene], start
    )


def _tops(observed: Observed, platforms: int) -> dict[int, float]:
    """Return the highest log rate of each scene x platform that has cells."""
    key = observed.rows.scene * platforms + observed.rows.platform
    return {int(k): float(observed.log_rate[key == k].max()) for k in np.unique(key)}


def _start(likelihood: CellLikelihood, levels: Levels, tops: dict[int, float]) -> FloatArray:
    """Start with ceilings a little above the highest rates and levels that fit on average."""
    layout, rows = likelihood.layout, likelihood.observed.rows
    theta = layout.prior_mean()
    shape = layout.shape
    if shape.has_ceiling:
        ceiling = theta[layout.position("ceiling")[0]]
        for game in range(shape.games):
            here = [v for k, v in tops.items() if shape.game_of_scene[k // shape.platforms] == game]
            if here:
                top = max(here) + 0.05 - ceiling
                theta[layout.position("game_ceiling")[game]] = top
    values = linear_predictors(likelihood.design, layout, theta)
    model = cell_model(likelihood.speeds, values, ceiling=False)
    excess = likelihood.observed.log_rate - model.log_rate
    for scene, where in enumerate(layout.position("level")):
        here = rows.scene == scene
        if here.any():
            theta[where] += np.quantile(excess[here], 0.6)
    return theta


def fit_model(problem: Problem, draws: int, seed: int, scale_points: int = 24) -> ModelFit:
    """Fit the model and draw from its posterior.

    Args:
        problem: from `prepare`.
        draws: number of joint draws, spread evenly over the scale points.
        seed: seed of the draws; the mode does not depend on it.
        scale_points: points of the scales' posterior at which the mode is found anew.
    """
    mode, scales, rounds, settled = climb(problem, first_scales(problem.layout))
    status = "converged"
    if not settled:
        status = f"scales not settled after {rounds} rounds"
    elif not mode.converged:
        status = f"mode not reached: one more step would gain {mode.decrement:.2g}"
    return ModelFit(
        layout=problem.layout,
        specs=problem.specs,
        observed=problem.likelihood.observed,
        theta=mode.theta,
        scales=scales,
        draws=_draw(problem, mode, scales, draws, seed, scale_points),
        status=status,
        rounds=rounds,
        log_marginal=mode.log_marginal(),
    )


def climb(problem: Problem, scales: Scales) -> tuple[Mode, Scales, int, bool]:
    """Alternate modes and scales until the scales settle."""
    theta = problem.start
    for rounds in range(1, MOST_ROUNDS + 1):
        prior = Prior.at(problem.layout, scales.values)
        steps = 25 if rounds == 1 else 3
        mode = find_mode(problem.likelihood, prior, scales.noise, theta, steps)
        updated = update_scales(problem.likelihood, mode, scales, problem.block_of_row)
        moved = max(
            abs(np.log(updated.values[n] / scales.values[n])) / updated.log_sd[n]
            for n in updated.values
        )
        theta, scales = mode.theta, updated
        if moved < SCALE_TOLERANCE:
            break
    prior = Prior.at(problem.layout, scales.values)
    mode = find_mode(problem.likelihood, prior, scales.noise, theta)
    return mode, scales, rounds, moved < SCALE_TOLERANCE


def _draw(
    problem: Problem, mode: Mode, scales: Scales, draws: int, seed: int, points: int
) -> Draws:
    """Draw scales around their best values, and parameters around the mode at each."""
    names = (*problem.layout.scales(), *NOISE_NAMES)
    best = np.log([scales.values[n] for n in names])
    spread = np.array([scales.log_sd[n] for n in names])
    uniform = qmc.Sobol(len(names), seed=seed).random(points)
    logs = best + spread * norm.ppf(np.clip(uniform, 1e-6, 1 - 1e-6))
    rng = np.random.default_rng(seed)
    counts = np.diff(np.linspace(0, draws, points + 1).astype(int))
    thetas, used = [], []
    for log_values, count in zip(logs, counts, strict=True):
        values = dict(zip(names, np.exp(log_values), strict=True))
        at = Scales(values, scales.log_sd)
        prior = Prior.at(problem.layout, values)
        there = find_mode(problem.likelihood, prior, at.noise, mode.theta, 6)
        normals = rng.standard_normal((problem.layout.size, int(count)))
        thetas.append((there.theta[:, None] + there.factors.sample(normals)).T)
        used.append(np.tile(np.exp(log_values), (int(count), 1)))
    return Draws(np.concatenate(thetas), np.concatenate(used), names)
