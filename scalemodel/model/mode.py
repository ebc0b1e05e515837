"""The mode of the parameters at given scales, and the information there.

Newton steps with the Fisher information in place of the Hessian, so that every step is uphill.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.arrow import Arrow, ArrowMatrix, Diagonal
from scalemodel.model.layout import Layout
from scalemodel.model.likelihood import CellLikelihood, Evaluation, Noise

#: Decrement (expected gain in log density) below which a mode is taken as found.
TOLERANCE = 1e-7
MOST_STEPS = 60
MOST_DAMPINGS = 12
#: Expected gain of a step below which the information is as good as constant, and steps taken
#: with it before it is found anew.
CLOSE, MOST_QUASI_STEPS = 5.0, 12
#: Expected gain below which one more step is taken on trust.
NEARLY = 0.5


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
        information: precision of the posterior there (negative Hessian).
        factors: its factors.
        evaluation: the likelihood there.
        log_density: log likelihood plus log prior.
        decrement: expected gain of one more step; small when converged.
        steps: Newton steps taken.
        ahead: where one more step would lead, if that is likely to be nearer.
    """

    theta: FloatArray
    information: ArrowMatrix
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
    Far from it every step uses the information where it starts from; close to it the information
    hardly changes, and what it misses of the curvature is learned from the steps themselves.
    """
    # A trial far off may overflow; its density is then no number and it is not taken.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        here, steps = _reached(likelihood, prior, noise, start, most_steps, tolerance)
    return Mode(
        here.theta,
        here.information,
        here.factors,
        here.evaluation,
        here.density,
        here.decrement,
        steps,
        here.theta + here.step if here.decrement < NEARLY else here.theta,
    )


def _reached(
    likelihood: CellLikelihood,
    prior: Prior,
    noise: Noise,
    start: FloatArray,
    most_steps: int,
    tolerance: float,
) -> tuple["_Informed", int]:
    """Return where the climb ends, and the steps taken."""
    here, steps = _informed(likelihood, prior, noise, start), 0
    while here.decrement >= tolerance and steps < most_steps:
        moved, taken = None, 0
        if here.decrement < CLOSE:
            most = min(most_steps - steps, MOST_QUASI_STEPS)
            moved, taken = _quasi_newton(likelihood, prior, noise, here, most, tolerance)
        if moved is None:
            moved, taken = _damped_step(likelihood, prior, noise, here), 1
        if moved is None:
            break
        here, steps = _informed(likelihood, prior, noise, moved), steps + taken
    return here, steps


@dataclass(frozen=True)
class _Informed:
    """A place on the climb, with the information there.

    Attributes:
        theta: the parameters.
        evaluation: the likelihood there.
        information: precision of the posterior there.
        factors: its factors.
        density: log posterior density.
        gradient: its gradient.
        step: Newton's step, with the information for the Hessian.
        decrement: expected gain of that step.
    """

    theta: FloatArray
    evaluation: Evaluation
    information: ArrowMatrix
    factors: Arrow
    density: float
    gradient: FloatArray
    step: FloatArray
    decrement: float


def _informed(
    likelihood: CellLikelihood, prior: Prior, noise: Noise, theta: FloatArray
) -> _Informed:
    evaluation = likelihood.evaluate(theta, noise)
    information = evaluation.information.plus(prior.precision)
    factors = information.factorise()
    gradient = evaluation.gradient - prior.precision @ (theta - prior.mean)
    step = factors.solve(gradient)
    return _Informed(
        theta=theta,
        evaluation=evaluation,
        information=information,
        factors=factors,
        density=evaluation.log_likelihood + prior.log_density(theta),
        gradient=gradient,
        step=step,
        decrement=0.5 * float(gradient @ step),
    )


def _damped_step(
    likelihood: CellLikelihood, prior: Prior, noise: Noise, here: _Informed
) -> FloatArray | None:
    """Return a higher place along Newton's step, or along ever more damped ones, or None."""
    step, damping = here.step, 0.0
    for _ in range(MOST_DAMPINGS):
        best, gained = None, 0.0
        for fraction in (1.0, 0.5):
            trial = here.theta + fraction * step
            value = likelihood.log_likelihood(trial, noise) + prior.log_density(trial)
            if value - here.density > gained:
                best, gained = trial, value - here.density
            # Where the curvature is twice what the information says, a full step gains nothing.
            if gained > 0.5 * here.decrement:
                break
        if best is not None:
            return best
        damping = max(10.0 * damping, 1e-2)
        step = here.information.damped(damping).factorise().solve(here.gradient)
    return None


def _quasi_newton(
    likelihood: CellLikelihood,
    prior: Prior,
    noise: Noise,
    here: _Informed,
    most_steps: int,
    tolerance: float,
) -> tuple[FloatArray | None, int]:
    """Climb by limited-memory quasi-Newton steps from the information at `here`.

    The two-loop recursion (Nocedal 1980, Mathematics of Computation 35), started from that
    information instead of a multiple of the identity.

    Returns:
        The place reached, or None if it is no higher, and the steps taken.
    """
    theta, density, gradient = here.theta, here.density, here.gradient
    pairs: list[tuple[FloatArray, FloatArray]] = []
    for taken in range(most_steps):
        step = _two_loops(pairs, gradient, here.factors)
        if 0.5 * float(gradient @ step) < tolerance:
            return (theta if taken else None), taken
        for fraction in (1.0, 0.5, 0.25):
            trial = theta + fraction * step
            value, slope = likelihood.slope(trial, noise)
            value += prior.log_density(trial)
            if value > density:
                break
        else:
            return (theta if taken else None), taken
        slope = slope - prior.precision @ (trial - prior.mean)
        moved, turned = trial - theta, gradient - slope
        if float(moved @ turned) > 0.0:
            pairs.append((moved, turned))
        theta, density, gradient = trial, value, slope
    return theta, most_steps


def _two_loops(
    pairs: list[tuple[FloatArray, FloatArray]], gradient: FloatArray, factors: Arrow
) -> FloatArray:
    """Return the step from pairs of steps and changes of the (negative) gradient."""
    rest, shares = gradient.copy(), []
    for moved, turned in reversed(pairs):
        shares.append(float(moved @ rest) / float(moved @ turned))
        rest -= shares[-1] * turned
    step = factors.solve(rest)
    for (moved, turned), share in zip(pairs, reversed(shares), strict=True):
        step += (share - float(turned @ step) / float(moved @ turned)) * moved
    return step
