"""Positions of cards on a chart from joint draws of their rates.

Draws must be joint (one row, one possible state of the world): positions from separate ranges
ignore what the cards share. A larger value is faster; position 1 is the fastest.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray, read_only


def rank_distribution(draws: ArrayLike) -> FloatArray:
    """Probability of each card (row) at each position (column), shape (n_cards, n_cards).

    `draws` has shape (n_draws, n_cards). Cards tied in a draw share their positions evenly, so
    rows and columns both sum to one. Raises ScalemodelError for a wrong shape or missing values.
    """
    x = np.asarray(draws, dtype=np.float64)
    if x.ndim != 2 or 0 in x.shape or np.isnan(x).any():
        raise ScalemodelError(
            f"positions need draws of shape (draws, cards) without gaps, got shape {x.shape}"
        )
    first = stats.rankdata(-x, method="min", axis=1)
    last = stats.rankdata(-x, method="max", axis=1)
    share = 1.0 / (last - first + 1)
    columns = [
        np.mean(np.where((first <= position) & (position <= last), share, 0.0), axis=0)
        for position in range(1, x.shape[1] + 1)
    ]
    return np.column_stack(columns)


def place_ranges(draws: ArrayLike, level: float) -> tuple[FloatArray, FloatArray]:
    """First and last place of each card in the middle share of the draws, (n_cards,) each.

    `draws` has shape (n_draws, n_cards). Cards tied in a draw share the mean of their places.
    """
    places = stats.rankdata(-np.asarray(draws, dtype=np.float64), method="average", axis=1)
    ends = [(1 - level) / 2, (1 + level) / 2]
    first, last = np.quantile(places, ends, axis=0, method="inverted_cdf")
    return np.floor(first), np.ceil(last)


def p_faster(draws_a: ArrayLike, draws_b: ArrayLike) -> FloatArray:
    """Probability that A beats B from joint draws along the first axis; a tie counts half."""
    a, b = np.asarray(draws_a, dtype=np.float64), np.asarray(draws_b, dtype=np.float64)
    return np.asarray(np.mean((a > b) + 0.5 * (a == b), axis=0))


@dataclass(frozen=True)
class OrderShift:
    """How the order of cards differs between two charts.

    Attributes:
        shift: (cards,) positions each card moves, positive towards the front; they sum to 0.
        flips: pairs in opposite order (Kendall's distance; half a flip for a tie on one chart).
        moved: sum of the positions moved, Spearman's footrule, between 1 and 2 times the flips
            (Diaconis & Graham 1977, JRSS B 39).
        tau: Kendall's tau-b, which allows for ties (Kendall 1945, Biometrika 33); NaN where all
            cards are tied.
    """

    shift: FloatArray
    flips: float
    moved: float
    tau: float


def order_shift(before: ArrayLike, after: ArrayLike) -> OrderShift:
    """Compare the order of the same cards on two charts, from their rates (cards,) on each.

    Raises ScalemodelError unless both have the same cards, two or more, without gaps.
    """
    x, y = (np.asarray(rates, dtype=np.float64) for rates in (before, after))
    if x.ndim != 1 or x.shape != y.shape or x.size < 2 or not np.isfinite([x, y]).all():
        raise ScalemodelError(
            f"an order is compared between the same two or more cards, got {x.shape} and {y.shape}"
        )
    first, second = (stats.rankdata(-rates, method="average") for rates in (x, y))
    shift = first - second
    above = np.triu_indices(x.size, 1)
    one, other = (np.sign(np.subtract.outer(rates, rates))[above] for rates in (x, y))
    tau = float(stats.kendalltau(x, y).statistic) if np.ptp(x) and np.ptp(y) else float("nan")
    flips = float(np.abs(one - other).sum() / 2)
    return OrderShift(read_only(shift), flips, float(np.abs(shift).sum()), tau)


@dataclass(frozen=True)
class InOrder:
    """The order of some cards by what they are compared by, the larger the better.

    Attributes:
        order: (cards,) indices, the best first.
        p_next: (cards,) in this order, the chance of being truly ahead of the next; NaN for the
            last.
        p_first: (cards,) in this order, the chance of being the best of all.
    """

    order: IntArray
    p_next: FloatArray
    p_first: FloatArray


def in_order(middle: FloatArray, draws: FloatArray) -> InOrder:
    """Order cards by their middle values.

    Args:
        middle: (cards,) what the order goes by.
        draws: (draws, cards) joint draws.
    """
    order = np.argsort(-middle, kind="stable")
    p_next = np.full(len(order), np.nan)
    for k in range(len(order) - 1):
        p_next[k] = p_faster(draws[:, order[k]], draws[:, order[k + 1]])
    first = np.bincount(draws.argmax(axis=1), minlength=len(order)) / len(draws)
    return InOrder(order, p_next, first[order])
