"""Joint draws from the posterior, as they are kept."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    Attributes:
        theta: (draws, size) parameters.
        centers: (points, size) the mode at each point of the scales' posterior.
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

    def scale(self, name: str) -> FloatArray:
        """Return (draws,) draws of one scale."""
        column: FloatArray = self.scales[:, self.scale_names.index(name)]
        return column
