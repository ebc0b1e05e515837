"""Joint draws from the posterior: scales around the peak, parameters around the mode at each."""

from dataclasses import replace

import numpy as np
from scipy.stats import norm, qmc

from scalemodel.model.arrays import read_only
from scalemodel.model.climbing import NEAR, STEPS_AT_SCALE_POINT, Climbed, mode_at
from scalemodel.model.draws import Draws
from scalemodel.model.one_sided import draw_one_sided
from scalemodel.model.problem import FitProblem
from scalemodel.model.settings import FitSettings


def draw_posterior(problem: FitProblem, climbed: Climbed, settings: FitSettings) -> Draws:
    """Draw scales around their best values, and parameters around the mode at each."""
    names = problem.layout.scale_names()
    points = settings.scale_points
    uniform = qmc.Sobol(len(names), seed=settings.seed).random(points)
    values, vectors = np.linalg.eigh(climbed.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    steps = norm.ppf(np.clip(uniform, 1e-6, 1 - 1e-6)) @ root.T
    rng = np.random.default_rng(settings.seed)
    each = settings.draws // points
    thetas, centers, drawn = [], [], []
    for step in steps:
        scales = climbed.scales.moved(dict(zip(names, step.tolist(), strict=True)))
        start = climbed.mode.theta + step @ climbed.by_scale
        mode = mode_at(problem, scales, start, STEPS_AT_SCALE_POINT, NEAR)
        normals = rng.standard_normal((problem.layout.size, each))
        thetas.append((mode.ahead[:, None] + mode.factors.sample(normals)).T)
        centers.append(mode.ahead)
        drawn.append([scales.values[name] for name in names])
    draws = Draws(
        read_only(np.concatenate(thetas)),
        read_only(np.stack(centers)),
        read_only(np.repeat(drawn, each, axis=0)),
        names,
    )
    return replace(draws, theta=read_only(draw_one_sided(problem, climbed.mode, draws, rng)))
