"""Random numbers spread evenly over their distribution: quantiles of joint draws then move less.

Draws are made in equal numbers at some points of the scales' posterior. Of each column of numbers
one falls in each of as many equal strata as there are draws, and at each point one in each of as
many strata as there are draws there; columns are independent (Latin hypercubes, one sliced by the
points: McKay, Beckman & Conover 1979, Technometrics 21; Qian 2012, JASA 107).
"""

import numpy as np
from scipy.special import ndtri

from scalemodel.model.arrays import FloatArray


def spread_uniforms(
    rng: np.random.Generator, points: int, each: int, columns: int = 1
) -> FloatArray:
    """Return (points * each, columns) uniform numbers, those of one point beside each other."""
    coarse = rng.permuted(np.tile(np.arange(each)[:, None], (points, 1, columns)), axis=1)
    fine = rng.permuted(np.tile(np.arange(points)[:, None], (each, 1, columns)), axis=1)
    within = np.take_along_axis(fine.swapaxes(0, 1), coarse, axis=1)
    jitter = rng.random(coarse.shape)
    uniforms: FloatArray = (coarse + (within + jitter) / points) / each
    return uniforms.reshape(points * each, columns)


def spread_normals(rng: np.random.Generator, points: int, each: int, columns: int) -> FloatArray:
    """Return (points * each, columns) standard normal numbers, likewise."""
    normals: FloatArray = ndtri(spread_uniforms(rng, points, each, columns))
    return normals
