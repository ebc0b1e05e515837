"""The priors: which effects the model has and how large each may be.

Sizes are orders of magnitude known from the trade before any bench is seen; a bench of ordinary
size overrides them. Learned scales have log-normal priors, so none collapses to zero.
"""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.spatial.distance import cdist

from scalemodel.model.arrays import FloatArray
from scalemodel.model.inputs import CardSpecs, Observed, Shape
from scalemodel.model.layout import Group, ScalePrior

#: Typical share of the time of a frame on the reference card, how its time grows with pixels, and
#: the sd of that. Raster work is work a pixel: it grows with them more surely than the rest.
STAGE_PRIORS = MappingProxyType(
    {
        "arithmetic": (0.55, 0.9, 0.2),
        "traffic": (0.20, 0.9, 0.2),
        "raster": (0.08, 0.9, 0.1),
        "fixed": (0.06, 0.0, 0.2),
    }
)
OTHER_STAGE_PRIOR = (0.2, 0.0, 0.2)

#: Median and log sd of each learned scale.
SCALE_PRIORS = MappingProxyType(
    {
        "share": ScalePrior(0.25, 0.5),
        "view": ScalePrior(0.06, 0.6),
        "vendor": ScalePrior(0.03, 0.5),
        "architecture": ScalePrior(0.04, 0.5),
        "architecture_stage": ScalePrior(0.04, 0.5),
        "architecture_scene": ScalePrior(0.04, 0.6),
        "architecture_pixels": ScalePrior(0.02, 0.6),
        "architecture_view": ScalePrior(0.015, 0.6),
        "card": ScalePrior(0.03, 0.5),
        "card_pixels": ScalePrior(0.01, 0.5),
        "smooth": ScalePrior(0.02, 0.6),
        "capacity": ScalePrior(0.05, 0.6),
        "knee": ScalePrior(0.20, 0.6),
        "preset_ceiling": ScalePrior(0.10, 0.5),
        "platform_ceiling": ScalePrior(0.08, 0.5),
        "gpu_noise": ScalePrior(0.02, 0.6),
        "noise": ScalePrior(0.004, 0.6),
        "tail": ScalePrior(6.0, 0.5),
    }
)

#: Length scale of the smooth residual, in sds of the specs, and its nugget at scale 1.
SMOOTH_LENGTH = 1.0
SMOOTH_NUGGET = 1e-3
LOG_P_PRIOR = (np.log(12.0), 0.6)
GAME_CEILING_SD = 0.5
#: What architectures gain a year beyond their sheets, and by how much that may be off. That newer
#: ones do a little more with the same sheet is common practice, without a source.
PROGRESS_PRIOR = (0.01, 0.007)


@dataclass(frozen=True)
class Levels:
    """Where rates of this bench lie: means of the wide priors on levels.

    Attributes:
        scene: mean log rate over all cells.
        ceiling: mean over scenes and platforms of the log of the highest rate seen.
    """

    scene: float
    ceiling: float

    @staticmethod
    def of(observed: Observed, shape: Shape) -> "Levels":
        """Return where the observed rates lie."""
        key = observed.rows.scene * shape.platforms + observed.rows.platform
        tops = [observed.log_rate[key == k].max() for k in np.unique(key)]
        return Levels(float(observed.log_rate.mean()), float(np.mean(tops)))


def spec_features(specs: CardSpecs) -> FloatArray:
    """Return (cards, features) logs of the specs over which the smooth residual is smooth."""
    moving = [k for k, name in enumerate(specs.stages) if name != "fixed"]
    return np.column_stack([specs.log_speed[:, moving], specs.capacity])


