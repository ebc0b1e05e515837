"""Fit: find falls for lack of memory, climb to the peak, draw from the posterior around it."""

from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray, read_only, read_only_mask
from scalemodel.model.climbing import Reached, alternate, first_reached, settle
from scalemodel.model.draws import Draws
from scalemodel.model.inputs import CardSpecs, Observed, shape_of
from scalemodel.model.layout import Layout
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.memory import Cliffs, find_cliffs
from scalemodel.model.posterior import draw_posterior
from scalemodel.model.problem import prepare
from scalemodel.model.scales import Scales
from scalemodel.model.settings import FitSettings
from scalemodel.model.warm import WarmStart

MOST_CLIFF_PASSES = 4


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


def fit_model(
    observed: Observed,
    specs: CardSpecs,
    game_of_scene: IntArray,
    settings: FitSettings,
    warm: WarmStart | None = None,
) -> ModelFit:
    """Fit the model to measured cells and draw from its posterior.

    Cells that fell for lack of memory are found first and left out. One thread does the linear
    algebra: the matrices are small, and the answer is the same whatever the machine. A fit of
    nearly the same cells is a `warm` start.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit_model(observed, specs, game_of_scene, settings, warm)


def _fit_model(
    observed: Observed,
    specs: CardSpecs,
    game_of_scene: IntArray,
    settings: FitSettings,
    warm: WarmStart | None,
) -> ModelFit:
    shape = shape_of(specs, observed.rows, game_of_scene, ceiling=settings.ceiling)
    kept = np.ones(len(observed.log_rate), dtype=bool) if warm is None else warm.kept
    # Cells of one game beside each other touch few places of the information at a time.
    order = np.lexsort((observed.rows.view, shape.game_of_scene[observed.rows.scene]))
    problem = prepare(observed.take(order[kept[order]]), specs, shape)
    if warm is None:
        reached = first_reached(problem)
    else:
        reached = Reached(warm.carried(problem.layout), warm.scales, 0)
    for _ in range(MOST_CLIFF_PASSES):
        reached = alternate(problem, reached)
        cliffs = _cliffs_below(observed, specs, problem.layout, reached.theta)
        needs = cliffs.needs_more_than_gb
        if (cliffs.fell == ~kept).all():
            break
        kept = ~cliffs.fell
        problem = prepare(observed.take(order[kept[order]]), specs, shape)
    climbed = settle(problem, reached)
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
