"""What a frame costs: additive GPU stages under a ceiling, as plain functions of arrays.

Everything is in natural logarithms of frames per second. The GPU side sums the times of stages
that run one after another; the slower of GPU and CPU side sets the rate, with a soft knee.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from scalemodel.model.arrays import FloatArray

#: Sharpness of the smooth minimum of nominal bandwidth and what the shaders can request.
REQUEST_SHARPNESS = 4.0


def smooth_min(a: ArrayLike, b: ArrayLike, p: ArrayLike) -> NDArray[Any]:
    """Return ``(a^-p + b^-p)^(-1/p)`` for positive `a`, `b` of any shapes that broadcast.

    With p = 1 the times 1/a and 1/b add up (serial work); with p to infinity it is the lesser
    of the two (a roofline).
    """
    sharpness = np.asarray(p, dtype=np.float64)
    log_a, log_b = np.log(a), np.log(b)
    return np.exp(-np.logaddexp(-sharpness * log_a, -sharpness * log_b) / sharpness)


@dataclass(frozen=True)
class StageSpeeds:
    """What the sheets say of the rows to evaluate; all arrays hold one entry a row.

    Attributes:
        log_speed: (rows, stages) log speed of each stage relative to a reference card.
        log_width: (rows,) log parallel width relative to the reference, which loses fill.
        log_cache: (rows,) log of the last-level cache in MB; -inf for none.
        arithmetic: index of the stage limited by the shaders, or None.
        traffic: index of the stage limited by memory bandwidth, or None.
    """

    log_speed: FloatArray
    log_width: FloatArray
    log_cache: FloatArray
    arithmetic: int | None
    traffic: int | None


@dataclass(frozen=True)
class Predictors:
    """The linear predictors of rows; every array broadcasts against (..., rows).

    Attributes:
        stage: (..., rows, stages) log time of each stage on the reference card.
        offset: log rate added by levels and by card and architecture effects.
        fill: log of the share of extra width that is lost (the width exponent is 1 - e^fill).
        request: log of what the reference shaders can request over its nominal bandwidth.
        hit: log exponent with which cache reduces traffic.
        working_set: log of the working set in MB.
    """

    stage: FloatArray
    offset: FloatArray
    fill: FloatArray
    request: FloatArray
    hit: FloatArray
    working_set: FloatArray


@dataclass(frozen=True)
class GpuSide:
    """Log GPU rate of rows and its derivatives by each linear predictor (offset's is 1)."""

    log_rate: FloatArray
    by_stage: FloatArray
    by_fill: FloatArray
    by_request: FloatArray
    by_hit: FloatArray
    by_working_set: FloatArray


def gpu_side(speeds: StageSpeeds, at: Predictors) -> GpuSide:
    """Return the log GPU rate ``offset - log sum_j exp(stage_j - speed_j)`` and derivatives."""
    time = at.stage - speeds.log_speed
    zero = np.zeros(time.shape[:-1])
    by_fill, by_request, by_hit, by_set = zero, zero, zero, zero
    loss = request_share = traffic_saved = hit = cached = zero
    if speeds.arithmetic is not None:
        loss = np.exp(at.fill) * speeds.log_width
        time[..., speeds.arithmetic] += loss
    if speeds.traffic is not None:
        k = speeds.traffic
        if speeds.arithmetic is not None:
            gap = speeds.log_speed[:, k] - speeds.log_speed[:, speeds.arithmetic] - at.request
            time[..., k] += np.logaddexp(0.0, REQUEST_SHARPNESS * gap) / REQUEST_SHARPNESS
            request_share = expit(REQUEST_SHARPNESS * gap)
        hit = np.exp(at.hit)
        cached = speeds.log_cache - at.working_set
        traffic_saved = hit * np.logaddexp(0.0, cached)
        time[..., k] -= traffic_saved
    top = time.max(axis=-1, keepdims=True)
    weight = np.exp(time - top)
    total = weight.sum(axis=-1, keepdims=True)
    share = weight / total
    log_rate = at.offset - (top + np.log(total))[..., 0]
    if speeds.arithmetic is not None:
        by_fill = -share[..., speeds.arithmetic] * loss
    if speeds.traffic is not None:
        by_request = share[..., speeds.traffic] * request_share
        by_hit = share[..., speeds.traffic] * traffic_saved
        by_set = -share[..., speeds.traffic] * hit * expit(cached)
    return GpuSide(log_rate, -share, by_fill, by_request, by_hit, by_set)


@dataclass(frozen=True)
class UnderCeiling:
    """Log rate under a ceiling, its sensitivity, and their derivatives.

    Attributes:
        log_rate: log of the smooth minimum of GPU rate and ceiling.
        sensitivity: d log_rate / d log GPU rate; 1 - sensitivity is that by the log ceiling.
        rate_by_log_p: d log_rate / d log p.
        sensitivity_by_gap: d sensitivity / d (log GPU rate - log ceiling).
        sensitivity_by_log_p: d sensitivity / d log p.
    """

    log_rate: FloatArray
    sensitivity: FloatArray
    rate_by_log_p: FloatArray
    sensitivity_by_gap: FloatArray
    sensitivity_by_log_p: FloatArray


def under_ceiling(log_gpu: FloatArray, log_ceiling: FloatArray, log_p: FloatArray) -> UnderCeiling:
    """Return ``log smooth_min(gpu, ceiling, p)`` with analytic derivatives."""
    p = np.exp(log_p)
    gap = log_gpu - log_ceiling
    cost = np.logaddexp(0.0, -p * gap) / p
    sensitivity = expit(-p * gap)
    curvature = p * sensitivity * (1.0 - sensitivity)
    return UnderCeiling(
        log_rate=log_ceiling - cost,
        sensitivity=sensitivity,
        rate_by_log_p=cost + gap * sensitivity,
        sensitivity_by_gap=-curvature,
        sensitivity_by_log_p=-gap * curvature,
    )
