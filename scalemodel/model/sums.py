"""Sums over cells of outer products of their derivatives, laid out as an arrow matrix.

A cell touches a few dozen of the parameters. Those that every cell touches are multiplied out at
once; for the others, each pair of terms is counted up at the place it has in the matrix. The cost
grows with the number of cells, not with that of cards, architectures or scenes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.arrow import Arrow, ArrowMatrix, Places
from scalemodel.model.inputs import Rows
from scalemodel.model.layout import Layout, RowDesign


@dataclass(frozen=True)
class CellSums:
    """Where the products of each cell's derivatives belong.

    Attributes:
        places: where blocks and border lie in the parameter vector.
        predictor, weight: linear predictor of each term, and (terms, rows) its multiplier.
        everywhere: terms whose one parameter acts on every cell.
        keyed: the other terms; a cell touches one parameter of each.
        at: position in the border of the parameters of `everywhere`.
        index: (rows, keyed) position in the vector of the parameters of `keyed`.
        first, second: pairs of `keyed`.
        target: (pairs, rows) where the product of a pair is added, counting through the blocks,
            then the ties, then the border.
    """

    places: Places
    predictor: IntArray
    weight: FloatArray
    everywhere: IntArray
    keyed: IntArray
    at: IntArray
    index: IntArray
    first: IntArray
    second: IntArray
    target: IntArray

    @staticmethod
    def of(
        layout: Layout, design: RowDesign, rows: Rows, predictors: tuple[str, ...]
    ) -> "CellSums":
        """Find the places of the products of all terms that add to the given linear predictors."""
        wanted = [layout.predictors.index(name) for name in predictors]
        terms = np.flatnonzero(np.isin(design.predictor, wanted))
        places = Places.of(layout.bounds, layout.size)
        alone = np.array([layout.groups[term].key == "one" for term in terms])
        index = design.index[:, terms]
        first, second = np.triu_indices(int((~alone).sum()))
        game = layout.shape.game_of_scene[rows.scene]
        keyed = index[:, ~alone]
        return CellSums(
            places=places,
            predictor=design.predictor[terms],
            weight=np.ascontiguousarray(design.weight[:, terms].T),
            everywhere=np.flatnonzero(alone),
            keyed=np.flatnonzero(~alone),
            at=index[0, alone] - places.begin,
            index=keyed,
            first=first,
            second=second,
            target=_targets(places, layout.bounds[game], game, keyed.T, first, second),
        )

    def _terms(self, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return derivatives by parameters that act everywhere (rows, n), and (keyed, rows)."""
        terms = slope.T[self.predictor] * self.weight
        return terms[self.everywhere].T, terms[self.keyed]

    def _sparse(self, keyed: FloatArray) -> csr_array:
        """Return (rows, size) derivatives by the parameters of `keyed`."""
        count, rows = keyed.shape
        starts = np.arange(rows + 1) * count
        return csr_array(
            (keyed.T.ravel(), self.index.ravel(), starts), shape=(rows, self.places.size)
        )

    def information(self, slope: FloatArray) -> ArrowMatrix:
        """Return the sum over cells of x x'.

        Args:
            slope: (rows, predictors) derivatives by the linear predictors, times the root of the
                weight of the cell.
        """
        everywhere, keyed = self._terms(slope)
        games, longest = self.places.index.shape
        size = self.places.size - self.places.begin
        ends = np.cumsum([games * longest**2, games * longest * size, size**2])
        products = keyed[self.first] * keyed[self.second]
        counted = np.bincount(self.target.ravel(), products.ravel(), int(ends[-1]))
        total: FloatArray = counted.astype(np.float64, copy=False)
        blocks = _whole(total[: ends[0]].reshape(games, longest, longest))
        ties = total[ends[0] : ends[1]].reshape(games, longest, size)
        border = _whole(total[ends[1] :].reshape(size, size))
        crossed = self._sparse(keyed).T @ everywhere
        ties[:, :, self.at] += self.places.gather(crossed)
        border[:, self.at] += crossed[self.places.begin :]
        border[self.at] += crossed[self.places.begin :].T
        border[np.ix_(self.at, self.at)] += everywhere.T @ everywhere
        return ArrowMatrix(self.places, blocks, ties, border)

    def leverages(self, factors: Arrow, slope: FloatArray) -> FloatArray:
        """Return (rows,) the variance of each cell's x' theta.

        Args:
            factors: factors of the precision of the parameters theta.
            slope: (rows, predictors) derivatives by the linear predictors.
        """
        everywhere, keyed = self._terms(slope)
        border = factors.border_covariance()
        blocks, ties = factors.block_covariances(border)
        whole = np.concatenate([blocks.ravel(), ties.ravel(), border.ravel()])
        twice = np.where(self.first == self.second, 1.0, 2.0)
        out = np.zeros(len(everywhere))
        for pair, (a, b) in enumerate(zip(self.first, self.second, strict=True)):
            out += twice[pair] * keyed[a] * keyed[b] * whole[self.target[pair]]
        between = self.places.join(ties[:, :, self.at], border[:, self.at])
        out += 2 * ((self._sparse(keyed) @ between) * everywhere).sum(axis=1)
        inner = everywhere @ border[np.ix_(self.at, self.at)]
        return np.asarray(out + (inner * everywhere).sum(axis=1))


def _targets(
    places: Places,
    begin: IntArray,
    game: IntArray,
    keyed: IntArray,
    first: IntArray,
    second: IntArray,
) -> IntArray:
    """Return (pairs, rows) places of the products of pairs; `keyed` is (keyed, rows)."""
    games, longest = places.index.shape
    size = places.size - places.begin
    out = np.empty((len(first), keyed.shape[1]), dtype=np.intp)
    own = np.array([bool((positions < places.begin).all()) for positions in keyed])
    column = np.where(own[:, None], keyed - begin, keyed - places.begin)
    for pair, (a, b) in enumerate(zip(first, second, strict=True)):
        if own[a] and own[b]:
            out[pair] = (game * longest + column[a]) * longest + column[b]
        elif own[a] or own[b]:
            block, shared = (a, b) if own[a] else (b, a)
            out[pair] = games * longest**2
            out[pair] += (game * longest + column[block]) * size + column[shared]
        else:
            out[pair] = games * longest * (longest + size) + column[a] * size + column[b]
    return out


def _whole(half: FloatArray) -> FloatArray:
    """Return symmetric matrices of which each pair of entries was counted at one of its places."""
    whole = half + half.swapaxes(-1, -2)
    at = np.arange(half.shape[-1])
    whole[..., at, at] = half[..., at, at]
    return whole
