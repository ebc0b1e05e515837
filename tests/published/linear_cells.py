"""Regressions with random effects written as cells, for the fit's own engine to solve.

Cards without a spec, one stage that takes the same time on all of them and no ceiling leave a log
rate that is the sum of the offsets' effects: a linear mixed model. Errors are normal (a t with very
many degrees of freedom), and what is to be free has a prior so wide that it says nothing.
"""

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.model.inputs import CardSpecs, Observed, Reference, Rows, Shape
from scalemodel.model.layout import Group, ScalePrior, make_layout
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.problem import FitProblem

#: Prior sd of fixed effects, in the unit of the data, which are of size 1.
FLAT = 1e3
TINY = 1e-8
NORMAL = 1e8


def unknown(near: float) -> ScalePrior:
    """Give the prior of a scale of which next to nothing is known."""
    return ScalePrior(near, 1e3)


def fixed(name: str, key: str = "one", times: str = "one") -> Group:
    return Group(name, "offset", key, 0.0, FLAT, times)


def linear_problem(
    y: ArrayLike,
    unit: ArrayLike,
    groups: tuple[Group, ...],
    scale_priors: dict[str, ScalePrior],
    platform: ArrayLike = 0,
    covariate: ArrayLike = 0.0,
    run_variance: ArrayLike = 0.0,
) -> FitProblem:
    """Write observations `y` as cells.

    Each unit is a card, an architecture, a vendor, a scene of its own game and a view at once, so
    that a group may belong to it by any of these keys; the covariate is what `log_pixels` times.
    `scale_priors` names the effects' scales; the noise is known to be tiny unless it names it too.
    """
    y = np.asarray(y, dtype=float)
    unit, platform = (np.broadcast_to(v, y.shape).astype(np.intp) for v in (unit, platform))
    rows = Rows(unit, unit, unit, platform, np.broadcast_to(covariate, y.shape).astype(float))
    observed = Observed(rows, y, np.broadcast_to(run_variance, y.shape).astype(float))
    units, platforms = int(unit.max()) + 1, int(platform.max()) + 1
    each = np.arange(units)
    specs = _sheets(units)
    shape = Shape(units, units, units, platforms, each, each, has_ceiling=False)
    known = {"gpu_noise": TINY, "noise": TINY, "tail": NORMAL}
    priors = {name: ScalePrior(value, 0.0) for name, value in known.items()}
    layout = make_layout(
        shape, Reference.of(specs), specs.stages, groups, {**priors, **scale_priors}
    )
    likelihood = CellLikelihood.of(observed, specs, layout)
    return FitProblem(likelihood, layout, (layout.prior_mean(),))


def _sheets(cards: int) -> CardSpecs:
    each = np.arange(cards)
    return CardSpecs(
        stages=("fixed",),
        log_speed=np.zeros((cards, 1)),
        log_width=np.zeros(cards),
        log_cache=np.full(cards, -np.inf),
        capacity=np.zeros((cards, 0)),
        memory_gb=np.full(cards, np.nan),
        fitted=each,
        architecture=each,
        vendor=each,
        arithmetic=None,
        traffic=None,
    )


def flat_constant(fixed_effects: int) -> float:
    """Give what the flat priors of fixed effects add to the log density of the data.

    Their density, 1 / (sqrt(2 pi) FLAT) each, is a constant where the data put the effects.
    """
    return -fixed_effects * float(np.log(np.sqrt(2 * np.pi) * FLAT))
