"""What a frame costs: additive GPU stages under a ceiling, as plain functions of arrays.

Everything is in natural logarithms of frames per second. The GPU side sums the times of stages
that run one after another; the slower of GPU and CPU side sets the rate, with a soft knee.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from scalemodel.model.arrays import FloatArray, IntArray

#: Sharpness of the smooth minimum of nominal bandwidth and what the shaders can request.
REQUEST_SHARPNESS = 2.0


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
        reference_cache: that of the reference card.
        arithmetic: index of the stage limited by the shaders, or None.
        traffic: index of the stage limited by memory bandwidth, or None.
    """

    log_speed: FloatArray
    log_width: FloatArray
    log_cache: FloatArray
    reference_cache: float
    arithmetic: int | None
    traffic: int | None

    def take(self, keep: IntArray | slice) -> "StageSpeeds":
        """Return the speeds of the rows at the given positions."""
        return replace(
            self,
            log_speed=self.log_speed[keep],
            log_width=self.log_width[keep],
            log_cache=self.log_cache[keep],
        )


@dataclass(frozen=True)
class Predictors:
    """The linear predictors of rows; every array broadcasts against (..., rows).

    Attributes:
        stage: (..., rows, stages) log time of each stage on the reference card at the reference
            resolution, up to what all stages have in common.
        growth: (..., rows, stages) what the row's resolution adds to that.
        offset: log rate of the reference card at the reference resolution, and what card and
            architecture add to it.
        fill: log of the share of extra width that is lost (the width exponent is 1 - e^fill).
        request: log of what the reference shaders can request over its nominal bandwidth.
        hit: log exponent with which cache reduces traffic.
        working_set: log of the working set in MB at the reference resolution.
        set_growth: what the row's resolution adds to that.
    """

    stage: FloatArray
    growth: FloatArray
    offset: FloatArray
    fill: FloatArray
    request: FloatArray
    hit: FloatArray
    working_set: FloatArray
    set_growth: FloatArray


@dataclass(frozen=True)
class GpuSide:
    """Log GPU rate of rows and its derivatives by each linear predictor (offset's is 1)."""

    log_rate: FloatArray
    by_stage: FloatArray
    by_growth: FloatArray
    by_fill: FloatArray
    by_request: FloatArray
    by_hit: FloatArray
    by_working_set: FloatArray
    by_set_growth: FloatArray


@dataclass(frozen=True)
class _Traffic:
    """What requests and cache add to the log time of traffic, and its derivatives."""

    cost: FloatArray
    by_request: FloatArray
    by_hit: FloatArray
    by_working_set: FloatArray


def _traffic(
    gap: FloatArray, log_cache: FloatArray | float, working_set: FloatArray, hit: FloatArray
) -> _Traffic:
    """Return the cost of traffic where bandwidth exceeds what is requested by `gap` (log)."""
    cached = log_cache - working_set
    saved = np.exp(hit) * np.logaddexp(0.0, cached)
    return _Traffic(
        cost=np.logaddexp(0.0, REQUEST_SHARPNESS * gap) / REQUEST_SHARPNESS - saved,
        by_request=-expit(REQUEST_SHARPNESS * gap),
        by_hit=-saved,
        by_working_set=np.exp(hit) * expit(cached),
    )


def gpu_side(speeds: StageSpeeds, at: Predictors) -> GpuSide:
    """Return the log GPU rate and its derivatives.

    The time of a frame relative to that of the reference card at the reference resolution:
    ``offset - log sum_j exp(stage_j + growth_j - speed_j) + log sum_j exp(stage_j)``, with what
    fill, requests and cache add to the stages on either side. What all stages have in common
    drops out, so that the rates which were measured fix the offset and little else.
    """
    time = at.stage + at.growth - speeds.log_speed
    reference = at.stage.copy()
    a, k = speeds.arithmetic, speeds.traffic
    zero = np.zeros(time.shape[:-1])
    loss, here, there = zero, None, None
    if a is not None:
        loss = np.exp(at.fill) * speeds.log_width
        time[..., a] += loss
    if k is not None:
        asked = at.request if a is not None else np.full_like(zero, np.inf)
        ahead = speeds.log_speed[:, k] - speeds.log_speed[:, a] if a is not None else zero
        working_set = at.working_set + at.set_growth
        here = _traffic(ahead - asked, speeds.log_cache, working_set, at.hit)
        there = _traffic(-asked, speeds.reference_cache, at.working_set, at.hit)
        time[..., k] += here.cost
        reference[..., k] += there.cost
    log_time, share = _sum_of_stages(time)
    log_reference, reference_share = _sum_of_stages(reference)
    by_fill = by_request = by_hit = by_set = by_set_growth = zero
    if a is not None:
        by_fill = -share[..., a] * loss
    if k is not None and here is not None and there is not None:
        own, other = share[..., k], reference_share[..., k]
        by_request = other * there.by_request - own * here.by_request
        by_hit = other * there.by_hit - own * here.by_hit
        by_set_growth = -own * here.by_working_set
        by_set = other * there.by_working_set + by_set_growth
    return GpuSide(
        log_rate=at.offset - log_time + log_reference,
        by_stage=reference_share - share,
        by_growth=-share,
        by_fill=by_fill,
        by_request=by_request,
        by_hit=by_hit,
        by_working_set=by_set,
        by_set_growth=by_set_growth,
    )


def _sum_of_stages(log_times: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the log of the summed times (..., rows), and each stage's share of the sum."""
    top = log_times.max(axis=-1, keepdims=True)
    weight = np.exp(log_times - top)
    total = weight.sum(axis=-1, keepdims=True)
    log_sum: FloatArray = (top + np.log(total))[..., 0]
    return log_sum, weight / total


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
