"""Start a fit from another one, of nearly the same cells."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.layout import Layout
from scalemodel.model.scales import Scales

#: Keys of groups whose parameters belong to a pair.
PAIRS = {
    "architecture_scene": ("architecture", "scene"),
    "scene_platform": ("scene", "platform"),
}


@dataclass(frozen=True)
class WarmStart:
    """Another fit, and how its cards, scenes and so on are counted in this one.

    Attributes:
        layout, theta, scales: of the other fit.
        kept: (cells,) mask of this fit's cells that the other fit kept.
        places: for each of "card", "architecture", "vendor", "platform", "game", "scene" and
            "view", the index in the other fit of each index here; -1 for one it did not know.
    """

    layout: Layout
    theta: FloatArray
    scales: Scales
    kept: BoolArray
    places: Mapping[str, IntArray]

    def carried(self, layout: Layout) -> FloatArray:
        """Return the other fit's parameters under a new layout; unknown ones at their means."""
        theta = layout.prior_mean()
        names = {group.name for group in self.layout.groups}
        for group, where in zip(layout.groups, layout.positions, strict=True):
            if group.name not in names:
                continue
            old = self._old_index(group.key)
            known = old >= 0
            theta[where[known]] = self.theta[self.layout.position(group.name)[old[known]]]
        return theta

    def _old_index(self, key: str) -> IntArray:
        """Return the index in the other fit of each parameter with that key, or -1."""
        if key == "one":
            return np.zeros(1, dtype=np.intp)
        if key not in PAIRS:
            return self.places[key]
        first, second = (self.places[name] for name in PAIRS[key])
        width = {
            "scene": self.layout.shape.scenes,
            "platform": self.layout.shape.platforms,
        }[PAIRS[key][1]]
        both = (first[:, None] >= 0) & (second >= 0)
        return np.where(both, first[:, None] * width + second, -1).ravel()
