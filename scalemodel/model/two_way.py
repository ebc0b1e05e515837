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
        covariance: (cards, cards) of the errors of the locations, if other charts like these had
            been used: from what is left over of the cells, at least their test error.
        dof: degrees of freedom behind it; infinite where the test error decides.
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


def two_way(values: FloatArray, card: IntArray, chart: IntArray, error: FloatArray) -> TwoWay:
    """Split logs into an effect of the card and one of the chart by least squares.

    The locations do not depend on which card is the base, and those of a quotient are the
    difference of those of its parts (the invariance of geometric means: Fleming & Wallace 1986,
    Communications of the ACM 29(3)). Cards must be linked (see `linked`).

    Args:
        values: (cells,) logs.
        card, chart: (cells,) indices from 0 without gaps.
        error: (cells,) standard errors from tests.
    """
    cards, charts = int(card.max()) + 1, int(chart.max()) + 1
    X = np.zeros((len(values), cards + charts))
    rows = np.arange(len(values))
    X[rows, card] = X[rows, cards + chart] = 1.0
    inverse = np.linalg.pinv(X.T @ X, hermitian=True)
    at = inverse @ (X.T @ values)
    residual = values - X @ at
    average = np.hstack([np.eye(cards), np.full((cards, charts), 1 / charts)])
    dof = len(values) - (cards + charts - 1)
    known = float(np.mean(error**2))
    spread = float((residual**2).sum()) / dof if dof > 0 else 0.0
    chart_effect = at[cards:] - at[cards:].mean()
    return TwoWay(
        location=average @ at,
        chart=chart_effect,
        covariance=max(spread, known) * (average @ inverse @ average.T),
        dof=float(dof) if spread > known else np.inf,
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
