"""What the fitted model says of cells it has not seen: joint draws of both sides and the rate."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import CardSpecs, Rows
from scalemodel.model.layout import Group
from scalemodel.model.likelihood import linear_predictors, stage_speeds
from scalemodel.model.linear import draw_gpu_side
from scalemodel.model.physics import under_ceiling
from scalemodel.model.priors import SmoothPrior
from scalemodel.model.strata import spread_normals


@dataclass(frozen=True)
class CellDraws:
    """Joint draws for rows, (draws, rows) each, in logs of frames per second.

    Attributes:
        log_gpu: rate without the ceiling, board and cell effects included.
        log_ceiling: the ceiling; +inf without one.
        log_p: sharpness of the knee.
        log_rate: what a careful measurement of the cell would show.
    """

    log_gpu: FloatArray
    log_ceiling: FloatArray
    log_p: FloatArray
    log_rate: FloatArray


def draw_cells(fit: ModelFit, specs: CardSpecs, rows: Rows, seed: int) -> CellDraws:
    """Draw cells of cards with the given sheets, tested or not (`rows.card` indexes `specs`).

    Effects the fit knows (of a tested card, architecture or vendor) are drawn from the posterior;
    those of a new card, architecture or vendor from their distribution over the known ones. Cards
    with the same negative architecture (or vendor) share one new architecture (or vendor).
    """
    design = fit.layout.design(rows, specs)
    values = linear_predictors(design, fit.layout, fit.draws.theta)
    _add_new_effects(values, fit, specs, rows, seed)
    speeds = stage_speeds(rows, specs, fit.layout)
    every = np.arange(len(fit.draws.theta))
    gpu = draw_gpu_side(fit.layout, fit.draws, speeds, design, values, every)
    noise_gpu, noise = draw_noise(fit, len(rows), seed)
    gpu = gpu + noise_gpu
    if not fit.layout.shape.has_ceiling:
        infinite = np.full_like(gpu, np.inf)
        return CellDraws(gpu, infinite, infinite, gpu + noise)
    ceiling, log_p = (values[fit.layout.predictors.index(n)] for n in ("ceiling", "log_p"))
    log_rate = under_ceiling(gpu, ceiling, log_p).log_rate
    return CellDraws(gpu, ceiling, log_p, log_rate + noise)


def draw_noise(fit: ModelFit, rows: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """Draw what cells stray on the GPU side, and as a whole: (draws, rows) each."""
    rng = _stream(fit, None, seed)
    tail = fit.draws.scale("tail")[:, None]
    mixing = np.sqrt(tail / rng.chisquare(tail, size=(len(tail), rows)))
    gpu, whole = (
        mixing * fit.draws.scale(name)[:, None] * _normals(fit, rng, rows)
        for name in ("gpu_noise", "noise")
    )
    return gpu, whole


def draw_new(fit: ModelFit, group: Group, size: int, seed: int) -> FloatArray:
    """Draw (draws, size) effects of a group that the fit does not know, independent of each other.

    Each group has its own random numbers, so that two sheets differ in what differs between them.
    """
    scale = fit.draws.scale(str(group.scale))
    effects: FloatArray = scale[:, None] * _normals(fit, _stream(fit, group, seed), size)
    return effects


def _normals(fit: ModelFit, rng: np.random.Generator, columns: int) -> FloatArray:
    """Return (draws, columns) standard normal numbers for the joint draws of a fit."""
    points = len(fit.draws.centers)
    return spread_normals(rng, points, len(fit.draws.theta) // points, columns)


def _stream(fit: ModelFit, group: Group | None, seed: int) -> np.random.Generator:
    """Return the random numbers of a group's new effects, or (None) of the noise."""
    names = [None, *(one.name for one in fit.layout.groups)]
    streams = np.random.default_rng(seed).spawn(len(names))
    return streams[names.index(group.name if group else None)]


def _add_new_effects(
    values: FloatArray, fit: ModelFit, specs: CardSpecs, rows: Rows, seed: int
) -> None:
    """Add the effects of new cards, architectures and vendors to (predictors, draws, rows)."""
    for group in fit.layout.groups:
        new = new_keys(group.key, specs, rows)
        if new is None or not (new >= 0).any():
            continue
        size = len(specs) if group.name == "smooth" else int(new.max()) + 1
        effects = draw_new(fit, group, size, seed)
        if group.name == "smooth":
            effects = _smooth_effects(fit, specs, effects)
        here = np.flatnonzero(new >= 0)
        times = rows.log_pixels[here] if group.times == "log_pixels" else 1.0
        predictor = fit.layout.predictors.index(group.predictor)
        values[predictor][:, here] += effects[:, new[here]] * times


def new_keys(key: str, specs: CardSpecs, rows: Rows) -> IntArray | None:
    """Return which new effect acts on each row (-1: none), or None where nothing can be new."""
    architecture, vendor = specs.architecture[rows.card], specs.vendor[rows.card]
    if key == "card":
        return np.where(specs.fitted[rows.card] < 0, rows.card, -1)
    if key == "architecture":
        return np.where(architecture < 0, -1 - architecture, -1)
    if key == "vendor":
        return np.where(vendor < 0, -1 - vendor, -1)
    if key == "architecture_scene":
        scenes = int(rows.scene.max()) + 1
        return np.where(architecture < 0, (-1 - architecture) * scenes + rows.scene, -1)
    return None


def _smooth_effects(fit: ModelFit, specs: CardSpecs, drawn: FloatArray) -> FloatArray:
    """Turn independent draws (draws, cards) into smooth residuals given those of tested cards."""
    weights, covariance = SmoothPrior.over(fit.specs).at(specs)
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    tested = fit.draws.theta[:, fit.layout.position("smooth")]
    effects: FloatArray = tested @ weights.T + drawn @ root.T
    return effects
