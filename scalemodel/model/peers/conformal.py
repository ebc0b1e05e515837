"""Ranges around any point prediction from the errors it made on cards held out."""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, lcm

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.peers.data import Peer, PeerData, PeerPrediction, Question


def conformal_rank(n: int, level: float | Fraction) -> int:
    """Rank, among n held-out errors in rising order, of the half-width that holds `level`.

    ceil(level (n + 1)): the coverage is rank / (n + 1) over calibration and prediction together
    (Vovk, Gammerman & Shafer 2005; Lei et al. 2018, JASA 113). A rank above n means that n
    errors cannot promise the level. `level` is read as the decimal fraction it prints as: in
    binary 0.1 x 100 falls below 10 and would cost a rank.
    """
    return ceil(_exact(level) * (n + 1))


def conformal_half_width(errors: ArrayLike, groups: ArrayLike, level: float | Fraction) -> float:
    """Half-width that holds an error of one further group with probability `level`.

    `errors` (n,) are sizes of held-out errors and `groups` (n,) the card of each. Errors of one
    card rise and fall together, so cards, not rows, are counted: with G cards each has the
    weight 1 / (G + 1), shared by its rows, and the rest lies at infinity (Lee, Barber & Willett
    2023, arXiv:2306.06342). With one row a card this is the order statistic of
    `conformal_rank`. Infinite when G cards cannot promise the level.
    """
    size = np.abs(np.asarray(errors, dtype=np.float64))
    _, index, rows_of = np.unique(np.asarray(groups), return_inverse=True, return_counts=True)
    if size.shape != index.shape or np.isnan(size).any():
        raise ScalemodelError("conformal ranges need one error without gaps for each group label")
    counts = [int(rows) for rows in rows_of]
    unit = lcm(*counts)  # weights in whole numbers: sums of them are exact
    weight = np.array([unit // rows for rows in counts], dtype=object)
    order = np.argsort(size, kind="stable")
    reached = np.cumsum(weight[index[order]])
    enough = np.flatnonzero(reached >= _exact(level) * unit * (len(counts) + 1))
    return float(size[order[enough[0]]]) if enough.size else float("inf")


@dataclass(frozen=True)
class HeldOutErrors:
    """Errors that a peer made on cards held out: log rate minus median (n,), and the card of each.

    They serve as what a peer would say of its own uncertainty.
    """

    errors: FloatArray
    cards: IntArray

    def around(self, median: FloatArray, level: float | Fraction) -> PeerPrediction:
        """Put a range of equal width in log rate around medians."""
        half = conformal_half_width(self.errors, self.cards, level)
        return PeerPrediction(median, median - half, median + half)

    def without(self, card: int) -> "HeldOutErrors":
        """Return the errors made on all other cards."""
        others = self.cards != card
        return HeldOutErrors(self.errors[others], self.cards[others])


def held_out_errors(peer: Peer, data: PeerData, folds: int = 5, seed: int = 0) -> HeldOutErrors:
    """Predict cards from other cards and keep the errors.

    Cards are dealt into `folds` groups with the seed; each group is predicted from the others
    (cross-conformal, Vovk 2015, Annals of Mathematics and Artificial Intelligence 74): every
    card serves for both fitting and calibration, for which a level holds nearly rather than
    exactly.
    """
    cards = np.random.default_rng(seed).permutation(data.cards)
    errors, owners = [], []
    for held_out in np.array_split(cards, min(folds, cards.size)):
        rows = np.isin(data.card_index, held_out)
        asked = Question(data.row_specs[rows], data.chart_index[rows], seed=seed)
        error = data.log_rate[rows] - peer(data.without_cards(held_out), asked).median
        known = np.isfinite(error)  # a chart left without any card has no prediction
        errors.append(error[known])
        owners.append(data.card_index[rows][known])
    return HeldOutErrors(np.concatenate(errors), np.concatenate(owners))


def predict_conformal(
    peer: Peer,
    data: PeerData,
    question: Question,
    folds: int = 5,
) -> PeerPrediction:
    """Put a range of equal width in log rate around a peer's medians, from its held-out errors."""
    errors = held_out_errors(peer, data, folds, question.seed)
    return errors.around(peer(data, question).median, question.level)


def _exact(level: float | Fraction) -> Fraction:
    exact = level if isinstance(level, Fraction) else Fraction(str(level))
    if not 0 < exact < 1:
        raise ScalemodelError(f"level must lie between 0 and 1, got {level}")
    return exact
