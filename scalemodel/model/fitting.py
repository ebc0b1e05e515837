"""Fit: alternate between the mode of the parameters and the scales, then integrate over scales."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc
from threadpoolctl import threadpool_limits

from scalemodel.model.arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    read_only,
    read_only_mask,
)
from scalemodel.model.inputs import CardSpecs, Observed, Reference, Shape, shape_of
from scalemodel.model.layout import Layout, make_layout
from scalemodel.model.likelihood import CellLikelihood, cell_model, linear_predictors
from scalemodel.model.memory import Cliffs, find_cliffs
from scalemodel.model.mode import Mode, Prior, find_mode
from scalemodel.model.priors import SCALE_PRIORS, Levels, make_groups
from scalemodel.model.scales import Scales, first_scales, update_scales

MOST_ROUNDS = 60
MOST_CLIFF_PASSES = 4
FIRST_STEPS = 25
STEPS_BETWEEN_SCALES = 3
STEPS_AT_SCALE_POINT = 6
#: Expected gain in log density below which the next step is as good as the mode, and below which
#: two climbs can be compared.
NEAR, ROUGHLY = 1e-2, 0.1
#: Margin of ceilings over the highest rates, and quantile of the cells that levels are set to:
#: most cells GPU-bound, and most cells at the ceiling. The better mode is kept.
STARTS = ((0.05, 0.6), (0.0, 0.95))
#: Largest change of a log scale, as a share of its posterior sd, at which rounds stop.
SCALE_TOLERANCE = 0.02


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    Attributes:
        theta: (draws, size) parameters.
        centers: (points, size) the mode at each point of the scales' posterior.
        scales: (draws, scales) learned scales, in the order of `scale_names`.
        scale_names: their names.
    """

    theta: FloatArray
    centers: FloatArray
    scales: FloatArray
    scale_names: tuple[str, ...]

    @property
    def point(self) -> IntArray:
        """(draws,) the point of the scales' posterior that each draw was made at."""
        return np.repeat(np.arange(len(self.centers)), len(self.theta) // len(self.centers))

    def scale(self, name: str) -> FloatArray:
        """Return (draws,) draws of one scale."""
        column: FloatArray = self.scales[:, self.scale_names.index(name)]
        return column


@dataclass(frozen=True)
class ModelFit:
    """A fitted model.

    Attributes:
        layout, specs: what was fitted to which cards.
        kept: (cells,) mask of the cells the model was fitted to; the rest fell for lack of memory.
        needs_more_than_gb: (views,) memory found to be too little for the view; 0 where unknown.
        theta: parameters at the peak, at the best scales.
        scales: the best scales and their uncertainty.
        draws: joint draws over parameters and scales.
        status: "converged", or what did not converge.
        rounds: rounds of scale updates taken.
        log_marginal: log density of the data at the best scales (Laplace).
    """

    layout: Layout
    specs: CardSpecs
    kept: BoolArray
    needs_more_than_gb: FloatArray
    theta: FloatArray
    scales: Scales
    draws: Draws
    status: str
    rounds: int
    log_marginal: float


@dataclass(frozen=True)
class FitProblem:
    """Everything a fit needs, prepared."""

    likelihood: CellLikelihood
    layout: Layout
    starts: tuple[FloatArray, ...]


def prepare(
    observed: Observed, specs: CardSpecs, shape: Shape, levels: Levels | None = None
) -> FitProblem:
    """Lay out the parameters for observed cells and find where to start from.

    `levels` are where the priors expect rates to lie; without, where those observed lie.
    """
    tops = _tops(observed, shape.platforms)
    if levels is None:
        levels = Levels(float(observed.log_rate.mean()), float(np.mean(list(tops.values()))))
    groups = make_groups(specs, shape, levels)
    layout = make_layout(shape, Reference.of(specs), specs.stages, groups, SCALE_PRIORS)
    likelihood = CellLikelihood.of(observed, specs, layout)
    starts = tuple(_start(likelihood, tops, *choice) for choice in STARTS)
    return FitProblem(likelihood, layout, starts)


def _tops(observed: Observed, platforms: int) -> dict[int, float]:
    """Return the highest log rate of each scene x platform that has cells."""
    key = observed.rows.scene * platforms + observed.rows.platform
    return {int(k): float(observed.log_rate[key == k].max()) for k in np.unique(key)}


def _start(
    likelihood: CellLikelihood, tops: dict[int, float], margin: float, quantile: float
) -> FloatArray:
    """Start with ceilings a margin above the highest rates.

    GPU-side levels are set so that the given share of the cells lies below what they give.
    """
    layout, rows = likelihood.layout, likelihood.observed.rows
    theta = layout.prior_mean()
    shape = layout.shape
    if shape.has_ceiling:
        ceiling = theta[layout.position("ceiling")[0]]
        for game in range(shape.games):
            here = [v for k, v in tops.items() if shape.game_of_scene[k // shape.platforms] == game]
            if here:
                top = max(here) + margin - ceiling
                theta[layout.position("game_ceiling")[game]] = top
    values = linear_predictors(likelihood.design, layout, theta)
    model = cell_model(likelihood.speeds, values, ceiling=False)
    excess = likelihood.observed.log_rate - model.log_rate
    for scene, where in enumerate(layout.position("level")):
        here = rows.scene == scene
        if here.any():
            theta[where] += np.quantile(excess[here], quantile)
    return theta


@dataclass(frozen=True)
class FitSettings:
    """How a fit is done.

    Attributes:
        draws: joint posterior draws, spread evenly over the scale points.
        scale_points: points of the scales' posterior at which the mode is found anew; a power
            of two.
        seed: seed of the draws; the mode does not depend on it.
        ceiling: whether rates meet a ceiling at all.
    """

    draws: int = 512
    scale_points: int = 32
    seed: int = 0
    ceiling: bool = True


def fit_model(
    observed: Observed, specs: CardSpecs, game_of_scene: IntArray, settings: FitSettings
) -> ModelFit:
    """Fit the model to measured cells and draw from its posterior.

    Cells that fell for lack of memory are found first and left out. One thread does the linear
    algebra: the matrices are small, and the answer is the same whatever the machine.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit_model(observed, specs, game_of_scene, settings)


def _fit_model(
    observed: Observed, specs: CardSpecs, game_of_scene: IntArray, settings: FitSettings
) -> ModelFit:
    shape = shape_of(specs, observed.rows, game_of_scene, ceiling=settings.ceiling)
    kept = np.ones(len(observed.log_rate), dtype=bool)
    needs = np.zeros(len(shape.scene_of_view))
    scales: Scales | None = None
    for _ in range(MOST_CLIFF_PASSES):
        problem = prepare(observed.take(np.flatnonzero(kept)), specs, shape)
        climbed = climb(problem, scales or first_scales(problem.layout))
        cliffs = _cliffs_below(observed, specs, problem.layout, climbed.mode.theta)
        if (cliffs.fell == ~kept).all():
            break
        kept, needs, scales = ~cliffs.fell, cliffs.needs_more_than_gb, climbed.scales
    return ModelFit(
        layout=problem.layout,
        specs=specs,
        kept=read_only_mask(kept),
        needs_more_than_gb=read_only(needs),
        theta=read_only(climbed.mode.theta),
        scales=climbed.scales,
        draws=draw_posterior(problem, climbed, settings),
        status=climbed.status,
        rounds=climbed.rounds,
        log_marginal=climbed.mode.log_marginal(),
    )


def _cliffs_below(
    observed: Observed, specs: CardSpecs, layout: Layout, theta: FloatArray
) -> Cliffs:
    """Find falls among all cells, in the fit or not, against the model at `theta`."""
    model = CellLikelihood.of(observed, specs, layout).model(theta)
    residual = observed.log_rate - model.log_rate
    views = len(layout.shape.scene_of_view)
    return find_cliffs(residual, observed.rows.view, specs.memory_gb[observed.rows.card], views)


@dataclass(frozen=True)
class Climbed:
    """Where alternating between mode and scales ended.

    Attributes:
        mode: the mode at the scales.
        scales: the scales.
        rounds: rounds taken.
        status: "converged", or what did not converge.
    """

    mode: Mode
    scales: Scales
    rounds: int
    status: str


def climb(problem: FitProblem, scales: Scales) -> Climbed:
    """Alternate modes and scales until the scales settle."""
    theta, rounds, moved = _best_start(problem, scales), 0, np.inf
    while rounds < MOST_ROUNDS and moved > SCALE_TOLERANCE:
        prior = Prior.at(problem.layout, scales.values)
        mode = find_mode(problem.likelihood, prior, scales.noise, theta, STEPS_BETWEEN_SCALES, NEAR)
        updated = update_scales(problem.likelihood, mode, scales)
        moved = max(
            abs(np.log(updated.values[n] / scales.values[n])) / updated.log_sd[n]
            for n in updated.values
            if updated.log_sd[n] > 0
        )
        theta, scales, rounds = mode.theta, updated, rounds + 1
    prior = Prior.at(problem.layout, scales.values)
    mode = find_mode(problem.likelihood, prior, scales.noise, theta)
    status = "converged"
    if moved > SCALE_TOLERANCE:
        status = f"scales not settled after {rounds} rounds"
    elif not mode.converged:
        status = f"mode not reached: one more step would gain {mode.decrement:.2g}"
    return Climbed(mode, scales, rounds, status)


def _best_start(problem: FitProblem, scales: Scales) -> FloatArray:
    """Return where the climb from the most promising start has got to after some steps."""
    prior = Prior.at(problem.layout, scales.values)
    modes = [
        find_mode(problem.likelihood, prior, scales.noise, start, FIRST_STEPS, ROUGHLY)
        for start in problem.starts
    ]
    return max(modes, key=lambda mode: mode.log_marginal()).theta


def draw_posterior(problem: FitProblem, climbed: Climbed, settings: FitSettings) -> Draws:
    """Draw scales around their best values, and parameters around the mode at each."""
    names = problem.layout.scale_names()
    best = np.log([climbed.scales.values[n] for n in names])
    spread = np.array([climbed.scales.log_sd[n] for n in names])
    points = settings.scale_points
    uniform = qmc.Sobol(len(names), seed=settings.seed).random(points)
    logs = best + spread * norm.ppf(np.clip(uniform, 1e-6, 1 - 1e-6))
    rng = np.random.default_rng(settings.seed)
    each = settings.draws // points
    thetas, centers = [], []
    for log_values in logs:
        scales = Scales(dict(zip(names, np.exp(log_values), strict=True)), {})
        prior = Prior.at(problem.layout, scales.values)
        start = climbed.mode.theta
        mode = find_mode(problem.likelihood, prior, scales.noise, start, STEPS_AT_SCALE_POINT, NEAR)
        normals = rng.standard_normal((problem.layout.size, each))
        thetas.append((mode.ahead[:, None] + mode.factors.sample(normals)).T)
        centers.append(mode.ahead)
    return Draws(
        read_only(np.concatenate(thetas)),
        read_only(np.stack(centers)),
        read_only(np.repeat(np.exp(logs), each, axis=0)),
        names,
    )
