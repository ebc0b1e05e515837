"""To the peak: alternate between the mode of the parameters and the scales, then settle."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray
from scalemodel.model.mode import MOST_STEPS, TOLERANCE, Mode, Prior, find_mode
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import Scales, first_scales, scale_slopes, update_scales

MOST_ROUNDS = 60
FIRST_STEPS = 25
STEPS_BETWEEN_SCALES = 3
STEPS_AT_SCALE_POINT = 6
#: Expected gain in log density below which the next step is as good as the mode, and below which
#: two climbs can be compared.
NEAR, ROUGHLY = 1e-2, 0.1
#: Largest change of a log scale, as a share of its sd, at which rounds stop, and longest step, in
#: sds, that may then be left to take.
SCALE_TOLERANCE, FARTHEST_LAST_STEP = 0.1, 1.0
#: Step of a log scale over which curvature is taken, and least curvature, in sds of the prior.
SCALE_STEP, LEAST_CURVATURE = 0.1, 0.5


@dataclass(frozen=True)
class Climbed:
    """Where alternating between mode and scales ended.

    Attributes:
        mode: the mode at the scales.
        scales: the scales.
        covariance: (scales, scales) posterior covariance of their logs (normal approximation).
        rounds: rounds taken.
        status: "converged", or what did not converge.
    """

    mode: Mode
    scales: Scales
    covariance: FloatArray
    rounds: int
    status: str


@dataclass(frozen=True)
class Reached:
    """How far alternating between mode and scales has got.

    Attributes:
        theta: the parameters.
        scales: the scales.
        rounds: rounds taken in all.
    """

    theta: FloatArray
    scales: Scales
    rounds: int


def climb(problem: FitProblem) -> Climbed:
    """Climb to the peak: alternate between mode and scales, then settle."""
    return settle(problem, alternate(problem, first_reached(problem)))


def first_reached(problem: FitProblem) -> Reached:
    """Return the scales' prior medians, and where the more promising start leads with them."""
    scales = first_scales(problem.layout)
    modes = [mode_at(problem, scales, start, FIRST_STEPS, ROUGHLY) for start in problem.starts]
    best = max(modes, key=lambda mode: mode.log_marginal())
    return Reached(best.theta, scales, 0)


def alternate(problem: FitProblem, reached: Reached) -> Reached:
    """Alternate modes and scales until the scales hardly move."""
    theta, scales, rounds, moved = reached.theta, reached.scales, 0, np.inf
    while rounds < MOST_ROUNDS and moved > SCALE_TOLERANCE:
        mode = mode_at(problem, scales, theta, STEPS_BETWEEN_SCALES, NEAR)
        updated = update_scales(problem.likelihood, mode, scales)
        moved = max(
            abs(np.log(updated.values[n] / scales.values[n])) / updated.log_sd[n]
            for n in updated.values
            if updated.log_sd[n] > 0
        )
        theta, scales, rounds = mode.ahead, updated, rounds + 1
    return Reached(theta, scales, reached.rounds + rounds)


def settle(problem: FitProblem, reached: Reached) -> Climbed:
    """Take the last step of the scales, find the mode there, and say how well all is known."""
    scales, covariance, step = _last_step(problem, reached.scales, reached.theta)
    mode = mode_at(problem, scales, reached.theta, MOST_STEPS, TOLERANCE)
    status = "converged"
    if step > FARTHEST_LAST_STEP:
        status = f"scales not settled after {reached.rounds} rounds"
    elif not mode.converged:
        status = f"mode not reached: one more step would gain {mode.decrement:.2g}"
    return Climbed(mode, scales, covariance, reached.rounds, status)


def mode_at(
    problem: FitProblem, scales: Scales, start: FloatArray, steps: int, tolerance: float
) -> Mode:
    """Return the mode at the given scales, looked for from `start`."""
    prior = Prior.at(problem.layout, scales.values)
    return find_mode(problem.likelihood, prior, scales.noise, start, steps, tolerance)


def _last_step(
    problem: FitProblem, scales: Scales, theta: FloatArray
) -> tuple[Scales, FloatArray, float]:
    """Take a Newton step to the peak of the marginal density over all log scales together.

    Returns:
        The scales there, the covariance of their logs, and the longest step in sds.
    """
    names = problem.layout.scale_names()
    priors = np.array([problem.layout.scale_priors[name].log_sd for name in names])
    mode = mode_at(problem, scales, theta, STEPS_AT_SCALE_POINT, NEAR)
    slopes = scale_slopes(problem.likelihood, mode, scales)
    curvature = np.zeros((len(names), len(names)))
    free = np.flatnonzero(priors > 0)
    for k in free:
        beside = scales.moved({names[k]: SCALE_STEP})
        other = mode_at(problem, beside, mode.ahead, STEPS_AT_SCALE_POINT, NEAR)
        there = scale_slopes(problem.likelihood, other, beside)
        curvature[k] = (slopes - there) / SCALE_STEP * priors * priors[k]
    # In units of the priors' sds the priors alone have curvature 1.
    values, vectors = np.linalg.eigh(0.5 * (curvature + curvature.T)[np.ix_(free, free)])
    inverse = (vectors / np.maximum(values, LEAST_CURVATURE)) @ vectors.T
    step = np.zeros(len(names))
    step[free] = inverse @ (slopes * priors)[free]
    covariance = np.zeros_like(curvature)
    covariance[np.ix_(free, free)] = inverse
    covariance *= np.outer(priors, priors)
    sd = np.sqrt(np.diag(covariance))
    longest = float((np.abs(step[free] * priors[free]) / sd[free]).max(initial=0.0))
    step = step * priors * min(1.0, FARTHEST_LAST_STEP / max(longest, 1e-9))
    settled = scales.moved(dict(zip(names, step.tolist(), strict=True)))
    return Scales(settled.values, dict(zip(names, sd.tolist(), strict=True))), covariance, longest
