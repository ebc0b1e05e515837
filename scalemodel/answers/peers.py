"""The plain peers on the bench's own cells: what a reviewer could do without the model."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.peers import PEERS, HeldOutErrors, PeerData, Question, held_out_errors

#: Peers that every score stands beside.
BESIDE = ("nearest_card", "per_chart_regression", "gradient_boosting", "gaussian_process")
#: What a reviewer would read off a sheet, shaders x clock first.
SPECS = ("shader_rate", "bandwidth_gbs", "cache_mb", "raster_rate")


@dataclass(frozen=True)
class AskPeers:
    """What is asked of one process.

    Attributes:
        data: cells of all cards.
        calibrate: whether each peer is to hold out further cards, for ranges of its own.
    """

    data: PeerData
    calibrate: bool


@dataclass(frozen=True)
class PeerAnswer:
    """Medians of one peer for the rows of the cards held out, or why it has none.

    Attributes:
        median: (rows,) log rates, NaN where nobody else was measured.
        errors: what it gets wrong on further cards held out, if that was asked for.
        reason: why there are no medians, or "".
    """

    median: FloatArray
    errors: HeldOutErrors | None
    reason: str


def peer_data(sheets: pd.DataFrame, cells: pd.DataFrame, charts: pd.DataFrame) -> PeerData:
    """Return measured cells as the peers take them.

    Args:
        sheets: spec sheets of the tested cards; cards are numbered in this order.
        cells: card, CHART_COLUMNS and rate.
        charts: CHART_COLUMNS and pixels; charts are numbered in this order.
    """
    cards = pd.Index(sheets["card"])
    places = pd.MultiIndex.from_frame(charts[list(CHART_COLUMNS)])
    return PeerData(
        log_rate=np.log(cells["rate"].to_numpy(dtype=float)),
        card_index=cards.get_indexer(pd.Index(cells["card"])),
        chart_index=places.get_indexer(pd.MultiIndex.from_frame(cells[list(CHART_COLUMNS)])),
        card_specs=peer_specs(sheets, usable_specs(sheets)),
        chart_features=_chart_features(charts),
    )


def usable_specs(sheets: pd.DataFrame) -> list[str]:
    """Return the specs that every sheet gives, so that their logs can be taken."""
    return [name for name in SPECS if bool((sheets[name] > 0).all())]


def peer_specs(sheets: pd.DataFrame, names: Sequence[str]) -> FloatArray:
    """Return (cards, specs) logs of specs."""
    logs: FloatArray = np.log(sheets[list(names)].to_numpy(dtype=float))
    return logs


def _chart_features(charts: pd.DataFrame) -> FloatArray:
    """Return log pixels, and which scene and platform a chart has."""
    kinds = pd.get_dummies(charts[["game", "preset", "platform"]]).to_numpy(dtype=float)
    return np.column_stack([np.log(charts["pixels"].to_numpy(dtype=float)), kinds])


def ask_peers(asked: AskPeers, cards: tuple[int, ...]) -> Mapping[str, PeerAnswer]:
    """Let every peer predict the cells of some cards from those of all others.

    One thread does the linear algebra, so that every process gives the same answer.
    """
    rows = np.flatnonzero(np.isin(asked.data.card_index, cards))
    known = asked.data.without_cards(cards)
    question = Question(asked.data.row_specs[rows], asked.data.chart_index[rows])
    with threadpool_limits(limits=1):
        return {name: _ask(name, known, question, asked) for name in BESIDE}


def _ask(name: str, known: PeerData, question: Question, asked: AskPeers) -> PeerAnswer:
    try:
        median = PEERS[name](known, question).median
        errors = held_out_errors(PEERS[name], known) if asked.calibrate else None
    except ScalemodelError as error:
        return PeerAnswer(np.full(question.charts.size, np.nan), None, str(error))
    return PeerAnswer(median, errors, "")


@dataclass(frozen=True)
class PeerScores:
    """One peer's answers to all splits, by row of the peers' data.

    Attributes:
        median: (rows,) log rates; NaN where it has none or was not asked.
        reason: why it has none at all, or "".
        errors: for each card held out, its errors on others.
    """

    median: FloatArray
    reason: str
    errors: Mapping[int, HeldOutErrors]

    def half_widths(self, card_index: IntArray, level: float) -> FloatArray:
        """Return (rows,) half-widths in log rate; infinite where too few errors promise a level."""
        half = np.full(len(card_index), np.nan)
        for card, errors in self.errors.items():
            width = errors.around(np.zeros(1), level).upper
            assert width is not None
            half[card_index == card] = width[0]
        return half


def collect(
    data: PeerData, splits: Sequence[tuple[int, ...]], answers: Sequence[Mapping[str, PeerAnswer]]
) -> dict[str, PeerScores]:
    """Join the answers to all splits.

    Where one card was held out at a time, a card's range comes from the errors on all the others:
    held-out errors of cards that could have come in any order hold the next one's as often as
    split-conformal ranges promise. The card's own rate helped to predict the others, which is to
    the peers' advantage.
    """
    return {name: _collected(data, splits, [a[name] for a in answers]) for name in BESIDE}


def _collected(
    data: PeerData, splits: Sequence[tuple[int, ...]], answers: Sequence[PeerAnswer]
) -> PeerScores:
    median = np.full(data.log_rate.size, np.nan)
    for cards, answer in zip(splits, answers, strict=True):
        median[np.isin(data.card_index, cards)] = answer.median
    reason = next((answer.reason for answer in answers if answer.reason), "")
    if reason:
        return PeerScores(np.full_like(median, np.nan), reason, {})
    own = {
        card: answer.errors
        for cards, answer in zip(splits, answers, strict=True)
        for card in cards
        if answer.errors is not None
    }
    if own:
        return PeerScores(median, "", own)
    known = np.isfinite(median)
    every = HeldOutErrors((data.log_rate - median)[known], data.card_index[known])
    return PeerScores(median, "", {card: every.without(card) for cards in splits for card in cards})
