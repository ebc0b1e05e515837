"""Sums over cells of outer products of their derivatives, laid out as an arrow matrix.

A cell touches a few dozen of the parameters. Those that every cell touches are multiplied out at
once; for the others, each pair of terms is counted up at the place it has in the matrix. The cost
grows with the number of cells, not with that of cards, architectures or scenes. Some rows are
worked on at a time, so that the products, hundreds a cell, never lie in memory all at once; rows of
one game beside each other touch few places.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.arrow import Arrow, ArrowMatrix, Places
from scalemodel.model.inputs import Rows
from scalemodel.model.layout import Layout, RowDesign

#: Rows worked on at a time.
ROWS = 2048


@dataclass(frozen=True)
class Piece:
    """Some rows, few enough for what is worked out of them to stay in the processor's cache.

    Attributes:
        rows: which rows.
        places: places of the matrix that their products are added to, counting through the
            blocks, then the ties, then the border.
        target: (pairs, rows) which of these places the product of a pair is added to.
        touched: positions in the vector of the parameters that act on the rows.
        index: (rows, keyed) which of these each keyed term is about.
    """

    rows: slice
    places: IntArray
    target: IntArray
    touched: IntArray
    index: IntArray


@dataclass
class Gathered:
    """Sums over some pieces.

    Attributes:
        flat: sums of products of keyed terms at their places, each pair at one of its two.
        crossed: (size, everywhere) of keyed terms with those that act everywhere.
        square: (everywhere, everywhere) of the latter.
        products: (pairs, rows) room for the products of one piece.
    """

    flat: FloatArray
    crossed: FloatArray
    square: FloatArray
    products: FloatArray


@dataclass(frozen=True)
class CellSums:
    """Where the products of each cell's derivatives belong.

    Attributes:
        places: where blocks and border lie in the parameter vector.
        predictor, weight: linear predictor of each term, and (terms, rows) its multiplier.
        everywhere: terms whose one parameter acts on every cell.
        keyed: the other terms; a cell touches one parameter of each.
        at: position in the border of the parameters of `everywhere`.
        pieces: the rows, some at a time.
    """

    places: Places
    predictor: IntArray
    weight: FloatArray
    everywhere: IntArray
    keyed: IntArray
    at: IntArray
    pieces: tuple[Piece, ...]

    @staticmethod
    def of(
        layout: Layout, design: RowDesign, rows: Rows, predictors: tuple[str, ...]
    ) -> "CellSums":
        """Find the places of the products of all terms that add to the given linear predictors."""
        wanted = [layout.predictors.index(name) for name in predictors]
        terms = np.flatnonzero(np.isin(design.predictor, wanted))
        places = Places.of(layout.bounds, layout.size)
        alone = np.array([layout.groups[term].key == "one" for term in terms])
        first, second = _pairs(int((~alone).sum()))
        game = layout.shape.game_of_scene[rows.scene]
        keyed = design.index[:, terms[~alone]]
        of_matrix, of_vector = _Renumbering.of(places.cells), _Renumbering.of(places.size)
        pieces = []
        for part in pieces_of(len(rows)):
            begin = layout.bounds[game[part]]
            target = _targets(places, begin, game[part], keyed[part].T, first, second)
            pieces.append(Piece(part, *of_matrix.few(target), *of_vector.few(keyed[part])))
        return CellSums(
            places=places,
            predictor=design.predictor[terms],
            weight=np.ascontiguousarray(design.weight[:, terms].T),
            everywhere=np.flatnonzero(alone),
            keyed=np.flatnonzero(~alone),
            at=design.index[0, terms[alone]] - places.begin,
            pieces=tuple(pieces),
        )

    def nothing(self, beside: Gathered | None = None) -> Gathered:
        """Return sums over no piece; those of other terms may be gathered `beside` them."""
        size, count = self.places.size, len(self.everywhere)
        flat = np.zeros(self.places.cells) if beside is None else beside.flat
        crossed, square = np.zeros((size, count)), np.zeros((count, count))
        return Gathered(flat, crossed, square, self._room())

    def add(self, into: Gathered, piece: Piece, slope: FloatArray) -> None:
        """Add the products x x' of the rows of a piece.

        Args:
            into: what they are added to.
            piece: one of `pieces`.
            slope: (rows, predictors) derivatives by the linear predictors of its rows, times the
                root of the weight of the cell.
        """
        everywhere, keyed = self._terms(piece, slope)
        products = _products(keyed, into.products)
        counted = np.bincount(piece.target.ravel(), products.ravel(), len(piece.places))
        into.flat[piece.places] += counted
        into.crossed[piece.touched] += _sparse(piece, keyed).T @ everywhere
        into.square += everywhere.T @ everywhere

    def matrix(self, sums: Gathered) -> ArrowMatrix:
        """Return the matrix of sums over all pieces, whose arrays it takes over."""
        games, longest = self.places.index.shape
        size = self.places.size - self.places.begin
        ends = np.cumsum([games * longest**2, games * longest * size])
        blocks = _whole(sums.flat[: ends[0]].reshape(games, longest, longest))
        ties = sums.flat[ends[0] : ends[1]].reshape(games, longest, size)
        border = _whole(sums.flat[ends[1] :].reshape(size, size))
        matrix = ArrowMatrix(self.places, blocks, ties, border)
        self.add_everywhere(matrix, sums)
        return matrix

    def add_everywhere(self, matrix: ArrowMatrix, sums: Gathered) -> None:
        """Add the sums about terms that act everywhere to a matrix that has the others."""
        ties, border, begin = matrix.ties, matrix.border, self.places.begin
        ties[:, :, self.at] += self.places.gather(sums.crossed)
        border[:, self.at] += sums.crossed[begin:]
        border[self.at] += sums.crossed[begin:].T
        border[np.ix_(self.at, self.at)] += sums.square

    def information(self, slope: FloatArray) -> ArrowMatrix:
        """Return the sum over cells of x x'.

        Args:
            slope: (rows, predictors) derivatives by the linear predictors, times the root of the
                weight of the cell.
        """
        sums = self.nothing()
        for piece in self.pieces:
            self.add(sums, piece, slope[piece.rows])
        return self.matrix(sums)

    def leverages(self, factors: Arrow, slope: FloatArray) -> FloatArray:
        """Return (rows,) the variance of each cell's x' theta.

        Args:
            factors: factors of the precision of the parameters theta.
            slope: (rows, predictors) derivatives by the linear predictors.
        """
        border = factors.border_covariance()
        blocks, ties = factors.block_covariances()
        whole = np.concatenate([blocks.ravel(), ties.ravel(), border.ravel()])
        between = self.places.join(ties[:, :, self.at], border[:, self.at])
        inner = border[np.ix_(self.at, self.at)]
        out = np.empty(len(slope))
        for piece in self.pieces:
            everywhere, keyed = self._terms(piece, slope[piece.rows])
            own = _quadratic(keyed, whole[piece.places], piece.target)
            tied = 2 * (_sparse(piece, keyed) @ between[piece.touched]) + everywhere @ inner
            out[piece.rows] = own + (tied * everywhere).sum(axis=1)
        return out

    def _room(self) -> FloatArray:
        most = max(piece.rows.stop - piece.rows.start for piece in self.pieces)
        return np.empty((len(_pairs(len(self.keyed))[0]), most))

    def _terms(self, piece: Piece, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return derivatives by parameters that act everywhere (rows, n), and (keyed, rows)."""
        terms = slope.T[self.predictor] * self.weight[:, piece.rows]
        return terms[self.everywhere].T, terms[self.keyed]


