"""Sums over cells of outer products, laid out as an arrow matrix.

A cell touches the parameters of its game, some that all cells share, and those of its card. The
first two are few and dense: cells of a game are multiplied out at once. Of the cards' many
parameters a cell touches only its own, so these sums are counted up.
"""

from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.arrow import Arrow, ArrowMatrix, Places
from scalemodel.model.inputs import Rows
from scalemodel.model.layout import Layout, RowDesign


@dataclass(frozen=True)
class CellBlocks:
    """Where the parameters of each cell lie among the blocks; cells sorted by game.

    Attributes:
        places: where blocks and border lie in the parameter vector.
        order: (rows,) the cells, game by game.
        starts: (games + 1,) where the cells of each game begin in that order.
        card: (rows,) card of each cell.
        cards: number of cards.
        common: (s,) positions in the border of the shared parameters that no card owns.
        owned: (kinds, cards) positions in the border of the cards' parameters.
        dense, of_card: the terms of the design that are not a card's, and those that are.
        column: (rows, dense terms) column of each term: those of the game, then the common ones.
        target: (rows, dense terms) place of each term among the sums with cards' parameters.
        predictor, weight: linear predictor and multiplier of each term (as in the design).
    """

    places: Places
    order: IntArray
    starts: IntArray
    card: IntArray
    cards: int
    common: IntArray
    owned: IntArray
    dense: IntArray
    of_card: IntArray
    column: IntArray
    target: IntArray
    predictor: IntArray
    weight: FloatArray

    @staticmethod
    def of(layout: Layout, design: RowDesign, rows: Rows) -> "CellBlocks":
        """Sort cells and find the places of their parameters."""
        places = Places.of(layout.bounds, layout.size)
        game = layout.shape.game_of_scene[rows.scene]
        order = np.argsort(game, kind="stable")
        starts = np.searchsorted(game[order], np.arange(layout.shape.games + 1))
        is_card = np.array([group.key == "card" for group in layout.groups])
        of_card, dense = np.flatnonzero(is_card), np.flatnonzero(~is_card)
        owned = [layout.positions[k] - places.begin for k in of_card]
        border = np.arange(layout.size - places.begin)
        common = np.setdiff1d(border, np.concatenate([np.empty(0, np.intp), *owned]))
        index, game = design.index[order][:, dense], game[order][:, None]
        longest = places.index.shape[1]
        rank = longest + np.searchsorted(common, index - places.begin)
        column = np.where(index < places.begin, index - layout.bounds[game], rank)
        blocks = longest * layout.shape.games
        block = np.where(index < places.begin, game * longest, blocks - longest)
        card = rows.card[order]
        return CellBlocks(
            places=places,
            order=order,
            starts=starts,
            card=card,
            cards=layout.shape.cards,
            common=common,
            owned=np.array(owned, dtype=np.intp).reshape(-1, layout.shape.cards),
            dense=dense,
            of_card=of_card,
            column=column,
            target=(block + column) * layout.shape.cards + card[:, None],
            predictor=design.predictor,
            weight=design.weight[order],
        )

    def _terms(self, slope: FloatArray) -> FloatArray:
        """Return (rows, terms) derivatives by the parameters from those by the predictors."""
        terms: FloatArray = slope[self.order][:, self.predictor] * self.weight
        return terms

    def _dense(self, terms: FloatArray) -> FloatArray:
        """Return (rows, columns) derivatives by the parameters that are not a card's."""
        rows, width = len(self.order), self.places.index.shape[1] + len(self.common)
        out = np.zeros((rows, width))
        np.put_along_axis(out, self.column, terms[:, self.dense], axis=1)
        return out

    def information(self, slopes: tuple[FloatArray, ...]) -> ArrowMatrix:
        """Return the sum over cells, and over `slopes`, of x x'.

        Args:
            slopes: (rows, predictors) each: derivatives by the linear predictors, times the root
                of the weight of the cell.
        """
        longest, games = self.places.index.shape[1], len(self.places.index)
        s, cards = len(self.common), self.cards
        kinds = len(self.of_card)
        dense = np.zeros((games, longest + s, longest + s))
        crossed = np.zeros((kinds, (games * longest + s) * cards))
        own = np.zeros((kinds, kinds, cards))
        for slope in slopes:
            terms = self._terms(slope)
            rows = self._dense(terms)
            for game, (a, b) in enumerate(zip(self.starts[:-1], self.starts[1:], strict=True)):
                dense[game] += rows[a:b].T @ rows[a:b]
            factor = terms[:, self.of_card]
            for k in range(kinds):
                values = terms[:, self.dense] * factor[:, [k]]
                crossed[k] += np.bincount(self.target.ravel(), values.ravel(), crossed.shape[1])
                for j in range(kinds):
                    own[k, j] += np.bincount(self.card, factor[:, k] * factor[:, j], cards)
        return self._arrow(dense, crossed.reshape(kinds, -1, cards), own)

    def _arrow(self, dense: FloatArray, crossed: FloatArray, own: FloatArray) -> ArrowMatrix:
        longest, games = self.places.index.shape[1], len(self.places.index)
        size = self.places.size - self.places.begin
        ties, border = np.zeros((games, longest, size)), np.zeros((size, size))
        ties[:, :, self.common] = dense[:, :longest, longest:]
        border[np.ix_(self.common, self.common)] = dense[:, longest:, longest:].sum(axis=0)
        for k, where in enumerate(self.owned):
            blocks = crossed[k, : games * longest]
            ties[:, :, where] = blocks.reshape(games, longest, self.cards)
            border[np.ix_(self.common, where)] = crossed[k, games * longest :]
            border[np.ix_(where, self.common)] = crossed[k, games * longest :].T
            for j, other in enumerate(self.owned):
                border[where, other] = own[k, j]
        return ArrowMatrix(self.places, dense[:, :longest, :longest], ties, border)

    def leverages(self, factors: Arrow, slope: FloatArray) -> FloatArray:
        """Return the variance of each cell's x' theta, (rows,), in the order of the cells.

        Args:
            factors: factors of the precision of the parameters theta.
            slope: (rows, predictors) derivatives by the linear predictors.
        """
        terms = self._terms(slope)
        rows, factor = self._dense(terms), terms[:, self.of_card]
        covariance = factors.border_covariance()
        own, between = factors.block_covariances(covariance)
        common = covariance[np.ix_(self.common, self.common)]
        out = np.empty(len(rows))
        for game, (a, b) in enumerate(zip(self.starts[:-1], self.starts[1:], strict=True)):
            here, tied = rows[a:b], between[game][:, self.common]
            inner = np.block([[own[game], tied], [tied.T, common]])
            out[a:b] = ((here @ inner) * here).sum(axis=1)
            for k, where in enumerate(self.owned):
                cross = np.vstack([between[game][:, where], covariance[np.ix_(self.common, where)]])
                out[a:b] += 2 * factor[a:b, k] * (here * cross.T[self.card[a:b]]).sum(axis=1)
        for k, where in enumerate(self.owned):
            for j, other in enumerate(self.owned):
                shared = covariance[where, other][self.card]
                out += factor[:, k] * factor[:, j] * shared
        back = np.empty_like(out)
        back[self.order] = out
        return back
