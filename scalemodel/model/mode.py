"""The mode of the parameters at given scales, and the information there.

Damped Newton steps with the Fisher information in place of the Hessian, so every step is uphill.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.arrow import Arrow, Diagonal
from scalemodel.model.layout import Layout
from scalemodel.model.likelihood import CellLikelihood, Evaluation, Noise

#: Decrement (expected gain in log density) below which a mode is taken as found.
TOLERANCE = 1e-7
MOST_STEPS = 60
MOST_HALVINGS = 24


@dataclass(frozen=True)
class Prior:
    """Gaussian prior of the parameters at given scales."""

    mean: FloatArray
    precision: Diagonal
    log_determinant: float

    @staticmethod
    def at(layout: Layout, scales: Mapping[str, float]) -> "Prior":
        """Return the prior at the given learned scales."""
        begin = int(layout.bounds[-1])
        diagonal, border = np.zeros(layout.size), np.zeros((layout.size - begin,) * 2)
        log_det = 0.0
        for group, where in zip(layout.groups, layout.positions, strict=True):
            sd = scales[group.scale] if isinstance(group.scale, str) else group.scale
            log_det -= 2.0 * len(where) * np.log(sd)
            if group.precision is None:
                diagonal[where] = sd**-2.0
            else:
                border[np.ix_(where - begin, where - begin)] = group.precision / sd**2
                log_det += float(np.linalg.slogdet(group.precision)[1])
        return Prior(layout.prior_mean(), Diagonal(diagonal, border), log_det)

    def log_density(self, theta: FloatArray) -> float:
        """Return the log density at `theta`, without the constant of 2 pi."""
        away = theta - self.mean
        return 0.5 * (self.log_determinant - float(away @ (self.precision @ away)))


@dataclass(frozen=True)
class Mode:
    """A mode of the parameters.

    Attributes:
        theta: the parameters.
        factors: factors of the information there (negative Hessian).
        evaluation: the likelihood there.
        log_density: log likelihood plus log prior.
        decrement: expected gain of one more step; small when converged.
        steps: Newton steps taken.
        ahead: where one more step would lead.
    """

    theta: FloatArray
    factors: Arrow
    evaluation: Evaluation
    log_density: float
    decrement: float
    steps: int
    ahead: FloatArray

    @property
    def converged(self) -> bool:
        """Whether one more step would gain next to nothing."""
        return self.decrement < 1e3 * TOLERANCE

    def log_marginal(self) -> float:
        """Return Laplace's approximation of the log density of the data at these scales."""
        return self.log_density - 0.5 * self.factors.log_determinant


def find_mode(
    likelihood: CellLikelihood,
    prior: Prior,
    noise: Noise,
    start: FloatArray,
    most_steps: int = MOST_STEPS,
    tolerance: float = TOLERANCE,
) -> Mode:
    """Climb from `start` to a mode, or stop after `most_steps` steps.

    A mode is taken as found where one more step would gain less than `tolerance` in log density.
    """
    theta, damping, steps = start, 0.0, 0
    while True:
        evaluation = likelihood.evaluate(theta, noise)
        density = evaluation.log_likelihood + prior.log_density(theta)
        gradient = evaluation.gradient - prior.precision @ (theta - prior.mean)
        information = evaluation.information.plus(prior.precision)
        factors = information.factorise()
        full = factors.solve(gradient)
        decrement = 0.5 * float(gradient @ full)
        done = decrement < tolerance or steps >= most_steps
        # A damped step is shorter: whether it is worth taking is judged without damping.
        step = information.damped(damping).factorise().solve(gradient) if damping else full
        moved = None if done else _climb(likelihood, prior, noise, theta, step, density)
        if moved is None:
            return Mode(theta, factors, evaluation, density, decrement, steps, theta + full)
        theta, fraction = moved
        damping = 0.0 if fraction == 1.0 else max(3.0 * damping, 1e-3)
        steps += 1


def _climb(
    likelihood: CellLikelihood,
    prior: Prior,
    noise: Noise,
    theta: FloatArray,
    step: FloatArray,
    density: float,
) -> tuple[FloatArray, float] | None:
    """Return the first of theta + step, + step/2, ... that is higher, or None."""
    fraction = 1.0
    for _ in range(MOST_HALVINGS):
        trial = theta + fraction * step
        value = likelihood.log_likelihood(trial, noise) + prior.log_density(trial)
        if value > density:
            return trial, fraction
        fraction *= 0.5
    return None
