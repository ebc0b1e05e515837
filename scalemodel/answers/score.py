"""How good are these predictions: cards held out, beside plain peers on the same split."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.groups import chart_groups, check_column
from scalemodel.answers.held_out import HeldOut, HoldOut, hold_out, without_draws
from scalemodel.answers.levels import check_level
from scalemodel.answers.moves import chosen_charts
from scalemodel.answers.peers import AskPeers, PeerScores, ask_peers, collect, peer_data
from scalemodel.answers.score_tables import (
    LEVELS,
    OWN,
    calibration_table,
    card_table,
    judged_rows,
    range_table,
    score_words,
    summary_table,
)
from scalemodel.answers.splits import cards_to_hold_out
from scalemodel.answers.workers import Cores, Workers
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.scores import crps_ensemble

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


@dataclass(frozen=True)
class Score:
    """How good predictions of held-out cards are. Errors are in log rate: 0.02 is about 2%.

    Attributes:
        table: one row a measured cell: card, platform, game, preset, resolution, metric, measured
            (fps), level, lower, median, upper (fps; of what a measurement like this cell's shows,
            its test error included), error (log of median over measured), inside, crps, pit
            (share of the prediction below what was measured), p_ceiling, p_ceiling_measured (by
            the fit that knows the result), reason. A cell with a reason is judged for nobody.
        summary: one row a method and group of cells: method, group, cells, cards,
            mean_abs_error, median_abs_error, inside_50, inside_80, inside_95 with the ends of
            their exact binomial intervals, level, width (log), crps, interval_score, reason.
        cards: one row a card: card, cells, mean_error, scatter, inside, p (how often the card's
            own prediction strays as strongly), where, status; then the mean absolute error of
            every method on its cells.
        shifts: one row a surprise: card, kind, where, shift, p, charts.
        calibration: one row a bin of stated probabilities: what, stated, happened, lower, upper,
            count, brier (of all statements of its kind).
        ranges: one row a method, judged cell and level: method, card, platform, game, preset,
            resolution, level, lower, median, upper, inside.
        level: level of the ranges.
        held_out: how cards were held out: "each", "largest" or "newest_architecture".
        scene: the scene judged, or "" for all.
    """

    table: pd.DataFrame
    summary: pd.DataFrame
    cards: pd.DataFrame
    shifts: pd.DataFrame
    calibration: pd.DataFrame
    ranges: pd.DataFrame
    level: float
    held_out: str
    scene: str

    def __str__(self) -> str:
        return score_words(
            self.table, self.summary, self.cards, self.level, self.held_out, self.scene
        )


def score(
    fit: "Fit",
    level: float,
    held_out: str,
    scene: str,
    workers: Workers | None,
    progress: Callable[[int, int], None] | None,
    by: str = "",
) -> Score:
    """Hold cards out, predict them, and compare with their results.

    Args:
        fit: of all cards.
        level: level of the ranges.
        held_out: "each", "largest" or "newest_architecture".
        scene: judge only this scene or game; "" for all.
        workers: who does the work; None for the cores of this machine.
        progress: is told the pieces of work done and their number.
        by: column of results by whose groups of charts errors are summed up too; "" for none.

    Raises:
        ScalemodelError: too few cards, no such column, scene or way to hold out, a level not in
            (0, 1).
    """
    check_level(level)
    if by:
        check_column(fit.bench, by)
    if scene:
        chosen_charts(fit.labels, (scene,))
    splits = cards_to_hold_out(fit, held_out)
    levels = (level, *(one for one in LEVELS if one != level))
    team = workers or Cores()
    told = _Progress(2 * len(splits), progress)
    asked = HoldOut(without_draws(fit), level, levels, scene)
    parts = team.map(hold_out, asked, splits, told.one_done)
    peers = _peers(fit, splits, team, told)
    return _assembled(fit, parts, peers, asked, held_out, by)


class _Progress:
    """Counts pieces of work for whoever wants to know."""

    def __init__(self, total: int, tell: Callable[[int, int], None] | None) -> None:
        self.done, self.total, self.tell = 0, total, tell

    def one_done(self) -> None:
        self.done += 1
        if self.tell:
            self.tell(self.done, self.total)


def _peers(
    fit: "Fit", splits: Sequence[tuple[str, ...]], team: Workers, told: _Progress
) -> dict[str, PeerScores]:
    """Ask the peers; they know which cells fell for lack of memory, and leave them out."""
    cards = list(fit.labels.cards)
    sheets = fit.bench.cards.set_index("card", drop=False).loc[cards]
    data = peer_data(sheets, fit.cells.table[fit.model.kept], fit.labels.charts)
    numbers = [tuple(cards.index(card) for card in split) for split in splits]
    asked = AskPeers(data, calibrate=len(splits) == 1)
    return collect(data, numbers, team.map(ask_peers, asked, numbers, told.one_done))


def _assembled(
    fit: "Fit",
    parts: Sequence[HeldOut],
    peers: dict[str, PeerScores],
    asked: HoldOut,
    held_out: str,
    by: str,
) -> Score:
    cells = pd.concat([p.cells for p in parts], ignore_index=True)
    ends = np.concatenate([p.ends for p in parts], axis=2)
    order = np.argsort(cells["cell"].to_numpy(), kind="stable")
    cells, ends = cells.iloc[order].reset_index(drop=True), ends[:, :, order]
    whole = np.where(fit.model.kept, fit.judged.p_ceiling, np.nan)
    cells["p_ceiling_measured"] = whole[cells["cell"].to_numpy()]
    good = np.flatnonzero(cells["reason"] == "")
    judged, own_ends = cells.iloc[good].reset_index(drop=True), ends[:, :, good]
    methods = [judged_rows(judged, OWN, asked.levels, own_ends)]
    methods += [_peer_rows(fit, judged, name, peer, asked) for name, peer in peers.items()]
    rows = pd.concat(methods, ignore_index=True)
    pairs = pd.concat([p.pairs for p in parts], ignore_index=True)
    shifts = pd.concat([p.shifts for p in parts], ignore_index=True)
    surprise = pd.concat([p.surprise for p in parts], ignore_index=True)
    table = _table(fit, cells, ends, asked.level)
    groups = chart_groups(fit.bench, by).rename(by) if by else None
    return Score(
        table=table,
        summary=summary_table(rows, fit.labels.charts, asked.level, groups),
        cards=card_table(table, rows, surprise, shifts),
        shifts=shifts,
        calibration=calibration_table(pairs, judged),
        ranges=range_table(rows, asked.levels),
        level=asked.level,
        held_out=held_out,
        scene=asked.scene,
    )


def _table(fit: "Fit", cells: pd.DataFrame, ends: FloatArray, level: float) -> pd.DataFrame:
    lower, upper = ends[0]
    measured = cells["measured"].to_numpy(dtype=float)
    good = (cells["reason"] == "").to_numpy()
    inside = np.array(
        [
            bool(x) if g else None
            for x, g in zip((lower <= measured) & (measured <= upper), good, strict=True)
        ],
        dtype=object,
    )
    return cells[list(CELL_COLUMNS)].assign(
        metric=fit.metric,
        measured=measured,
        level=level,
        lower=lower,
        median=cells["median"],
        upper=upper,
        error=np.log(cells["median"] / measured),
        inside=inside,
        **{n: cells[n] for n in ("crps", "pit", "p_ceiling", "p_ceiling_measured", "reason")},
    )


def _peer_rows(
    fit: "Fit", judged: pd.DataFrame, name: str, peer: PeerScores, asked: HoldOut
) -> pd.DataFrame:
    """Return the judged cells as a peer predicts them."""
    place = np.full(len(fit.cells.table), -1)
    place[fit.model.kept] = np.arange(int(fit.model.kept.sum()))
    at = place[judged["cell"].to_numpy()]
    cards = fit.observed.rows.card[judged["cell"].to_numpy()]
    median = peer.median[at]
    half = np.array([peer.half_widths(cards, level) for level in asked.levels])
    ends = np.exp(np.stack([median - half, median + half], axis=1))
    crps = np.full(len(at), np.nan)
    for card, errors in peer.errors.items():
        here = cards == card
        both = np.concatenate([errors.errors, -errors.errors])[:, None]
        wrong = np.log(judged["measured"].to_numpy(dtype=float)[here]) - median[here]
        crps[here] = crps_ensemble(np.broadcast_to(both, (len(both), here.sum())), wrong)
    rows = judged.assign(median=np.exp(median), crps=crps)
    return judged_rows(rows, name, asked.levels, ends).assign(reason=peer.reason)
