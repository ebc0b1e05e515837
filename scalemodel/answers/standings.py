"""Who comes first, and how sure that is: from joint draws of what cards are compared by."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.ranks import p_faster


@dataclass(frozen=True)
class Standings:
    """The order of some cards by what they are compared by, the larger the better.

    Attributes:
        order: (cards,) indices, the best first.
        p_next: (cards,) in this order, the chance of being truly ahead of the next; NaN for the
            last.
        p_first: (cards,) in this order, the chance of being the best of all.
    """

    order: IntArray
    p_next: FloatArray
    p_first: FloatArray


def standings(middle: FloatArray, draws: FloatArray) -> Standings:
    """Order cards by their middle values.

    Args:
        middle: (cards,) what the order goes by.
        draws: (draws, cards) joint draws.
    """
    order = np.argsort(-middle, kind="stable")
    p_next = np.full(len(order), np.nan)
    for k in range(len(order) - 1):
        p_next[k] = p_faster(draws[:, order[k]], draws[:, order[k + 1]])
    first = np.bincount(draws.argmax(axis=1), minlength=len(order)) / len(draws)
    return Standings(order, p_next, first[order])
