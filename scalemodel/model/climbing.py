"""To the peak: alternate between the mode of the parameters and the scales, then settle."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.mode import MOST_STEPS, TOLERANCE, Mode, Prior, find_mode
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import Scales, first_scales, scale_slopes, update_scales
from scalemodel.model.threads import each

MOST_ROUNDS = 60
FEW_STEPS, FIRST_STEPS = 5, 25
#: How many times the gain that one more step is expected to bring a start may still gain.
CATCHING_UP = 4.0
STEPS_BETWEEN_SCALES = 3
STEPS_AT_SCALE_POINT = 15
#: Expected gain in log density below which the next step is as good as the mode, below which two
#: climbs can be compared, and below which small differences between modes can be seen.
NEAR, ROUGHLY, CLOSELY = 1e-2, 0.1, 1e-6
#: Largest change of a log scale, as a share of its sd, at which rounds stop, and longest step, in
#: sds, that may then be left to take.
SCALE_TOLERANCE, FARTHEST_LAST_STEP = 0.1, 3.0
#: Step of a log scale over which curvature is taken, and least curvature, in sds of the prior.
SCALE_STEP, LEAST_CURVATURE = 0.05, 0.5


@dataclass(frozen=True)
class Climbed:
    """Where alternating between mode and scales ended.

    Attributes:
        mode: the mode at the scales.
        scales: the scales.
        covariance: (scales, scales) posterior covariance of their logs (normal approximation).
        by_scale: (scales, size) derivatives of the mode by the log of each scale.
        rounds: rounds taken.
        status: "converged", or what did not converge.
    """

    mode: Mode
    scales: Scales
    covariance: FloatArray
    by_scale: FloatArray
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
    """Return the scales' prior medians, and where the most promising start leads with them.

    After a few steps a start is given up that is not likely to catch up with the best.
    """
    scales = first_scales(problem.layout)
    modes = [mode_at(problem, scales, start, FEW_STEPS, ROUGHLY) for start in problem.starts]
    best = max(mode.log_density for mode in modes)
    modes = [
        mode_at(problem, scales, mode.theta, FIRST_STEPS, ROUGHLY)
        for mode in modes
        if mode.log_density + CATCHING_UP * mode.decrement >= best
    ]
    return Reached(max(modes, key=lambda mode: mode.log_marginal()).theta, scales, 0)


def alternate(problem: FitProblem, reached: Reached) -> Reached:
    """Alternate modes and scales until the scales hardly move."""
    theta, scales, rounds, moved = reached.theta, reached.scales, 0, np.inf
    while rounds < MOST_ROUNDS and moved > SCALE_TOLERANCE:
        mode = mode_at(problem, scales, theta, STEPS_BETWEEN_SCALES, NEAR)
        updated = update_scales(problem.likelihood, mode, scales)
        steps = [
            abs(np.log(updated.values[n] / scales.values[n])) / updated.log_sd[n]
            for n in updated.values
            if updated.log_sd[n] > 0
        ]
        moved = max(steps, default=0.0)
        theta, scales, rounds = mode.ahead, updated, rounds + 1
    return Reached(theta, scales, reached.rounds + rounds)


def settle(problem: FitProblem, reached: Reached) -> Climbed:
    """Take the last step of the scales, find the mode there, and say how well all is known."""
    last = _last_step(problem, reached)
    scales = last.scales
    mode = mode_at(problem, scales, last.theta, MOST_STEPS, TOLERANCE)
    status = "converged"
    if last.length > FARTHEST_LAST_STEP:
        status = f"scales not settled after {reached.rounds} rounds"
    elif not mode.converged:
        status = f"mode not reached: one more step would gain {mode.decrement:.2g}"
    return Climbed(mode, scales, last.covariance, last.by_scale, reached.rounds, status)


def mode_at(
    problem: FitProblem, scales: Scales, start: FloatArray, steps: int, tolerance: float
) -> Mode:
    """Return the mode at the given scales, looked for from `start`."""
    prior = Prior.at(problem.layout, scales.values)
    return find_mode(problem.likelihood, prior, scales.noise, start, steps, tolerance)


@dataclass(frozen=True)
class _LastStep:
    """Where a Newton step over all log scales together leads.

    Attributes:
        scales, theta: the scales there, and about where their mode is.
        covariance: (scales, scales) posterior covariance of the log scales.
        by_scale: (scales, size) derivatives of the mode by the log scales.
        length: the longest step, in posterior sds.
    """

    scales: Scales
    theta: FloatArray
    covariance: FloatArray
    by_scale: FloatArray
    length: float


def _last_step(problem: FitProblem, reached: Reached) -> _LastStep:
    """Step to the peak of the marginal density, its curvature by differences of its slopes.

    A scale at its bound that would go beyond stays there, and is taken as known.
    """
    names = problem.layout.scale_names()
    priors = np.array([problem.layout.scale_priors[name].log_sd for name in names])
    scales = reached.scales
    mode = mode_at(problem, scales, reached.theta, MOST_STEPS, CLOSELY)
    slopes = scale_slopes(problem.likelihood, mode, scales)
    curvature, by_scale = np.zeros((len(names),) * 2), np.zeros((len(names), len(mode.theta)))
    held = scales.held(dict(zip(names, slopes.tolist(), strict=True)))
    free = np.flatnonzero((priors > 0) & ~np.isin(names, list(held)))

    def beside(k: int) -> tuple[FloatArray, FloatArray]:
        """Return the slopes and the mode with one scale moved."""
        there = scales.moved({names[k]: SCALE_STEP})
        other = mode_at(problem, there, mode.theta, MOST_STEPS, CLOSELY)
        return scale_slopes(problem.likelihood, other, there), other.theta

    for k, (turned, theta) in zip(free, each(beside, free.tolist(), problem.cells), strict=True):
        curvature[k] = (slopes - turned) / SCALE_STEP
        by_scale[k] = (theta - mode.theta) / SCALE_STEP
    covariance = _covariance(curvature, priors, free)
    sd = np.sqrt(np.diag(covariance))
    step = covariance @ slopes
    length = float((np.abs(step[free]) / sd[free]).max(initial=0.0))
    step *= min(1.0, FARTHEST_LAST_STEP / max(length, 1e-9))
    moved = scales.moved(dict(zip(names, step.tolist(), strict=True)))
    settled = Scales(moved.values, dict(zip(names, sd.tolist(), strict=True)))
    return _LastStep(settled, mode.theta + step @ by_scale, covariance, by_scale, length)


def _covariance(curvature: FloatArray, priors: FloatArray, free: IntArray) -> FloatArray:
    """Return the inverse of the curvature over the free log scales, 0 for known ones.

    In units of the priors' sds the priors alone have curvature 1, and none is taken to be flatter
    than `LEAST_CURVATURE`.
    """
    units = np.outer(priors, priors)
    scaled = 0.5 * ((curvature + curvature.T) * units)[np.ix_(free, free)]
    values, vectors = np.linalg.eigh(scaled)
    covariance = np.zeros_like(curvature)
    covariance[np.ix_(free, free)] = (vectors / np.maximum(values, LEAST_CURVATURE)) @ vectors.T
    return covariance * units
