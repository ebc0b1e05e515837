"""Least squares around a curve, in the shape that `find_mode` climbs.

Errors are normal on the level of the data, not on the log rate, and nothing is known beforehand.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.arrow import ArrowMatrix, Diagonal, Places
from scalemodel.model.likelihood import Noise
from scalemodel.model.mode import Prior, find_mode

#: Where the climb ends: for digits far below the standard errors.
TOLERANCE = 1e-18


@dataclass(frozen=True)
class CurveAt:
    """What `find_mode` asks of a likelihood at one parameter vector."""

    log_likelihood: float
    gradient: FloatArray
    information: ArrowMatrix


@dataclass(frozen=True)
class Curve:
    """Normal errors of one sd around a curve of the parameters.

    Attributes:
        y: (rows,) data.
        value: the curve's (rows,) values at parameters.
        by_theta: its (rows, parameters) derivatives.
        places: which parameters form a block, and which the border.
    """

    y: FloatArray
    value: Callable[[FloatArray], FloatArray]
    by_theta: Callable[[FloatArray], FloatArray]
    places: Places

    def log_likelihood(self, theta: FloatArray, noise: Noise) -> float:
        residual = self.y - self.value(theta)
        return float(-0.5 * (residual @ residual) / noise.cell**2)

    def slope(self, theta: FloatArray, noise: Noise) -> tuple[float, FloatArray]:
        at = self.evaluate(theta, noise)
        return at.log_likelihood, at.gradient

    def evaluate(self, theta: FloatArray, noise: Noise) -> CurveAt:
        residual, slope = self.y - self.value(theta), self.by_theta(theta)
        return CurveAt(
            self.log_likelihood(theta, noise),
            slope.T @ residual / noise.cell**2,
            as_arrow(slope.T @ slope / noise.cell**2, self.places),
        )


def as_arrow(matrix: FloatArray, places: Places) -> ArrowMatrix:
    """Take the blocks, their ties to the border, and the border from a symmetric matrix."""
    border = np.arange(places.begin, places.size)
    return ArrowMatrix(
        places,
        np.stack([matrix[np.ix_(block, block)] for block in places.index]),
        np.stack([matrix[np.ix_(block, border)] for block in places.index]),
        matrix[np.ix_(border, border)],
    )


@dataclass(frozen=True)
class LeastSquares:
    """Where the climb ended, and the inverse of slope' slope there (the factors' own)."""

    theta: FloatArray
    inverse: FloatArray
    squares: float
    converged: bool

    def covariance(self, dof: int) -> FloatArray:
        """Give the covariance of the estimates, the curve taken as linear around them."""
        return self.squares / dof * self.inverse


def least_squares(curve: Curve, start: FloatArray) -> LeastSquares:
    """Climb from `start` without any prior knowledge."""
    size, border = len(start), len(start) - curve.places.begin
    flat = Prior(np.zeros(size), Diagonal(np.zeros(size), np.zeros((border, border))), 0.0)
    # The errors' sd only sets the unit of the climb.
    noise = Noise(gpu=0.0, cell=float(curve.y.std()), tail=np.inf)
    mode = find_mode(curve, flat, noise, start, tolerance=TOLERANCE)
    return LeastSquares(
        mode.theta,
        mode.factors.solve(np.eye(size)) / noise.cell**2,
        -2 * noise.cell**2 * mode.log_density,
        mode.converged,
    )
