"""What a click must wait for at least: the next frame, the work, the refresh, a queue. In ms."""

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.model.arrays import FloatArray


def input_wait(frame_times: ArrayLike) -> float:
    """Return the mean wait from a random instant to the begin of the next frame.

    E[X^2] / (2 E[X]) of the frame times X, since long frames are hit more often than short ones
    (Cox 1962, Renewal Theory; Feller 1971, An Introduction to Probability Theory II, XI). Half a
    frame if all are alike, else more.
    """
    times = np.asarray(frame_times, dtype=np.float64)
    return float((times**2).mean() / (2 * times.mean()))


def scanout_wait(refresh_hz: ArrayLike) -> FloatArray:
    """Return the mean wait until a screen is drawn next where the sensor looks: half an interval.

    The wait is uniform over the interval 1000 / refresh_hz, so its sd is that over sqrt(12).
    """
    return np.asarray(500.0 / np.asarray(refresh_hz, dtype=np.float64))


def queue_wait(load: float, service: float, variation: float) -> float:
    """Return the mean wait in a queue before service, with arrivals at random instants.

    Pollaczek & Khinchine: load · service · (1 + variation²) / (2 (1 - load)). The time in the
    system is this and the service.

    Args:
        load: share of the time that the server is busy, below 1.
        service: mean time of service.
        variation: sd of the service times over their mean: 1 for M/M/1, 0 for M/D/1.
    """
    return load * service * (1 + variation**2) / (2 * (1 - load))


def queue_latency(frames: ArrayLike, rate: ArrayLike) -> FloatArray:
    """Return how long frames that are under way take at this rate (Little 1961): 1000 n / rate."""
    return np.asarray(1000.0 * np.asarray(frames, dtype=float) / np.asarray(rate, dtype=float))


def least_latency(frame_ms: FloatArray, gpu_ms: FloatArray, refresh_hz: FloatArray) -> FloatArray:
    """Return what the mean of a click's latency cannot be below.

    Half a frame until the next one begins, the time the GPU draws, half a refresh. With frames that
    are not all alike, a CPU that takes time, or a queue, it is more.

    Args:
        frame_ms: time from frame to frame.
        gpu_ms: what the GPU needs for a frame: less than that where the ceiling sets the rate.
        refresh_hz: of the screen; NaN where not known, which then counts nothing.
    """
    return np.asarray(frame_ms / 2 + gpu_ms + np.nan_to_num(scanout_wait(refresh_hz)))
