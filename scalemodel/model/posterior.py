"""Joint draws from the posterior: scales around the peak, parameters around the mode at each."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc

from scalemodel.model.arrays import FloatArray, IntArray, read_only
from scalemodel.model.climbing import NEAR, STEPS_AT_SCALE_POINT, Climbed, mode_at
from scalemodel.model.problem import FitProblem
from scalemodel.model.settings import FitSettings


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
    return Draws(
        read_only(np.concatenate(thetas)),
        read_only(np.stack(centers)),
        read_only(np.repeat(drawn, each, axis=0)),
        names,
    )
