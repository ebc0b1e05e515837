"""Memory capacity: find the results of cards that hold less than a view needs.

Such a card falls off a cliff, which no smooth law of its specs describes. A fall counts as one
for lack of memory only if it is ordered by memory: most cards that hold no more fell too.
"""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray

#: Share of the expected rate that must be missing: beyond what boards and architectures differ.
LEAST_FALL = 0.12
#: The same where a single card is all the evidence, which a bad run could mimic.
LEAST_FALL_ALONE = 0.30
#: Share of the cards with no more memory that must have fallen as well.
LEAST_SHARE = 2.0 / 3.0


@dataclass(frozen=True)
class Cliffs:
    """Results that fell for lack of memory.

    Attributes:
        fell: (rows,) mask of the results.
        needs_more_than_gb: (views,) memory that was not enough for the view; 0 where unknown.
    """

    fell: BoolArray
    needs_more_than_gb: FloatArray


def find_cliffs(residual: FloatArray, view: IntArray, memory_gb: FloatArray, views: int) -> Cliffs:
    """Find falls from residuals of a robust fit.

    Args:
        residual: (rows,) log of measured over expected GPU-side rate.
        view: (rows,) scene at one resolution.
        memory_gb: (rows,) memory of the card, NaN where unknown.
        views: number of views.
    """
    fell = np.zeros(len(residual), dtype=bool)
    needs = np.zeros(views)
    deep = residual < np.log1p(-LEAST_FALL)
    for k in np.unique(view[deep]):
        here = np.flatnonzero((view == k) & np.isfinite(memory_gb))
        threshold = _threshold(residual[here], memory_gb[here])
        needs[k] = threshold
        fell[here] = deep[here] & (memory_gb[here] <= threshold)
    return Cliffs(fell, needs)


def _threshold(residual: FloatArray, memory_gb: FloatArray) -> float:
    """Return the most memory that was not enough, or 0."""
    fell = residual < np.log1p(-LEAST_FALL)
    for size in np.unique(memory_gb[fell])[::-1]:
        no_more = memory_gb <= size
        # Above the cliff the cards must be well; else the view as a whole is off.
        if no_more.all() or np.median(residual[~no_more]) < np.log1p(-LEAST_FALL):
            continue
        count = int((fell & no_more).sum())
        deepest = float(residual[no_more].min())
        if count == 1 and deepest > np.log1p(-LEAST_FALL_ALONE):
            continue
        if count >= LEAST_SHARE * no_more.sum():
            return float(size)
    return 0.0
