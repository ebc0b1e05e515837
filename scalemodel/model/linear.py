"""GPU-side rates of posterior draws, linear around the modes, with the mean of the rest.

The posterior is Gaussian in the parameters only around its mode. Where a few cards leave stages
hard to tell apart, their log times vary widely along a direction that hardly moves the rate; sent
through the sum of exponentials such draws would all be slow (Jensen's inequality). Linear in the
parameters, the draws of the rate are the Gaussian approximation of the rate itself (Tierney &
Kadane 1986, JASA 81; the same is done for predictors by Rue, Martino & Chopin 2009, JRSS B 71).
What the linear part misses is added on the average of the paired draws: their mean is exact. Of a
measured cell the offsets make up for it (centering.py); of a card that was not, they need not.
"""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.draws import Draws
from scalemodel.model.layout import CEILING_PREDICTORS, Layout, RowDesign
from scalemodel.model.likelihood import as_predictors, gpu_slopes, linear_predictors
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
    return linear_gpu_side(
        layout,
        speeds,
        DrawnPredictors(
            centers=linear_predictors(design, layout, draws.centers),
            pairs=linear_predictors(design, layout, draws.theta[draws.paired]),
            values=values,
            pair_point=draws.point[draws.paired],
            point=draws.point[chosen],
        ),
    )


@dataclass(frozen=True)
class DrawnPredictors:
    """Linear predictors of rows at draws of the parameters.

    Attributes:
        centers: (predictors, points, rows) at the modes that the draws were made at.
        pairs: (predictors, pairs, rows) at the paired draws.
        values: (predictors, draws, rows) at the draws to be evaluated.
        pair_point, point: the point that each paired draw, and each draw, was made at.
    """

    centers: FloatArray
    pairs: FloatArray
    values: FloatArray
    pair_point: IntArray
    point: IntArray


def linear_gpu_side(layout: Layout, speeds: StageSpeeds, at: DrawnPredictors) -> FloatArray:
    """Return (draws, rows) log GPU rates, linear but for the mean of what that misses."""
    stages = speeds.log_speed.shape[1]
    side = gpu_side(speeds, as_predictors(at.centers, stages))
    slopes = np.moveaxis(gpu_slopes(side), -1, 0)

    def linear(those: FloatArray, point: IntArray) -> FloatArray:
        rates: FloatArray = side.log_rate[point]
        for k, name in enumerate(layout.predictors):
            if name not in CEILING_PREDICTORS:
                rates += slopes[k][point] * (those[k] - at.centers[k][point])
        return rates

    # A draw far out may overflow; nothing is then added for it.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        exact = gpu_side(speeds, as_predictors(at.pairs, stages)).log_rate
        beyond = exact - linear(at.pairs, at.pair_point)
    missed = np.where(np.isfinite(beyond), beyond, 0.0).sum(axis=0) / max(len(at.pair_point), 1)
    log_rate: FloatArray = linear(at.values, at.point) + missed
    return log_rate
