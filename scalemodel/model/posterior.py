"""Joint draws from the posterior: scales around the peak, parameters around the mean at each."""

from dataclasses import replace

import numpy as np
from scipy.stats import norm, qmc

from scalemodel.model.arrays import FloatArray, read_only
from scalemodel.model.centering import Leaning, NormalPoint, Terms, leaning, shift_to_mean
from scalemodel.model.climbing import NEAR, STEPS_AT_SCALE_POINT, Climbed, mode_at
from scalemodel.model.draws import Draws, paired_at_each
from scalemodel.model.mode import Prior
from scalemodel.model.one_sided import draw_one_sided
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import Scales
from scalemodel.model.settings import FitSettings
from scalemodel.model.strata import spread_normals
from scalemodel.model.threads import each


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
    count = settings.draws // len(scales)
    rng = np.random.default_rng(settings.seed)
    best = np.array([climbed.scales.values[name] for name in names])
    drawn = np.array([[here.values[name] for name in names] for here in scales])
    starts = climbed.mode.theta + np.log(drawn / best) @ climbed.by_scale
    normals = _normals(rng, len(scales), count, size)
    terms = Terms.of(problem.likelihood)

    def draw_at(k: int) -> tuple[FloatArray, FloatArray, Leaning]:
        """Return the mode, how far draws lie from it, and where its pairs say that it leans."""
        mode = mode_at(problem, scales[k], starts[k], STEPS_AT_SCALE_POINT, NEAR)
        away = mode.factors.sample(normals[k].T).T
        prior = Prior.at(problem.layout, scales[k].values)
        point = NormalPoint(mode, prior, scales[k].noise, away[: paired_at_each(count)])
        return mode.ahead, away, leaning(problem.likelihood, terms, point)

    modes, away, leanings = zip(*each(draw_at, range(len(scales)), problem.cells), strict=True)
    centers = np.stack(modes)
    mean = centers + shift_to_mean(list(leanings))
    draws = Draws(
        read_only((mean[:, None] + np.stack(away)).reshape(-1, size)),
        read_only(centers),
        read_only(np.repeat(drawn, count, axis=0)),
        names,
    )
    return replace(draws, theta=read_only(draw_one_sided(problem, climbed.mode, draws, rng)))


def _normals(rng: np.random.Generator, points: int, drawn: int, size: int) -> FloatArray:
    """Return standard normals (points, drawn, size).

    The first at each point lie in pairs of opposite sign. These are spread evenly over their
    distribution, since the mean is found of them, and so are the others.
    """
    half = paired_at_each(drawn) // 2
    pairs, rest = (
        spread_normals(rng, points, count, size).reshape(points, count, size)
        for count in (half, drawn - 2 * half)
    )
    return np.concatenate([pairs, -pairs, rest], axis=1)
