"""Joint draws from the posterior: scales around the peak, parameters around the mean at each."""

from dataclasses import replace

import numpy as np
from scipy.stats import norm, qmc

from scalemodel.model.arrays import FloatArray, read_only
from scalemodel.model.centering import NormalPoint, shift_to_mean
from scalemodel.model.climbing import NEAR, STEPS_AT_SCALE_POINT, Climbed, mode_at
from scalemodel.model.draws import Draws, paired_at_each
from scalemodel.model.mode import Prior
from scalemodel.model.one_sided import draw_one_sided
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import Scales
from scalemodel.model.settings import FitSettings
from scalemodel.model.strata import spread_normals


def draw_posterior(problem: FitProblem, climbed: Climbed, settings: FitSettings) -> Draws:
    """Draw scales around their best values, and parameters around their mean at each."""
    names = problem.layout.scale_names()
    uniform = qmc.Sobol(len(names), seed=settings.seed).random(settings.scale_points)
    values, vectors = np.linalg.eigh(climbed.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    steps = norm.ppf(np.clip(uniform, 1e-6, 1 - 1e-6)) @ root.T
    scales = [climbed.scales.moved(dict(zip(names, step.tolist(), strict=True))) for step in steps]
    return draw_at_scales(problem, climbed, scales, settings)


def draw_at_scales(
    problem: FitProblem, climbed: Climbed, scales: list[Scales], settings: FitSettings
) -> Draws:
    """Draw parameters around their mean at each of the given scales, as often at each.

    The draws are normal with the information at the mode there.
    """
    names, size = problem.layout.scale_names(), problem.layout.size
    each = settings.draws // len(scales)
    rng = np.random.default_rng(settings.seed)
    best = np.array([climbed.scales.values[name] for name in names])
    drawn = np.array([[here.values[name] for name in names] for here in scales])
    starts = climbed.mode.theta + np.log(drawn / best) @ climbed.by_scale
    points, away = [], []
    normals = _normals(rng, len(scales), each, size)
    for here, start, own in zip(scales, starts, normals, strict=True):
        mode = mode_at(problem, here, start, STEPS_AT_SCALE_POINT, NEAR)
        away.append(mode.factors.sample(own.T).T)
        pairs = away[-1][: paired_at_each(each)]
        points.append(NormalPoint(mode, Prior.at(problem.layout, here.values), here.noise, pairs))
    centers = np.stack([point.mode.ahead for point in points])
    mean = centers + shift_to_mean(problem.likelihood, points)
    draws = Draws(
        read_only((mean[:, None] + np.stack(away)).reshape(-1, size)),
        read_only(centers),
        read_only(np.repeat(drawn, each, axis=0)),
        names,
    )
    return replace(draws, theta=read_only(draw_one_sided(problem, climbed.mode, draws, rng)))


def _normals(rng: np.random.Generator, points: int, each: int, size: int) -> FloatArray:
    """Return standard normals (points, each, size).

    The first at each point lie in pairs of opposite sign. These are spread evenly over their
    distribution, since the mean is found of them, and so are the others.
    """
    half = paired_at_each(each) // 2
    pairs, rest = (
        spread_normals(rng, points, count, size).reshape(points, count, size)
        for count in (half, each - 2 * half)
    )
    return np.concatenate([pairs, -pairs, rest], axis=1)
