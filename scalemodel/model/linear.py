"""GPU-side rates of posterior draws, linear around the modes that the draws were made at.

The posterior is Gaussian in the parameters only around its mode. Where a few cards leave stages
hard to tell apart, their log times vary widely along a direction that hardly moves the rate; sent
through the sum of exponentials such draws would all be slow (Jensen's inequality). Linear in the
parameters, the draws of the rate are the Gaussian approximation of the rate itself (Tierney &
Kadane 1986, JASA 81; the same is done for predictors by Rue, Martino & Chopin 2009, JRSS B 71).
"""

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.draws import Draws
from scalemodel.model.layout import Layout, RowDesign
from scalemodel.model.likelihood import as_predictors, linear_predictors
from scalemodel.model.physics import StageSpeeds, gpu_side


def draw_gpu_side(
    layout: Layout,
    draws: Draws,
    speeds: StageSpeeds,
    design: RowDesign,
    values: FloatArray,
    chosen: IntArray,
) -> FloatArray:
    """Return (draws, rows) log GPU rates.

    Args:
        layout, draws: those of the fit.
        speeds: what the sheets say of the rows.
        design: which parameters act on the rows.
        values: (predictors, draws, rows) linear predictors of the draws, new effects included.
        chosen: (draws,) which of the fit's draws these are.
    """
    centers = linear_predictors(design, layout, draws.centers)
    return linear_gpu_side(speeds, centers, values, draws.point[chosen])


def linear_gpu_side(
    speeds: StageSpeeds, centers: FloatArray, values: FloatArray, point: IntArray
) -> FloatArray:
    """Return (draws, rows) log GPU rates, linear around centers.

    Args:
        speeds: what the sheets say of the rows.
        centers: (predictors, points, rows) linear predictors to be linear around.
        values: (predictors, draws, rows) linear predictors of the draws.
        point: (draws,) the center of each draw.
    """
    stages = speeds.log_speed.shape[1]
    at = gpu_side(speeds, as_predictors(centers, stages))
    away = as_predictors(values - centers[:, point], stages)
    log_rate = at.log_rate[point] + away.offset
    for k in range(stages):
        log_rate += at.by_stage[..., k][point] * away.stage[..., k]
        log_rate += at.by_growth[..., k][point] * away.growth[..., k]
    for slope, distance in (
        (at.by_fill, away.fill),
        (at.by_request, away.request),
        (at.by_hit, away.hit),
        (at.by_working_set, away.working_set),
        (at.by_set_growth, away.set_growth),
    ):
        log_rate += slope[point] * distance
    return np.asarray(log_rate)
