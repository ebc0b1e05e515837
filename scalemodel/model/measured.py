"""What the fitted model says of cells that were measured: which side set their rate."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import Observed
from scalemodel.model.likelihood import cell_model, linear_predictors, stage_speeds
from scalemodel.model.linear import draw_gpu_side
from scalemodel.model.physics import UnderCeiling, under_ceiling
from scalemodel.model.priors import SmoothPrior

#: Every how many-th draw is used, nodes for what a cell strays on the GPU side, rows at a time.
THINNING = 2
NODES = 15
CHUNK = 200
#: Sensitivity above which a rate shows the GPU side of its cell.
SHOWS_GPU = 0.5


@dataclass(frozen=True)
class MeasuredCells:
    """What set the rate of measured cells; (rows,) each.

    Attributes:
        p_ceiling: probability that the ceiling is the slower side.
        sensitivity: expected d log(rate) / d log(GPU speed).
        log_headroom: expected log of the GPU-side rate over the rate under the ceiling.
    """

    p_ceiling: FloatArray
    sensitivity: FloatArray
    log_headroom: FloatArray


def judge_cells(fit: ModelFit, observed: Observed) -> MeasuredCells:
    """Judge all cells of a fit, given the whole bench and their own rate.

    A cell strays from its card's and scene's usual rate on the GPU side; how far is inferred
    from its measured rate, at quantiles of what strays are usual.
    """
    spread = _spread(fit, observed)
    cells = np.arange(len(spread))
    chunks = [cells[a : a + CHUNK] for a in range(0, len(cells), CHUNK)]
    parts = [_judge(fit, observed.take(chunk), spread[chunk]) for chunk in chunks]
    return MeasuredCells(
        np.concatenate([p.p_ceiling for p in parts]),
        np.concatenate([p.sensitivity for p in parts]),
        np.concatenate([p.log_headroom for p in parts]),
    )


@dataclass(frozen=True)
class _Sides:
    """Both sides of cells at draws and strays, (draws, rows, nodes) each.

    Attributes:
        gpu: log GPU-side rate.
        ceiling: log ceiling, (draws, rows, 1).
        capped: the rate under it.
        weight: how well that agrees with what was measured; sums to one over the strays.
    """

    gpu: FloatArray
    ceiling: FloatArray
    capped: UnderCeiling
    weight: FloatArray


def _spread(fit: ModelFit, observed: Observed) -> FloatArray:
    """Return (rows,) how far cells may stray on the GPU side, as a scale of the t.

    To the usual stray of a cell comes what the physics may miss of rates that no cell of the
    scene shows, because the ceiling hides them. What it misses is a smooth function of the log
    GPU-side rate, like the smooth residual over the specs and of its scale: next to nothing among
    the rates that are seen, and the wider the further beyond.
    """
    layout, rows, noise = fit.layout, observed.rows, fit.scales.noise
    usual = np.full(len(rows), noise.gpu)
    if not layout.shape.has_ceiling:
        return usual
    values = linear_predictors(layout.design(rows, fit.specs), layout, fit.theta)
    model = cell_model(stage_speeds(rows, fit.specs, layout), values, ceiling=True)
    shows = fit.kept & (model.sensitivity > SHOWS_GPU)
    beyond = np.ones(len(rows))
    for scene in range(layout.shape.scenes):
        here = rows.scene == scene
        if (shows & here).any():
            prior = SmoothPrior.through(model.log_gpu[shows & here, None])
            variance = np.diag(prior.given(model.log_gpu[here, None])[1])
            beyond[here] = np.sqrt(np.maximum(variance, 0.0))
    spread: FloatArray = np.hypot(usual, fit.scales.values["smooth"] * beyond)
    return spread


def _sides(fit: ModelFit, observed: Observed, spread: FloatArray) -> _Sides:
    rows = observed.rows
    draws = np.arange(0, len(fit.draws.theta), THINNING)
    design = fit.layout.design(rows, fit.specs)
    values = linear_predictors(design, fit.layout, fit.draws.theta[draws])
    speeds = stage_speeds(rows, fit.specs, fit.layout)
    usual = draw_gpu_side(fit.layout, fit.draws, speeds, design, values, draws)
    noise = fit.scales.noise
    strays = student.ppf((np.arange(NODES) + 0.5) / NODES, noise.tail)
    gpu = usual[..., None] + spread[:, None] * strays
    ceiling, log_p = (values[fit.layout.predictors.index(n)] for n in ("ceiling", "log_p"))
    ceiling = ceiling[..., None]
    capped = under_ceiling(gpu, ceiling, log_p[..., None])
    residual = observed.log_rate[:, None] - capped.log_rate
    variance = (observed.run_variance + noise.cell**2)[:, None]
    log_weight = -0.5 * (noise.tail + 1) * np.log1p(residual**2 / (noise.tail * variance))
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    weight /= weight.sum(axis=-1, keepdims=True)
    return _Sides(gpu, ceiling, capped, weight)


def _judge(fit: ModelFit, observed: Observed, spread: FloatArray) -> MeasuredCells:
    if not fit.layout.shape.has_ceiling:
        nobody = np.zeros(len(observed.log_rate))
        return MeasuredCells(nobody, nobody + 1.0, nobody)
    sides = _sides(fit, observed, spread)
    gpu, weight = sides.gpu, sides.weight
    above = ((gpu > sides.ceiling) * weight).sum(axis=-1).mean(axis=0)
    sensitivity = (sides.capped.sensitivity * weight).sum(axis=-1).mean(axis=0)
    headroom = ((gpu - sides.capped.log_rate) * weight).sum(axis=-1).mean(axis=0)
    return MeasuredCells(above, sensitivity, headroom)


def ceiling_steps(
    fit: ModelFit, observed: Observed, knots: Sequence[float], width: float
) -> tuple[FloatArray, FloatArray]:
    """Return where measured cells are on their way to the ceiling, and how surely.

    Smooth steps from 0 to 1 of the log of the GPU-side rate over the ceiling, one a knot, given the
    whole bench and the cell's own rate: their means (rows, knots) and covariances
    (rows, knots, knots). Far below the ceiling all are 0.

    Args:
        fit: the fitted model.
        observed: the cells.
        knots: where the steps are half done.
        width: how wide they are, on the log scale.
    """
    size, count = len(knots), len(observed.log_rate)
    mean, square = np.zeros((count, size)), np.zeros((count, size, size))
    spread = _spread(fit, observed)
    for first in range(0, count if fit.layout.shape.has_ceiling else 0, CHUNK):
        here = np.arange(first, min(first + CHUNK, count))
        sides = _sides(fit, observed.take(here), spread[here])
        weight = sides.weight / len(sides.weight)
        over = sides.gpu - sides.ceiling
        steps = np.stack([expit((over - knot) / width) for knot in knots])
        mean[here] = np.einsum("kdrn,drn->rk", steps, weight)
        square[here] = np.einsum("kdrn,ldrn,drn->rkl", steps, steps, weight, optimize=True)
    return mean, square - mean[:, :, None] * mean[:, None, :]


def gpu_quantiles(
    fit: ModelFit, observed: Observed, chosen: IntArray, shares: Sequence[float]
) -> FloatArray:
    """Return (shares, chosen) quantiles of the log GPU-side rates of some cells of a fit.

    What a card would reach without the ceiling, given the whole bench and the cell's own rate.
    """
    sides = _sides(fit, observed.take(chosen), _spread(fit, observed)[chosen])
    rows = len(chosen)
    gpu, weight = (np.moveaxis(x, 1, 0).reshape(rows, -1) for x in (sides.gpu, sides.weight))
    order = np.argsort(gpu, axis=1)
    gpu, weight = (np.take_along_axis(x, order, axis=1) for x in (gpu, weight))
    below = np.cumsum(weight, axis=1) / weight.sum(axis=1, keepdims=True)
    at = [np.minimum((below < share).sum(axis=1), gpu.shape[1] - 1) for share in shares]
    return np.stack([gpu[np.arange(rows), k] for k in at])


def ceiling_draws(fit: ModelFit, observed: Observed) -> FloatArray:
    """Return (draws, rows) joint draws of the log ceiling of each cell."""
    values = linear_predictors(
        fit.layout.design(observed.rows, fit.specs), fit.layout, fit.draws.theta
    )
    ceilings: FloatArray = values[fit.layout.predictors.index("ceiling")]
    return ceilings
