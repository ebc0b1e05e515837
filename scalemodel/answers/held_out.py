"""Cards held out: fitted without them, predicted from their sheets, compared with their results."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.moves import in_scenes
from scalemodel.answers.predict import SEED_STEP, predict_card
from scalemodel.answers.repeats import reach_of_lead, standard_errors
from scalemodel.answers.sheets import complete_sheets
from scalemodel.answers.shifts import SHIFT_COLUMNS, card_shifts
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.ranks import p_faster
from scalemodel.model.scores import crps_ensemble
from scalemodel.model.surprise import tail_share

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

FELL = "fell for lack of memory"
ALONE = "no other card was tested on this chart"
TOO_FEW_LEFT = "too few other cells are left to fit"
PAIR_COLUMNS = ("card", "against", *CHART_COLUMNS, "p_faster", "faster", "within_test_error")


@dataclass(frozen=True)
class HoldOut:
    """What is asked of one process: which cards to hold out of which fit, and how to judge.

    Attributes:
        whole: the fit of all cards, without its draws.
        level: of the ranges, and from which two rates are within test error.
        levels: of the ranges that coverage is counted at, `level` first.
        scene: the scene or game to judge, "Game | preset" or "Game"; "" for all.
    """

    whole: "Fit"
    level: float
    levels: tuple[float, ...]
    scene: str


@dataclass(frozen=True)
class HeldOut:
    """Cards that were held out together.

    Attributes:
        cells: one row a measured cell: CELL_COLUMNS, cell (row of the fit's cells), measured,
            median, crps, pit, p_ceiling, reason.
        ends: (levels, 2, cells) ends of ranges, fps.
        pairs: one row a judged cell and other card measured there: PAIR_COLUMNS.
        shifts: surprises of each card.
        surprise: card, p and status of the fit without it.
    """

    cells: pd.DataFrame
    ends: FloatArray
    pairs: pd.DataFrame
    shifts: pd.DataFrame
    surprise: pd.DataFrame


def without_draws(fit: "Fit") -> "Fit":
    """Return a fit that can start others but takes little room on its way to another process."""
    draws = fit.model.draws
    few = replace(draws, theta=draws.theta[:0], centers=draws.centers[:0], scales=draws.scales[:0])
    return replace(fit, model=replace(fit.model, draws=few))


def hold_out(asked: HoldOut, cards: tuple[str, ...]) -> HeldOut:
    """Fit without some cards and judge the predictions of all their measured cells.

    One thread does the linear algebra, so that every process gives the same answer.
    """
    with threadpool_limits(limits=1):
        parts = _judged_cards(asked, cards)
        return HeldOut(
            pd.concat([p.cells for p in parts], ignore_index=True),
            np.concatenate([p.ends for p in parts], axis=2),
            pd.concat([p.pairs for p in parts], ignore_index=True),
            pd.concat([p.shifts for p in parts], ignore_index=True),
            pd.concat([p.surprise for p in parts], ignore_index=True),
        )


def _judged_cards(asked: HoldOut, cards: tuple[str, ...]) -> list[HeldOut]:
    whole = asked.whole
    try:
        less = whole.without(cards)
    except ScalemodelError:
        return [_refused(asked, card, TOO_FEW_LEFT) for card in cards]
    known = whole.bench.cards.set_index("card", drop=False)
    sheets = complete_sheets(less, known.loc[list(cards)].reset_index(drop=True))
    parts = []
    for k, card in enumerate(cards):
        table, draws = predict_card(less, sheets, k, asked.level)
        log_rate = None if draws is None else draws.log_rate
        parts.append(_judge(asked, card, cards, table.assign(status=less.status), log_rate))
    return parts


def _own_cells(asked: HoldOut, card: str) -> pd.DataFrame:
    """Return the measured cells of a card to judge, with their row, and why some are not."""
    table = asked.whole.cells.table
    cells = table.assign(
        cell=np.arange(len(table)), reason=np.where(asked.whole.model.kept, "", FELL)
    )
    wanted = cells["card"] == card
    if asked.scene:
        wanted &= in_scenes(cells, (asked.scene,))
    return cells[wanted].reset_index(drop=True)


def _refused(asked: HoldOut, card: str, reason: str) -> HeldOut:
    cells = _own_cells(asked, card)
    cells["reason"] = cells["reason"].where(cells["reason"] != "", reason)
    surprise = pd.DataFrame({"card": [card], "p": [np.nan], "status": [reason]})
    return _assembled(asked, cells, surprise)


def _assembled(asked: HoldOut, cells: pd.DataFrame, surprise: pd.DataFrame) -> HeldOut:
    """Return cells of which none is judged."""
    empty = dict.fromkeys(("median", "crps", "pit", "p_ceiling"), np.nan)
    kept = [*CELL_COLUMNS, "cell", "measured", "median", "crps", "pit", "p_ceiling", "reason"]
    return HeldOut(
        cells.assign(measured=cells["rate"], **empty)[kept],
        np.full((len(asked.levels), 2, len(cells)), np.nan),
        pd.DataFrame(columns=list(PAIR_COLUMNS)),
        pd.DataFrame(columns=list(SHIFT_COLUMNS)),
        surprise,
    )


def _judge(
    asked: HoldOut,
    card: str,
    split: tuple[str, ...],
    table: pd.DataFrame,
    log_rate: FloatArray | None,
) -> HeldOut:
    cells = _own_cells(asked, card)
    charts = pd.MultiIndex.from_frame(table[list(CHART_COLUMNS)])
    place = charts.get_indexer(pd.MultiIndex.from_frame(cells[list(CHART_COLUMNS)]))
    told = np.where(place >= 0, table["reason"].to_numpy(dtype=object)[place], ALONE)
    cells["reason"] = cells["reason"].where(cells["reason"] != "", told)
    good = np.flatnonzero(cells["reason"] == "")
    surprise = pd.DataFrame({"card": [card], "p": [np.nan], "status": [table["status"].iloc[0]]})
    blank = _assembled(asked, cells, surprise)
    if log_rate is None or not len(good):
        return blank
    judged = cells.iloc[good].reset_index(drop=True)
    draws = _as_measured(asked.whole, judged, log_rate[:, place[good]])
    p_ceiling = table["p_ceiling"].to_numpy(dtype=float)[place[good]]
    return _filled(asked, blank, good, draws, p_ceiling, _pairs(asked, judged, split, draws))


def _as_measured(whole: "Fit", cells: pd.DataFrame, log_rate: FloatArray) -> FloatArray:
    """Add the test error of a cell's runs: draws are of a measurement without any."""
    sd = np.nan_to_num(cells["se"].to_numpy(dtype=float))
    rng = np.random.default_rng([whole.seed, SEED_STEP, int(cells["cell"].iloc[0])])
    noisy: FloatArray = log_rate + sd * rng.standard_normal(log_rate.shape)
    return noisy


def _filled(
    asked: HoldOut,
    blank: HeldOut,
    good: IntArray,
    draws: FloatArray,
    p_ceiling: FloatArray,
    pairs: pd.DataFrame,
) -> HeldOut:
    """Return the blank with the rows `good` judged by their draws."""
    cells, ends = blank.cells.copy(), blank.ends.copy()
    observed = np.log(cells["measured"].to_numpy(dtype=float)[good])
    values = {
        "median": np.exp(np.median(draws, axis=0)),
        "crps": crps_ensemble(draws, observed),
        "pit": tail_share(draws, observed),
        "p_ceiling": p_ceiling,
    }
    for name, column in values.items():
        cells.loc[good, name] = column
    for k, level in enumerate(asked.levels):
        both = [(1 - level) / 2, (1 + level) / 2]
        ends[k][:, good] = np.exp(np.quantile(draws, both, axis=0))
    card = str(cells["card"].iloc[0])
    shifts = card_shifts(card, cells.iloc[good], draws, observed, p_ceiling >= MORE_LIKELY)
    return HeldOut(cells, ends, pairs, shifts.table, blank.surprise.assign(p=shifts.p))


def _pairs(
    asked: HoldOut, cells: pd.DataFrame, split: tuple[str, ...], draws: FloatArray
) -> pd.DataFrame:
    """Say of every other card measured on a chart how likely the held-out one is faster there."""
    whole = asked.whole
    chart = list(CHART_COLUMNS)
    stays = whole.model.kept & ~whole.cells.table["card"].isin(split).to_numpy()
    table = whole.cells.table.assign(error=standard_errors(whole))
    columns = ["card", *chart, "rate", "se", "error"]
    others = table.loc[stays, columns]
    own = table.iloc[cells["cell"]][columns].assign(place=np.arange(len(cells)))
    both = own.merge(others.rename(columns={"card": "against"}), on=chart, suffixes=("", "_other"))
    theirs = np.log(both["rate_other"].to_numpy(dtype=float))
    gap = np.log(both["rate"].to_numpy(dtype=float)) - theirs
    rng = np.random.default_rng([whole.seed, SEED_STEP + 1, int(cells["cell"].iloc[0])])
    noise = np.nan_to_num(both["se_other"].to_numpy(dtype=float))
    drawn = theirs + noise * rng.standard_normal((len(draws), len(both)))
    error, other = (both[name].to_numpy(dtype=float) for name in ("error", "error_other"))
    reach = reach_of_lead(error, other, asked.level)
    return both.assign(
        p_faster=p_faster(draws[:, both["place"].to_numpy()], drawn),
        faster=gap > 0,
        within_test_error=np.abs(gap) <= reach,
    )[list(PAIR_COLUMNS)]
