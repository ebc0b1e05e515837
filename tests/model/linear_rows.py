"""Rows of a linear model with a prior of one's choice, for the designs of runs."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array

from scalemodel.model.arrow import ArrowMatrix, Places
from scalemodel.model.design import Prospects

#: Prior precision of what is to be free: it says nothing beside data of size 1.
FLAT = 1e-12


def linear_rows(
    slopes: ArrayLike, *, own: ArrayLike = 0.0, run: ArrayLike = 1.0, precision: ArrayLike = FLAT
) -> Prospects:
    """Return rows with these slopes (rows, parameters) and a diagonal or whole prior precision."""
    slopes = np.asarray(slopes, dtype=float)
    count, size = slopes.shape
    precision = np.asarray(precision, dtype=float)
    border = precision if precision.ndim == 2 else np.diag(np.broadcast_to(precision, size))
    # A block that no row touches: the parameters are all in the border.
    matrix = ArrowMatrix(
        Places.of(np.array([0, 1]), size + 1), np.ones((1, 1, 1)), np.zeros((1, 1, size)), border
    )
    whole = csr_array(np.hstack([np.zeros((count, 1)), slopes]))
    own, run = (np.broadcast_to(v, count).astype(float) for v in (own, run))
    return Prospects.of(matrix, whole, own, run)
