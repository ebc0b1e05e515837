"""What every peer is given and what it gives back."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray, read_only

CROWD_WIDTH = 0.02  # rates this close to the top of a chart are crowded there
CROWD_CARDS = 3  # that many cards make a crowd


@dataclass(frozen=True)
class PeerData:
    """Measured log rates with the cards and charts they belong to.

    Rows: `log_rate`, `card_index` and `chart_index`, shape (n,); several rows may belong to one
    cell. Cards: `card_specs`, shape (n_cards, k), logs of specs in order of importance, the
    first that of shaders x clock. Charts: `chart_features`, shape (n_charts, m), such as log
    pixels and one column a scene. Cards and charts without rows are allowed.

    Raises ScalemodelError when shapes disagree, an index points nowhere or a value is missing.
    """

    log_rate: FloatArray
    card_index: IntArray
    chart_index: IntArray
    card_specs: FloatArray
    chart_features: FloatArray

    def __post_init__(self) -> None:
        """Check the arrays and keep read-only copies."""
        for name in ("log_rate", "card_specs", "chart_features"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        for name in ("card_index", "chart_index"):
            object.__setattr__(self, name, _read_only_index(getattr(self, name)))
        if self.log_rate.ndim != 1 or self.card_specs.ndim != 2 or self.chart_features.ndim != 2:
            raise ScalemodelError("peers need log_rate of one dimension, specs and features of two")
        _check_index("card_index", self.card_index, self.log_rate.size, len(self.card_specs))
        _check_index("chart_index", self.chart_index, self.log_rate.size, len(self.chart_features))
        for name in ("log_rate", "card_specs", "chart_features"):
            if not np.isfinite(getattr(self, name)).all():
                raise ScalemodelError(f"peers need {name} without missing or infinite values")

    @property
    def cards(self) -> IntArray:
        """Indices of the cards that have rows, sorted."""
        return np.unique(self.card_index)

    @property
    def row_specs(self) -> FloatArray:
        """Specs of the card of each row, shape (n, k)."""
        return np.asarray(self.card_specs[self.card_index])

    def without_cards(self, cards: ArrayLike) -> "PeerData":
        """Return the same data without the rows of `cards`; indices keep their meaning."""
        return self._rows(~np.isin(self.card_index, cards))

    def crowded(self) -> BoolArray:
        """Mark the rows within 2% of the top of a chart where three or more cards crowd."""
        mark = np.zeros(self.log_rate.size, dtype=bool)
        for chart in np.unique(self.chart_index):
            rows = np.flatnonzero(self.chart_index == chart)
            top = self.log_rate[rows].max()
            near = rows[self.log_rate[rows] >= top + np.log1p(-CROWD_WIDTH)]
            if np.unique(self.card_index[near]).size >= CROWD_CARDS:
                mark[near] = True
        return mark

    def _rows(self, keep: BoolArray) -> "PeerData":
        return PeerData(
            self.log_rate[keep],
            self.card_index[keep],
            self.chart_index[keep],
            self.card_specs,
            self.chart_features,
        )


@dataclass(frozen=True)
class Question:
    """Which cells to predict: one row a cell of a card that was not measured.

    `specs` has shape (rows, k) with the columns of `PeerData.card_specs`; `charts`, shape
    (rows,), holds chart indices. `level` is the probability a range should hold; `seed` feeds
    the peers that draw random numbers.
    """

    specs: FloatArray
    charts: IntArray
    level: float = 0.8
    seed: int = 0

    def __post_init__(self) -> None:
        """Check the arrays and keep read-only copies."""
        object.__setattr__(self, "specs", read_only(self.specs))
        object.__setattr__(self, "charts", _read_only_index(self.charts))
        if self.specs.ndim != 2 or self.charts.shape != self.specs.shape[:1]:
            raise ScalemodelError(
                "a question needs one row of specs for each chart; specs have shape "
                f"{self.specs.shape}, charts {self.charts.shape}"
            )
        if not 0 < self.level < 1:
            raise ScalemodelError(f"level must lie between 0 and 1, got {self.level}")

    def check_against(self, data: PeerData) -> None:
        """Raise ScalemodelError unless specs and charts fit `data`."""
        if self.specs.shape[1] != data.card_specs.shape[1]:
            raise ScalemodelError(
                f"a question with {self.specs.shape[1]} specs a card for data "
                f"with {data.card_specs.shape[1]}"
            )
        _check_index("charts", self.charts, self.charts.size, len(data.chart_features))


@dataclass(frozen=True)
class PeerPrediction:
    """Median log rate of each cell asked for, with a range where the peer states one.

    All of shape (rows,); `lower` and `upper` are None for a peer without ranges of its own.
    """

    median: FloatArray
    lower: FloatArray | None = None
    upper: FloatArray | None = None

    def __post_init__(self) -> None:
        """Make the arrays read-only."""
        for name in ("median", "lower", "upper"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))


Peer = Callable[[PeerData, Question], PeerPrediction]


def usable_columns(specs: FloatArray, n_cards: int) -> list[int]:
    """Choose the leading columns of `specs` that `n_cards` cards can tell apart.

    A column is taken if it adds to the rank of those before it and leaves two cards spare.
    """
    chosen: list[int] = []
    for column in range(specs.shape[1]):
        trial = [*chosen, column]
        if n_cards < len(trial) + 2:
            break
        if np.linalg.matrix_rank(specs[:, trial], rtol=1e-8) == len(trial):
            chosen = trial
    return chosen


def _read_only_index(values: ArrayLike) -> IntArray:
    index = np.array(values, dtype=np.intp)
    index.setflags(write=False)
    return index


def _check_index(name: str, index: IntArray, rows: int, size: int) -> None:
    if index.shape != (rows,) or (rows and not 0 <= index.min() <= index.max() < size):
        raise ScalemodelError(f"{name} must hold {rows} whole numbers from 0 to {size - 1}")
