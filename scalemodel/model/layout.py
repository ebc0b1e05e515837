"""Where every parameter lives: groups of parameters, their priors, and the rows they act on.

Parameters that belong to one game come first, game by game; those shared by all games come last.
Given the shared ones the games are independent, which the inference makes use of (arrow.py).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.inputs import CardSpecs, Reference, Rows, Shape

#: Linear predictors beside two for each stage.
OTHER_PREDICTORS = (
    "offset",
    "ceiling",
    "log_p",
    "fill",
    "request",
    "hit",
    "working_set",
    "set_growth",
)
CEILING_PREDICTORS = ("ceiling", "log_p")


#: Scales of the residual: on the GPU side, on every cell, and the t's degrees of freedom.
NOISE_NAMES = ("gpu_noise", "noise", "tail")


class ScalePrior(NamedTuple):
    """Log-normal prior of a scale; one with `log_sd` 0 is known and stays at its median."""

    median: float
    log_sd: float


@dataclass(frozen=True)
class Group:
    """Parameters with one prior, acting on one linear predictor.

    Attributes:
        name: unique name.
        predictor: "stage:NAME", "growth:NAME" or one of OTHER_PREDICTORS.
        key: what a parameter belongs to: "one", "card", "architecture", "vendor", "platform",
            or, local to a game, "game", "scene", "view", "architecture_scene", "scene_platform".
        mean: prior mean.
        scale: prior sd, or the name of a scale that is learned.
        times: what the parameter is multiplied with: "one", "log_pixels", "release", "capacity:K".
        precision: precision of the group at scale 1 (None: the identity).
    """

    name: str
    predictor: str
    key: str
    mean: float
    scale: float | str
    times: str = "one"
    precision: FloatArray | None = None


@dataclass(frozen=True)
class RowDesign:
    """Which parameters act on which rows.

    Attributes:
        index: (rows, terms) position of the parameter.
        weight: (rows, terms) what it is multiplied with; 0 where the row has no such parameter.
        predictor: (terms,) linear predictor each term adds to.
    """

    index: IntArray
    weight: FloatArray
    predictor: IntArray

    def take(self, keep: IntArray | slice) -> "RowDesign":
        """Return the design of the rows at the given positions."""
        return RowDesign(self.index[keep], self.weight[keep], self.predictor)


@dataclass(frozen=True)
class Layout:
    """Positions of all groups in the parameter vector.

    Attributes:
        groups: the groups.
        positions: for each group, the position of each of its parameters.
        bounds: (games + 1,) where each game's parameters begin; the last is where the shared begin.
        size: number of parameters.
        predictors: names of the linear predictors, stages first.
        scale_priors: prior of each learned scale, those of NOISE_NAMES among them.
    """

    shape: Shape
    reference: Reference
    groups: tuple[Group, ...]
    positions: tuple[IntArray, ...]
    bounds: IntArray
    size: int
    predictors: tuple[str, ...]
    scale_priors: Mapping[str, ScalePrior]

    def position(self, name: str) -> IntArray:
        """Return the positions of the group with that name."""
        for group, where in zip(self.groups, self.positions, strict=True):
            if group.name == name:
                return where
        raise KeyError(name)

    def scales(self) -> tuple[str, ...]:
        """Return the names of the effects' scales, in order of first use."""
        return tuple(dict.fromkeys(g.scale for g in self.groups if isinstance(g.scale, str)))

    def scale_names(self) -> tuple[str, ...]:
        """Return the names of all learned scales: the effects', then the noise's."""
        return (*self.scales(), *NOISE_NAMES)

    def prior_mean(self) -> FloatArray:
        """Return the prior mean of the parameter vector."""
        mean = np.zeros(self.size)
        for group, where in zip(self.groups, self.positions, strict=True):
            mean[where] = group.mean
        return mean

    def design(self, rows: Rows, specs: CardSpecs) -> RowDesign:
        """Return which parameters act on the rows of cards with the given sheets.

        `rows.card` indexes `specs`. An effect of a card, architecture or vendor that the fit does
        not know is left out of the row (weight 0).
        """
        index, weight = [], []
        for group, where in zip(self.groups, self.positions, strict=True):
            key = key_index(group.key, rows, specs, self.shape)
            known = key >= 0
            index.append(where[np.where(known, key, 0)])
            weight.append(np.where(known, self._times(group, rows, specs), 0.0))
        predictor = [self.predictors.index(g.predictor) for g in self.groups]
        # Term by term in memory, as they are worked on.
        return RowDesign(np.stack(index).T, np.stack(weight).T, np.array(predictor, dtype=np.intp))

    def _times(self, group: Group, rows: Rows, specs: CardSpecs) -> FloatArray:
        if group.times == "one":
            return np.ones(len(rows))
        if group.times == "log_pixels":
            return rows.log_pixels
        if group.times == "release":
            assert specs.release is not None
            return specs.release[rows.card] - self.reference.release
        k = int(group.times.split(":")[1])
        capacity: FloatArray = specs.capacity[rows.card, k] - self.reference.capacity[k]
        return capacity