def pieces_of(rows: int) -> list[slice]:
    """Return so many rows as pieces."""
    return [slice(k, min(k + ROWS, rows)) for k in range(0, rows, ROWS)]


def _pairs(count: int) -> tuple[IntArray, IntArray]:
    """Return the pairs of so many terms, in the order of their products."""
    return np.triu_indices(count)


def _products(keyed: FloatArray, room: FloatArray) -> FloatArray:
    """Return (pairs, rows) products of all pairs of terms (keyed, rows), worked out in `room`."""
    out, begin = room[:, : keyed.shape[1]], 0
    for k, term in enumerate(keyed):
        end = begin + len(keyed) - k
        np.multiply(term, keyed[k:], out=out[begin:end])
        begin = end
    return out


def _quadratic(keyed: FloatArray, entries: FloatArray, target: IntArray) -> FloatArray:
    """Return (rows,) x' V x of terms (keyed, rows), with the entries of V at the pairs' targets."""
    out, begin = np.zeros(keyed.shape[1]), 0
    for k, term in enumerate(keyed):
        end = begin + len(keyed) - k
        tied = entries[target[begin:end]]
        tied *= keyed[k:]
        out += term * (2.0 * tied.sum(axis=0) - tied[0])
        begin = end
    return out


def _sparse(piece: Piece, keyed: FloatArray) -> csr_array:
    """Return (rows, touched) derivatives by the parameters of the keyed terms."""
    count, rows = keyed.shape
    starts = np.arange(rows + 1) * count
    shape = (rows, len(piece.touched))
    return csr_array((keyed.T.ravel(), piece.index.ravel(), starts), shape=shape)


@dataclass(frozen=True)
class _Renumbering:
    """Numbers from a wide range as places in a list of those that occur."""

    seen: BoolArray
    number: IntArray

    @staticmethod
    def of(size: int) -> "_Renumbering":
        return _Renumbering(np.zeros(size, dtype=bool), np.zeros(size, dtype=np.intp))

    def few(self, numbers: IntArray) -> tuple[IntArray, IntArray]:
        """Return the numbers that occur, in order, and which of them each is."""
        self.seen[numbers] = True
        found = np.flatnonzero(self.seen)
        self.seen[found] = False
        self.number[found] = np.arange(len(found))
        return found, self.number[numbers]


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
