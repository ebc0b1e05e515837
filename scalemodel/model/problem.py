"""A fit made ready: the parameters laid out, the likelihood prepared, and where to start from."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.inputs import CardSpecs, Observed, Reference, Shape
from scalemodel.model.layout import Layout, make_layout
from scalemodel.model.likelihood import CellLikelihood, cell_model, linear_predictors
from scalemodel.model.priors import SCALE_PRIORS, Levels, make_groups

#: Margin of ceilings over the highest rates, and quantile of the cells that levels are set to:
#: most cells GPU-bound, and most cells at the ceiling. The better mode is kept.
STARTS = ((0.05, 0.6), (0.0, 0.95))


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
