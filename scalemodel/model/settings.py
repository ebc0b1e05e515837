"""How a fit is done."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FitSettings:
    """How a fit is done.

    Attributes:
        draws: joint posterior draws, spread evenly over the scale points.
        scale_points: points of the scales' posterior at which the mode is found anew; a power
            of two.
        seed: seed of the draws; the mode does not depend on it.
        ceiling: whether rates meet a ceiling at all.
    """

    draws: int = 1024
    scale_points: int = 16
    seed: int = 0
    ceiling: bool = True
