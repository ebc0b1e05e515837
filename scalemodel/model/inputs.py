"""What the model is given: cards as logs of their specs, rows of cells, and what was observed."""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class CardSpecs:
    """Spec sheets as plain arrays, one row a card.

    Attributes:
        stages: names of the stages of a frame; the last may be "fixed", which no spec shrinks.
        log_speed: (cards, stages) log of the speed the sheet gives each stage; 0 for "fixed".
        log_width: (cards,) log of the parallel width (shaders).
        log_cache: (cards,) log of the last-level cache in MB; -inf where there is none.
        capacity: (cards, capacities) logs of further specs that may shift a card's rate.
        memory_gb: (cards,) memory capacity, NaN where unknown.
        fitted: (cards,) index of the card among those of the fit; -1 for a card not measured.
        architecture: (cards,) index of the architecture; negative for one that no tested card
            has (-1, -2, ...: different new ones).
        vendor: (cards,) index of the vendor; negative likewise.
        arithmetic, traffic: index of the stage limited by the shaders or by bandwidth, or None.
        release: (cards,) year in which the card's architecture came out, or None if unknown.
    """

    stages: tuple[str, ...]
    log_speed: FloatArray
    log_width: FloatArray
    log_cache: FloatArray
    capacity: FloatArray
    memory_gb: FloatArray
    fitted: IntArray
    architecture: IntArray
    vendor: IntArray
    arithmetic: int | None
    traffic: int | None
    release: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.log_speed)

    def take(self, cards: IntArray) -> "CardSpecs":
        """Return the sheets of the given cards, in the given order."""
        return CardSpecs(
            self.stages,
            self.log_speed[cards],
            self.log_width[cards],
            self.log_cache[cards],
            self.capacity[cards],
            self.memory_gb[cards],
            self.fitted[cards],
            self.architecture[cards],
            self.vendor[cards],
            self.arithmetic,
            self.traffic,
            None if self.release is None else self.release[cards],
        )


@dataclass(frozen=True)
class Reference:
    """The reference card that speeds, widths and capacities are measured from (log means).

    Its cache is the mean of the cards that have one, -inf where none has; its release is the mean
    of the tested architectures', in years, 0 where unknown.
    """

    log_speed: FloatArray
    log_width: float
    log_cache: float
    capacity: FloatArray
    release: float

    @staticmethod
    def of(specs: CardSpecs) -> "Reference":
        """Return the geometric mean card of the given sheets."""
        cached = specs.log_cache[np.isfinite(specs.log_cache)]
        first = np.unique(specs.architecture, return_index=True)[1]
        release = 0.0 if specs.release is None else float(specs.release[first].mean())
        return Reference(
            specs.log_speed.mean(axis=0),
            float(specs.log_width.mean()),
            float(cached.mean()) if len(cached) else -np.inf,
            specs.capacity.mean(axis=0),
            release,
        )


@dataclass(frozen=True)
class Rows:
    """Cells to evaluate: what is tested where.

    Attributes:
        card, scene, view, platform: (rows,) indices; a view is a scene at one resolution.
        log_pixels: (rows,) log of the resolution's pixels over 2560 x 1440.
    """

    card: IntArray
    scene: IntArray
    view: IntArray
    platform: IntArray
    log_pixels: FloatArray

    def __len__(self) -> int:
        return len(self.card)

    def take(self, keep: IntArray | slice) -> "Rows":
        """Return the rows at the given positions."""
        return Rows(
            self.card[keep],
            self.scene[keep],
            self.view[keep],
            self.platform[keep],
            self.log_pixels[keep],
        )


@dataclass(frozen=True)
class Observed:
    """Measured cells.

    Attributes:
        rows: which cells.
        log_rate: (rows,) mean log rate of the runs of a cell.
        run_variance: (rows,) variance of that mean as repeated runs give it; 0 where unknown.
    """

    rows: Rows
    log_rate: FloatArray
    run_variance: FloatArray

    def take(self, keep: IntArray | slice) -> "Observed":
        """Return the cells at the given positions."""
        return Observed(self.rows.take(keep), self.log_rate[keep], self.run_variance[keep])


@dataclass(frozen=True)
class Shape:
    """How many of everything, and which scene belongs to which game.

    Attributes:
        game_of_scene: (scenes,) index of the game a scene is a preset of.
        scene_of_view: (views,) scene of each view.
        has_ceiling: whether rates meet a ceiling at all.
    """

    cards: int
    architectures: int
    vendors: int
    platforms: int
    game_of_scene: IntArray
    scene_of_view: IntArray
    has_ceiling: bool = True

    @property
    def scenes(self) -> int:
        """Number of scenes."""
        return len(self.game_of_scene)

    @property
    def games(self) -> int:
        """Number of games."""
        return int(self.game_of_scene.max()) + 1

    @property
    def game_of_view(self) -> IntArray:
        """(views,) game of each view."""
        return self.game_of_scene[self.scene_of_view]


def shape_of(specs: CardSpecs, rows: Rows, game_of_scene: IntArray, *, ceiling: bool) -> Shape:
    """Return the shape of a bench whose indices all count from 0 without gaps."""
    scene_of_view = np.zeros(int(rows.view.max()) + 1, dtype=np.intp)
    scene_of_view[rows.view] = rows.scene
    return Shape(
        cards=len(specs),
        architectures=int(specs.architecture.max()) + 1,
        vendors=int(specs.vendor.max()) + 1,
        platforms=int(rows.platform.max()) + 1,
        game_of_scene=game_of_scene,
        scene_of_view=scene_of_view,
        has_ceiling=ceiling,
    )
