"""Ceilings that no card comes near: drawn anew from what the data and the prior really say of them.

Such a ceiling is only bounded from below. Its posterior falls off steeply on one side and follows
the prior on the other, which a normal approximation around the mode misses: it is too narrow, and
too low at the upper end. Given everything else in a joint draw the posterior of one ceiling effect
is one-dimensional, so it is drawn from its values on a grid (Ritter & Tanner 1992, JASA 87).
"""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.draws import Draws
from scalemodel.model.inputs import Observed
from scalemodel.model.layout import NOISE_NAMES, Group
from scalemodel.model.likelihood import linear_predictors, student_log_density
from scalemodel.model.linear import draw_gpu_side
from scalemodel.model.mode import Mode
from scalemodel.model.physics import UnderCeiling, under_ceiling
from scalemodel.model.problem import FitProblem
from scalemodel.model.strata import spread_uniforms

EFFECTS = ("game_ceiling", "preset_ceiling", "platform_ceiling")
#: A ceiling is only bounded from below if no cell is less sensitive to GPU speed than this.
LEAST_SENSITIVITY = 0.7
#: Cells that are looked at, those closest to the ceiling; points of the grid, and its half-width
#: in sds of the prior.
CLOSEST, POINTS, REACH = 8, 25, 5.0
#: How much closer the points of the grid lie in its middle than at its ends, as a log.
CROWDING = 5.0


@dataclass(frozen=True)
class _OneSided:
    """An effect on ceilings that its cells only bound from below.

    Attributes:
        group: the group it belongs to.
        at: its position among the parameters.
        cells: the cells closest to the ceiling.
    """

    group: Group
    at: int
    cells: IntArray


def draw_one_sided(
    problem: FitProblem, mode: Mode, draws: Draws, rng: np.random.Generator
) -> FloatArray:
    """Return the joint draws (draws, size) with one-sided ceiling effects drawn anew."""
    theta = np.array(draws.theta)
    found = _one_sided(problem, mode)
    if not found:
        return theta
    layout, likelihood = problem.layout, problem.likelihood
    cells = np.unique(np.concatenate([effect.cells for effect in found]))
    design, observed = likelihood.design.take(cells), likelihood.observed.take(cells)
    values = linear_predictors(design, layout, theta)
    every, speeds = np.arange(len(theta)), likelihood.speeds.take(cells)
    points = len(draws.centers)
    log_gpu = draw_gpu_side(layout, draws, speeds, design, values, every)
    ceiling, log_p = (values[layout.predictors.index(n)] for n in ("ceiling", "log_p"))
    for effect in found:
        here = np.searchsorted(cells, effect.cells)
        scale = effect.group.scale
        sd = draws.scale(scale) if isinstance(scale, str) else np.full(len(theta), scale)
        steps = sd[:, None] * _grid()
        density = _log_likelihood(
            observed.take(here),
            under_ceiling(
                log_gpu[:, None, here],
                ceiling[:, None, here] + steps[..., None],
                log_p[:, None, here],
            ),
            draws,
        )
        away = (theta[:, [effect.at]] + steps - effect.group.mean) / sd[:, None]
        uniforms = spread_uniforms(rng, points, len(theta) // points)[:, 0]
        moved = _draw_on_grid(density - 0.5 * away**2, steps, uniforms)
        theta[:, effect.at] += moved
        ceiling[:, (design.index == effect.at).any(axis=1)] += moved[:, None]
    return theta


def _log_likelihood(observed: Observed, model: UnderCeiling, draws: Draws) -> FloatArray:
    """Return (draws, points) log likelihoods of cells from (draws, points, cells) rates."""
    gpu, cell, tail = (draws.scale(name)[:, None, None] for name in NOISE_NAMES)
    scale2 = observed.run_variance + cell**2 + (model.sensitivity * gpu) ** 2
    squared = (observed.log_rate - model.log_rate) ** 2
    total: FloatArray = student_log_density(squared, scale2, tail).sum(axis=2)
    return total


def _one_sided(problem: FitProblem, mode: Mode) -> list[_OneSided]:
    """Find the effects, those of a game before those of its presets and platforms."""
    layout, design, model = problem.layout, problem.likelihood.design, mode.evaluation.model
    found = []
    for term, (group, where) in enumerate(zip(layout.groups, layout.positions, strict=True)):
        if group.name not in EFFECTS:
            continue
        place = np.searchsorted(where, design.index[:, term])
        for k, at in enumerate(where):
            cells = np.flatnonzero(place == k)
            if len(cells) and model.sensitivity[cells].min() > LEAST_SENSITIVITY:
                gap = model.log_gpu[cells] - model.log_ceiling[cells]
                closest = cells[np.argsort(-gap, kind="stable")[:CLOSEST]]
                found.append(_OneSided(group, int(at), np.sort(closest)))
    return found


def _grid() -> FloatArray:
    """Return steps in sds of the prior, close together in the middle."""
    even = np.linspace(-CROWDING, CROWDING, POINTS)
    grid: FloatArray = REACH * np.sinh(even) / np.sinh(CROWDING)
    return grid


def _draw_on_grid(log_density: FloatArray, steps: FloatArray, uniforms: FloatArray) -> FloatArray:
    """Draw one step a row from densities (draws, points) taken as linear between the points."""
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    piece = 0.5 * (density[:, 1:] + density[:, :-1]) * np.diff(steps, axis=1)
    total = np.concatenate([np.zeros((len(piece), 1)), np.cumsum(piece, axis=1)], axis=1)
    target = uniforms * total[:, -1]
    left = np.minimum((total[:, 1:] <= target[:, None]).sum(axis=1), piece.shape[1] - 1)
    rows = np.arange(len(piece))
    share = (target - total[rows, left]) / np.maximum(piece[rows, left], 1e-300)
    drawn: FloatArray = steps[rows, left] + share * (steps[rows, left + 1] - steps[rows, left])
    return drawn
