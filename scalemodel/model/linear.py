"""GPU-side rates of posterior draws, linear around the modes, with the mean of the rest.

The posterior is Gaussian in the parameters only around its mode. Where a few cards leave stages
hard to tell apart, their log times vary widely along a direction that hardly moves the rate; sent
through the sum of exponentials such draws would all be slow (Jensen's inequality). Linear in the
parameters, the draws of the rate are the Gaussian approximation of the rate itself (Tierney &
Kadane 1986, JASA 81; the same is done for predictors by Rue, Martino & Chopin 2009, JRSS B 71).
What the linear part misses is added on the average of the paired draws: their mean is exact. Of a
measured cell the offsets make up for it (centering.py); of a card that was not, they need not.
"""

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
    stages = speeds.log_speed.shape[1]
    centers = linear_predictors(design, layout, draws.centers)
    at = gpu_side(speeds, as_predictors(centers, stages))
    slopes = np.moveaxis(gpu_slopes(at), -1, 0)

    def linear(those: FloatArray, point: IntArray) -> FloatArray:
        rates: FloatArray = at.log_rate[point]
        for k, name in enumerate(layout.predictors):
            if name not in CEILING_PREDICTORS:
                rates += slopes[k][point] * (those[k] - centers[k][point])
        return rates

    paired = draws.paired
    pairs = linear_predictors(design, layout, draws.theta[paired])
    # A draw far out may overflow; nothing is then added for it.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        exact = gpu_side(speeds, as_predictors(pairs, stages)).log_rate
        beyond = exact - linear(pairs, draws.point[paired])
    missed = np.where(np.isfinite(beyond), beyond, 0.0).sum(axis=0) / max(len(paired), 1)
    log_rate: FloatArray = linear(values, draws.point[chosen]) + missed
    return log_rate
