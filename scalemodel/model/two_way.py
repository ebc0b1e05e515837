"""Cards side by side though each was measured on other charts: a two-way layout with gaps."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class TwoWay:
    """What cards would show on average over all charts, had each been measured on each.

    Attributes:
        location: (cards,) mean log over the charts; with no gaps the log of the geometric mean.
        chart: (charts,) mean log of a chart over the cards, less the mean over all charts.
        covariance: (cards, cards) of the errors of the locations, if other games like these had
            been tested.
        dof: degrees of freedom behind it; infinite where the test error prevails.
        residual: (cells,) what is left over.
    """

    location: FloatArray
    chart: FloatArray
    covariance: FloatArray
    dof: float
    residual: FloatArray

    @property
    def se(self) -> FloatArray:
        """(cards,) standard errors of the locations."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @cached_property
    def _root(self) -> FloatArray:
        values, vectors = np.linalg.eigh(self.covariance)
        return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))

    def draws(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draw (count, cards) locations that could be true: a multivariate t."""
        size = len(self.location)
        mixing = np.ones(count)
        if np.isfinite(self.dof):
            mixing = np.sqrt(self.dof / rng.chisquare(self.dof, count))
        normals = rng.standard_normal((count, size)) @ self._root.T
        return np.asarray(self.location + mixing[:, None] * normals)

    def contrast(self, weight: FloatArray) -> tuple[float, float]:
        """Return a weighted sum of the locations, (cards,) weights, and its standard error."""
        variance = float(weight @ self.covariance @ weight)
        return float(weight @ self.location), float(np.sqrt(max(variance, 0.0)))


def two_way(
    values: FloatArray, card: IntArray, chart: IntArray, error: FloatArray, game: IntArray
) -> TwoWay:
    """Split logs into an effect of the card and one of the chart by least squares.

    The locations do not depend on which card is the base, and those of a quotient are the
    difference of those of its parts (the invariance of geometric means: Fleming & Wallace 1986,
    Communications of the ACM 29(3)). Cards must be linked (see `linked`).

    A card that likes a game likes it at every resolution, so games, not charts, are what a lab has
    a sample of: errors are those of sums over games (Liang & Zeger 1986, Biometrika 73), and the
    test error comes on top, so that games that agree by chance do not seem exact.

    Args:
        values: (cells,) logs.
        card, chart, game: (cells,) indices from 0 without gaps.
        error: (cells,) standard errors from tests.
    """
    cards, charts, games = (int(index.max()) + 1 for index in (card, chart, game))
    X = np.zeros((len(values), cards + charts))
    rows = np.arange(len(values))
    X[rows, card] = X[rows, cards + chart] = 1.0
    inverse = np.linalg.pinv(X.T @ X, hermitian=True)
    at = inverse @ (X.T @ values)
    residual = values - X @ at
    average = np.hstack([np.eye(cards), np.full((cards, charts), 1 / charts)])
    weight = average @ inverse @ X.T
    tested = (weight * error**2) @ weight.T
    of_game = np.stack([np.bincount(game, row * residual, games) for row in weight])
    few = games / max(games - 1, 1) * cards / max(cards - 1, 1)
    sampled = few * (of_game @ of_game.T) if games > 1 else np.zeros_like(tested)
    chart_effect = at[cards:] - at[cards:].mean()
    return TwoWay(
        location=average @ at,
        chart=chart_effect,
        covariance=sampled + tested,
        dof=games - 1.0 if np.trace(sampled) > np.trace(tested) else np.inf,
        residual=residual,
    )


def linked(card: IntArray, chart: IntArray) -> BoolArray:
    """Say which cells can stand side by side (cells,): the largest part that charts link.

    Cards that share no chart, not even by way of others, cannot be compared. Of parts with the
    same number of cells the first counts.
    """
    cards = int(card.max()) + 1
    size = cards + int(chart.max()) + 1
    links = coo_array((np.ones(len(card)), (card, cards + chart)), shape=(size, size))
    part = connected_components(links, directed=False)[1][card]
    return np.asarray(part == np.argmax(np.bincount(part)))