def key_size(key: str, shape: Shape) -> int:
    """Return how many parameters a group with that key has."""
    sizes = {
        "one": 1,
        "card": shape.cards,
        "architecture": shape.architectures,
        "vendor": shape.vendors,
        "platform": shape.platforms,
        "game": shape.games,
        "scene": shape.scenes,
        "view": len(shape.scene_of_view),
        "architecture_scene": shape.architectures * shape.scenes,
        "scene_platform": shape.scenes * shape.platforms,
    }
    return sizes[key]


def key_index(key: str, rows: Rows, specs: CardSpecs, shape: Shape) -> IntArray:
    """Return which parameter of a group acts on each row; -1 for none."""
    architecture = specs.architecture[rows.card]
    if key == "one":
        return np.zeros(len(rows), dtype=np.intp)
    if key == "card":
        return specs.fitted[rows.card]
    if key == "architecture_scene":
        return np.where(architecture >= 0, architecture * shape.scenes + rows.scene, -1)
    if key == "scene_platform":
        return rows.scene * shape.platforms + rows.platform
    index: dict[str, IntArray] = {
        "architecture": architecture,
        "vendor": specs.vendor[rows.card],
        "platform": rows.platform,
        "game": shape.game_of_scene[rows.scene],
        "scene": rows.scene,
        "view": rows.view,
    }
    return index[key]


def key_game(key: str, shape: Shape) -> IntArray | None:
    """Return the game each parameter of a group belongs to, or None where games share it."""
    local: dict[str, IntArray] = {
        "game": np.arange(shape.games),
        "scene": shape.game_of_scene,
        "view": shape.game_of_view,
        "architecture_scene": np.tile(shape.game_of_scene, shape.architectures),
        "scene_platform": np.repeat(shape.game_of_scene, shape.platforms),
    }
    return local.get(key)


def make_layout(
    shape: Shape,
    reference: Reference,
    stages: tuple[str, ...],
    groups: tuple[Group, ...],
    scale_priors: Mapping[str, ScalePrior],
) -> Layout:
    """Place the parameters of all groups, those of one game beside each other."""
    games = [key_game(g.key, shape) for g in groups]
    sizes = [key_size(g.key, shape) for g in groups]
    owner = np.concatenate(
        [np.full(n, shape.games) if g is None else g for g, n in zip(games, sizes, strict=True)]
    )
    order = np.argsort(owner, kind="stable")
    place = np.empty(len(owner), dtype=np.intp)
    place[order] = np.arange(len(owner))
    ends = np.cumsum(sizes)
    return Layout(
        shape=shape,
        reference=reference,
        groups=groups,
        positions=tuple(place[end - n : end] for end, n in zip(ends, sizes, strict=True)),
        bounds=np.searchsorted(owner[order], np.arange(shape.games + 1)),
        size=len(owner),
        predictors=(
            *(f"stage:{name}" for name in stages),
            *(f"growth:{name}" for name in stages),
            *OTHER_PREDICTORS,
        ),
        scale_priors=scale_priors,
    )
