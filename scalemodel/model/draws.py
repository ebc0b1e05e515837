"""Joint draws from the posterior, as they are kept."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray

#: How many draws at a point of the scales' posterior lie in pairs on both sides of its mean.
PAIRED = 8


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    The first draws at each point lie in pairs on both sides of the mean there. What is too dear to
    be found of all draws is found of these.

    Attributes:
        theta: (draws, size) parameters.
        centers: (points, size) the mode at each point of the scales' posterior, around which
            rates are linear.
        scales: (draws, scales) learned scales, in the order of `scale_names`.
        scale_names: their names.
    """

    theta: FloatArray
    centers: FloatArray
    scales: FloatArray
    scale_names: tuple[str, ...]

    @property
    def point(self) -> IntArray:
        """(draws,) the point of the scales' posterior that each draw was made at."""
        return np.repeat(np.arange(len(self.centers)), len(self.theta) // len(self.centers))

    @property
    def paired(self) -> IntArray:
        """(pairs * 2,) the draws that lie in pairs."""
        each = len(self.theta) // len(self.centers)
        return np.flatnonzero(np.arange(len(self.theta)) % each < paired_at_each(each))

    def scale(self, name: str) -> FloatArray:
        """Return (draws,) draws of one scale."""
        column: FloatArray = self.scales[:, self.scale_names.index(name)]
        return column


def paired_at_each(draws: int) -> int:
    """Return how many of so many draws at one point lie in pairs."""
    return min(PAIRED, draws // 2 * 2)
