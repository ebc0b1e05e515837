"""Which cards no other beats in both rate and price."""

import numpy as np

from scalemodel.model.arrays import BoolArray, FloatArray


def beats(log_rate: FloatArray, log_price: FloatArray) -> BoolArray:
    """Say, draw by draw, whether card j is faster than card i and not dearer: (draws, i, j).

    Args:
        log_rate, log_price: (draws, cards).
    """
    faster = log_rate[:, None, :] > log_rate[:, :, None]
    no_dearer = log_price[:, None, :] <= log_price[:, :, None]
    return np.asarray(faster & no_dearer)
