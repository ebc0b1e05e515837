"""Ranges around any point prediction from the errors it made on cards held out."""

from fractions import Fraction
from math import ceil

import numpy as np
from numpy.typing import ArrayLike

from scalemodel.errors import ScalemodelError
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
    needed, reached = _exact(level), Fraction(0)
    for row in np.argsort(size, kind="stable"):
        reached += Fraction(1, int(rows_of[index[row]]) * (len(rows_of) + 1))
        if reached >= needed:
            return float(size[row])
    return float("inf")


def predict_conformal(
    peer: Peer,
    data: PeerData,
    question: Question,
    folds: int = 5,
) -> PeerPrediction:
    """Put a range of equal width in log rate around a peer's medians.

    Cards are dealt into `folds` groups with the seed; each group is predicted from the others
    and its errors set the width (cross-conformal, Vovk 2015, Annals of Mathematics and
    Artificial Intelligence 74): every card serves for both fitting and calibration, for which
    the level holds nearly rather than exactly.
    """
    cards = np.random.default_rng(question.seed).permutation(data.cards)
    errors, groups = [], []
    for held_out in np.array_split(cards, min(folds, cards.size)):
        rows = np.isin(data.card_index, held_out)
        asked = Question(
            data.row_specs[rows], data.chart_index[rows], question.level, question.seed
        )
        error = data.log_rate[rows] - peer(data.without_cards(held_out), asked).median
        known = np.isfinite(error)  # a chart left without any card has no prediction
        errors.append(error[known])
        groups.append(data.card_index[rows][known])
    half = conformal_half_width(np.concatenate(errors), np.concatenate(groups), question.level)
    median = peer(data, question).median
    return PeerPrediction(median, median - half, median + half)


def _exact(level: float | Fraction) -> Fraction:
    exact = level if isinstance(level, Fraction) else Fraction(str(level))
    if not 0 < exact < 1:
        raise ScalemodelError(f"level must lie between 0 and 1, got {level}")
    return exact
