"""Array types and the helper that makes the arrays of a result read-only."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


def read_only(values: ArrayLike) -> FloatArray:
    """Return a float copy of `values` that cannot be written to."""
    copy = np.array(values, dtype=np.float64)
    copy.setflags(write=False)
    return copy


def read_only_mask(values: ArrayLike) -> BoolArray:
    """Return a copy of a mask that cannot be written to."""
    copy = np.array(values, dtype=np.bool_)
    copy.setflags(write=False)
    return copy
