"""Board power of cards that nobody tested, from their sheets; and how good such estimates are."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import AT_CEILING, FELL
from scalemodel.answers.newcomers import Newcomer
from scalemodel.answers.power_cards import Drawing
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.board_power import (
    BoardPower,
    PowerCells,
    fit_board_power,
    hold_out_power,
)

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NO_SHEET = "no board_power_w on its sheet"
SEED_STEP = 2
"""Added to the seed where power is drawn, so that it does not follow what rates stray by."""

PREDICTED_COLUMNS = (
    "card",
    *CHART_COLUMNS,
    "metric",
    "level",
    "power_lower",
    "power_median",
    "power_upper",
    "frames_per_joule_lower",
    "frames_per_joule_median",
    "frames_per_joule_upper",
    "p_ceiling",
    "basis",
    "reason",
)
HELD_OUT_COLUMNS = ("card", "error", "plain_error", "charts_used", "level", "held_share")


def power_cells(fit: "Fit", cells: pd.DataFrame) -> PowerCells:
    """Return the cells that say what cards draw of what their sheets say, as arrays.

    Cells at the ceiling are among them: they show what power does when the GPU waits.
    """
    sheets = fit.bench.cards.set_index("card")
    board = cells["card"].map(sheets["board_power_w"])
    used = cells[board.notna() & cells["power_w"].notna() & (cells["reason"] != FELL)]
    names = list(fit.labels.cards)
    places = pd.MultiIndex.from_frame(fit.labels.charts[list(CHART_COLUMNS)])
    architecture = [fit.labels.architectures.index(sheets["architecture"][name]) for name in names]
    return PowerCells(
        log_share=np.log((used["power_w"] / board[used.index]).to_numpy(dtype=float)),
        log_use=-used["log_headroom"].to_numpy(dtype=float),
        card=pd.Index(names).get_indexer(pd.Index(used["card"])).astype(np.intp),
        chart=places.get_indexer(pd.MultiIndex.from_frame(used[list(CHART_COLUMNS)])).astype(
            np.intp
        ),
        architecture=np.array(architecture, dtype=np.intp),
    )


def drawing(fit: "Fit", cells: PowerCells, cards: Sequence[Newcomer]) -> tuple[Drawing, ...]:
    """Draw the power of predicted cards on every chart, along with their rates."""
    try:
        learned = fit_board_power(cells, len(fit.labels.charts))
    except ScalemodelError as error:
        return tuple(Drawing(card, None, str(error)) for card in cards)
    return tuple(_drawing(fit, learned, card, number) for number, card in enumerate(cards))


def _drawing(fit: "Fit", learned: BoardPower, card: Newcomer, number: int) -> Drawing:
    board = float(str(card.sheet["board_power_w"]))
    if np.isnan(board):
        return Drawing(card, None, NO_SHEET)
    if card.draws is None:
        return Drawing(card, None, str(card.table["reason"].iloc[0]))
    name = str(card.sheet["architecture"])
    known = fit.labels.architectures
    architecture = known.index(name) if name in known else -1
    log_use = np.minimum(card.draws.log_rate - card.draws.log_gpu, 0.0)
    rng = np.random.default_rng([fit.seed, SEED_STEP, number])
    charts = np.arange(len(card.table))
    share = learned.draws(rng, charts, log_use, architecture)
    return Drawing(card, np.log(board) + share, "")


def predicted_rows(one: Drawing, level: float) -> pd.DataFrame:
    """Return a row a chart of a predicted card: what it should draw there, and frames per joule."""
    card = one.card
    table = card.table.drop(columns=["lower", "median", "upper"])
    at_ceiling = (table["reason"] == AT_CEILING).to_numpy()
    if one.log_power is None or card.draws is None:
        table["reason"] = table["reason"].mask((table["reason"] == "") | at_ceiling, one.reason)
        return table.reindex(columns=list(PREDICTED_COLUMNS))
    refused = ((table["reason"] != "") & ~at_ceiling).to_numpy()
    ends = [(1 - level) / 2, 0.5, (1 + level) / 2]
    log_ratio = card.draws.log_rate - one.log_power
    for what, draws in (("power", one.log_power), ("frames_per_joule", log_ratio)):
        found: FloatArray = np.exp(np.quantile(draws, ends, axis=0))
        for end, values in zip(("lower", "median", "upper"), found, strict=True):
            table[f"{what}_{end}"] = np.where(refused, np.nan, values)
    return table.reindex(columns=list(PREDICTED_COLUMNS))


def held_out_rows(fit: "Fit", cells: PowerCells, level: float) -> pd.DataFrame:
    """Return a row a card: how far its power lies from what all others say of it.

    `error` is the root mean square over its charts of the log of measured over predicted,
    `plain_error` that of the plain peer, `held_share` the share of its charts inside their range.
    Empty where too few cards are left.
    """
    try:
        found = hold_out_power(cells, len(fit.labels.charts), level)
    except ScalemodelError:
        return pd.DataFrame(columns=list(HELD_OUT_COLUMNS))
    table = pd.DataFrame(
        {
            "card": np.array(fit.labels.cards, dtype=object)[cells.card],
            "error": found.error**2,
            "plain_error": found.plain**2,
            "held_share": (np.abs(found.error) <= found.reach).astype(float),
        }
    )
    means = table.groupby("card", sort=False).mean()
    means[["error", "plain_error"]] = np.sqrt(means[["error", "plain_error"]])
    counts = table.groupby("card", sort=False).size()
    table = means.assign(charts_used=counts, level=level).reset_index()
    return table[list(HELD_OUT_COLUMNS)]