@dataclass(frozen=True)
class SmoothPrior:
    """Prior of the smooth residual over spec space: a kernel without its linear part.

    The physics owns every linear trend of the logs of the specs, so the best plane through the
    tested cards is taken out of the residual. It is then small among the tested cards and grows
    wide, not confident, beyond them (a Matern 5/2 kernel; Rasmussen & Williams 2006, 2.7 and 4.2).

    Attributes:
        center, spread: (features,) mean and sd of each feature over the tested cards.
        tested: (cards, features) their features in these units.
        precision: (cards, cards) precision of the residual over the tested cards at scale 1.
    """

    center: FloatArray
    spread: FloatArray
    tested: FloatArray
    precision: FloatArray

    @staticmethod
    def over(specs: CardSpecs) -> "SmoothPrior":
        """Return the prior over the given tested cards."""
        return SmoothPrior.through(spec_features(specs))

    @staticmethod
    def through(raw: FloatArray) -> "SmoothPrior":
        """Return the prior over points with the given features (points, features)."""
        center, spread = raw.mean(axis=0), raw.std(axis=0)
        spread = np.where(spread > 1e-9, spread, 1.0)
        tested = (raw - center) / spread
        covariance = _covariance(tested, tested, tested) + SMOOTH_NUGGET * np.eye(len(tested))
        return SmoothPrior(center, spread, tested, np.asarray(np.linalg.inv(covariance)))

    def at(self, specs: CardSpecs) -> tuple[FloatArray, FloatArray]:
        """Return what the residual of new cards is, given that of the tested ones.

        Returns:
            weights (new, tested) of the tested cards' residuals in the conditional mean, and the
            conditional covariance (new, new) at scale 1.
        """
        return self.given(spec_features(specs))

    def given(self, raw: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what `at` does, of points with the given features (new, features)."""
        new = (raw - self.center) / self.spread
        between = _covariance(new, self.tested, self.tested)
        weights = between @ self.precision
        covariance = _covariance(new, new, self.tested) - weights @ between.T
        return weights, covariance


def _covariance(a: FloatArray, b: FloatArray, tested: FloatArray) -> FloatArray:
    """Return the kernel between `a` and `b` after the best plane over `tested` is taken out."""
    plane_a, plane_b = _plane(a, tested), _plane(b, tested)
    covariance: FloatArray = (
        _kernel(a, b)
        - plane_a @ _kernel(tested, b)
        - _kernel(a, tested) @ plane_b.T
        + plane_a @ _kernel(tested, tested) @ plane_b.T
    )
    return covariance


def plane_through(tested: FloatArray) -> FloatArray:
    """Return (1 + features, cards) the least-squares plane through values at the tested cards."""
    plane: FloatArray = np.linalg.pinv(np.hstack([np.ones((len(tested), 1)), tested]), rcond=1e-8)
    return plane


def _plane(at: FloatArray, tested: FloatArray) -> FloatArray:
    """Return (len(at), tested) weights that evaluate that plane."""
    weights: FloatArray = np.column_stack([np.ones(len(at)), at]) @ plane_through(tested)
    return weights


def _kernel(a: FloatArray, b: FloatArray) -> FloatArray:
    distance = np.sqrt(5.0) * cdist(a, b) / (SMOOTH_LENGTH * np.sqrt(a.shape[1]))
    kernel: FloatArray = (1.0 + distance + distance**2 / 3.0) * np.exp(-distance)
    return kernel


def make_groups(specs: CardSpecs, shape: Shape, levels: Levels) -> tuple[Group, ...]:
    """Return all groups of parameters that this bench can inform."""
    groups = [*_level_groups(levels), *_stage_groups(specs), *_card_groups(specs)]
    groups += _spec_groups(specs)
    if shape.has_ceiling:
        groups += _ceiling_groups(shape, levels)
    return tuple(groups)


def _level_groups(levels: Levels) -> list[Group]:
    return [
        Group("level", "offset", "scene", levels.scene, 1.5),
        Group("view", "offset", "view", 0.0, "view"),
    ]


def _stage_groups(specs: CardSpecs) -> list[Group]:
    groups = []
    for name in specs.stages:
        share, growth, sd = STAGE_PRIORS.get(name, OTHER_STAGE_PRIOR)
        at = f"stage:{name}"
        groups += [
            Group(f"share:{name}", at, "one", float(np.log(share)), 0.8),
            Group(f"share_pixels:{name}", f"growth:{name}", "one", growth, sd, times="log_pixels"),
            Group(f"share_scene:{name}", at, "scene", 0.0, "share"),
        ]
    if specs.arithmetic is not None and specs.traffic is not None:
        name = specs.stages[specs.traffic]
        groups.append(
            Group(
                f"architecture:{name}", f"stage:{name}", "architecture", 0.0, "architecture_stage"
            )
        )
    return groups


def _card_groups(specs: CardSpecs) -> list[Group]:
    smooth = SmoothPrior.over(specs).precision
    groups = [
        Group("vendor", "offset", "vendor", 0.0, "vendor"),
        Group("architecture", "offset", "architecture", 0.0, "architecture"),
        Group("architecture_scene", "offset", "architecture_scene", 0.0, "architecture_scene"),
        Group(
            "architecture_view",
            "offset",
            "architecture_scene",
            0.0,
            "architecture_view",
            times="log_pixels",
        ),
        Group(
            "architecture_pixels",
            "offset",
            "architecture",
            0.0,
            "architecture_pixels",
            times="log_pixels",
        ),
        Group("card", "offset", "card", 0.0, "card"),
        Group("card_pixels", "offset", "card", 0.0, "card_pixels", times="log_pixels"),
        Group("smooth", "offset", "card", 0.0, "smooth", precision=smooth),
    ]
    if specs.release is not None:
        groups.append(Group("progress", "offset", "one", *PROGRESS_PRIOR, times="release"))
    for k in range(specs.capacity.shape[1]):
        groups.append(Group(f"capacity:{k}", "offset", "one", 0.0, "capacity", f"capacity:{k}"))
    return groups


def _spec_groups(specs: CardSpecs) -> list[Group]:
    groups = []
    if specs.arithmetic is not None:
        groups += [
            Group("fill", "fill", "one", float(np.log(0.04)), 1.0),
            Group("fill_pixels", "fill", "one", -0.4, 0.3, times="log_pixels"),
        ]
    if specs.arithmetic is not None and specs.traffic is not None:
        groups.append(Group("request", "request", "one", 0.5, 0.5))
    if specs.traffic is not None and np.isfinite(specs.log_cache).any():
        groups += [
            Group("hit", "hit", "one", float(np.log(0.4)), 0.5),
            Group("working_set", "working_set", "one", float(np.log(24.0)), 0.8),
            Group("working_set_pixels", "set_growth", "one", 0.8, 0.3, times="log_pixels"),
        ]
    return groups


def _ceiling_groups(shape: Shape, levels: Levels) -> list[Group]:
    groups = [
        Group("ceiling", "ceiling", "one", levels.ceiling + 0.15, 0.5),
        Group("game_ceiling", "ceiling", "game", 0.0, GAME_CEILING_SD),
        Group("log_p", "log_p", "one", *LOG_P_PRIOR),
    ]
    if shape.scenes > 1:
        groups.append(Group("scene_knee", "log_p", "scene", 0.0, "knee"))
    if shape.scenes > shape.games:
        groups.append(Group("preset_ceiling", "ceiling", "scene", 0.0, "preset_ceiling"))
    if shape.platforms > 1:
        groups += [
            Group("platform", "ceiling", "platform", 0.0, 0.3),
            Group("platform_ceiling", "ceiling", "scene_platform", 0.0, "platform_ceiling"),
        ]
    return groups
