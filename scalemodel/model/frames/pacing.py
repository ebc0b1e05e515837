"""How a run went: slow frames, and whether something other than work sets the pace."""

import math
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.frames.counts import Counts

STRETCH = 64
"""Frames whose median is taken for the running median."""

SPIKE = 2.0
"""A frame is a spike if it takes more than so many times the running median."""

NEAR = 0.01
"""Frame times this close to each other, as a share, count as one."""

MULTIPLES = (2, 3, 4)
"""A refresh that was missed shows at a multiple of the interval."""

TOGETHER = 64
"""Frames averaged to see a pace through what single frames stray from it."""

STEADY = 0.005
"""Averages of so many frames this close to each other, as a share, are at one pace."""

MOSTLY, NEARLY_ALL = 0.5, 0.75
"""Share of averages at one pace, or of frames at multiples of a time, from which a run is held."""


@dataclass(frozen=True)
class Hold:
    """The pace that holds a run.

    Attributes:
        time: the frame time in ms; NaN if nothing holds the run.
        share: share of the run at that pace (at the likeliest one if nothing holds it).
        multiples: share of the frames at multiples of the time: refreshes that were missed.
    """

    time: float
    share: float
    multiples: float


def stretch_medians(times: FloatArray) -> FloatArray:
    """Give the median of each stretch of frames (the upper of the two in the middle).

    The last stretch takes what is left; a rest of less than half a stretch joins the one before.
    """
    whole = max((len(times) + STRETCH // 2) // STRETCH, 1) - 1
    body = times[: whole * STRETCH].reshape(-1, STRETCH)
    medians = np.partition(body, STRETCH // 2, axis=1)[:, STRETCH // 2]
    rest = np.sort(times[whole * STRETCH :])
    return np.append(medians, rest[len(rest) // 2])


def running_medians(times: FloatArray) -> FloatArray:
    """Give the running median of each frame: the largest of three stretches' medians.

    These are the stretch the frame is in and its neighbours, so that a cut from a light to a
    heavy scene is not taken for a spike.
    """
    level = _levels(times)
    return np.asarray(level[np.minimum(np.arange(len(times)) // STRETCH, len(level) - 1)])


def spikes(times: FloatArray) -> IntArray:
    """Give the places of the frames that take more than twice the running median."""
    level = SPIKE * _levels(times)
    whole = (len(level) - 1) * STRETCH
    body = times[:whole].reshape(-1, STRETCH) > level[:-1, None]
    rest = np.flatnonzero(times[whole:] > level[-1]) + whole
    return np.concatenate([np.flatnonzero(body), rest])


def _levels(times: FloatArray) -> FloatArray:
    """Give the running median in each stretch."""
    medians = stretch_medians(times)
    around = np.concatenate([medians[:1], medians, medians[-1:]])
    return np.asarray(np.maximum(np.maximum(around[:-2], around[1:-1]), around[2:]))


def hold(frames: Counts, averages: Counts | None) -> Hold:
    """Tell whether something other than work sets the pace: a cap or a refresh interval.

    Under a cap a short frame follows a long one, so that averages of a few frames are all alike;
    work alone changes along a run. Frames that wait for a refresh take one interval or, if they
    miss it, a multiple.

    Args:
        frames: frame times.
        averages: average times of 64 frames in a row; None in a run too short for them.
    """
    if averages is not None:
        time, near, _ = _densest(averages, STEADY, ())
        if near >= MOSTLY:
            return Hold(time, near, 0.0)
    time, near, multiples = _densest(frames, NEAR, MULTIPLES)
    alike = frames.between(np.array([time / 1.5]), np.array([time * 1.5]))[0] / frames.total
    held = near + multiples >= NEARLY_ALL and near >= NEARLY_ALL * alike
    return Hold(time if held else math.nan, near + multiples, multiples)


def _densest(counts: Counts, near: float, multiples: tuple[int, ...]) -> tuple[float, float, float]:
    """Give the time most frames are near, their share, and the share near its multiples."""
    centres = np.sqrt(counts.edges[:-1] * counts.edges[1:])[np.diff(counts.below) > 0]
    at_time = counts.between(centres * (1 - near), centres * (1 + near))
    later = np.zeros_like(at_time)
    for n in multiples:
        later += counts.between(centres * (n - near), centres * (n + near))
    best = int(np.argmax(at_time + later * (at_time >= at_time.max() / 2)))
    return (
        float(centres[best]),
        float(at_time[best] / counts.total),
        float(later[best] / counts.total),
    )
