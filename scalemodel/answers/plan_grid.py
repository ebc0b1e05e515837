"""Every card on every chart: what could be tested, and what it would tell."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.sheets import complete_sheets, memory_needed
from scalemodel.data.problems import near_names
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import IntArray
from scalemodel.model.outlook import Outlook, Wanted, look_ahead

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

FELL = "fell for lack of memory"


@dataclass(frozen=True)
class Grid:
    """All cells that a plan may be about.

    Attributes:
        cells: one row a cell: card, platform, game, preset, resolution, pixels, runs (so far),
            sensitivity, at_hand (the card can be tested), new (the card has no results), reason
            (why the cell cannot be used, or ""). The last rows, of card "", stand for ceilings.
        architectures: architecture of each card.
        outlook: what is known of the cells, row by row.
    """

    cells: pd.DataFrame
    architectures: dict[str, str]
    outlook: Outlook

    @property
    def setup(self) -> IntArray:
        """(rows,) number of the card and platform a cell is tested with; -1 if it cannot be."""
        number = self.cells.groupby(["card", "platform"], sort=False).ngroup().to_numpy()
        usable = self.cells["at_hand"].astype(bool) & (self.cells["reason"] == "")
        return np.where(usable, number, -1)

    def check_card(self, card: str) -> None:
        """Refuse a card that is not in the grid.

        Raises:
            ScalemodelError: there is no such card.
        """
        if card not in self.architectures:
            near = near_names(card, tuple(self.architectures))
            raise ScalemodelError(
                f'No card is named "{card}". Allowed: a card of cards.csv, such as {near}.'
            )


def make_grid(
    fit: "Fit", specs: pd.DataFrame | None, only: tuple[str, ...], *, in_hand: bool
) -> Grid:
    """Lay out all cards on all charts, those of cards.csv and those of `specs`.

    Cards of cards.csv are at hand, those of `specs` if `in_hand` says so; or those of `only`.

    Raises:
        ScalemodelError: `only` names a card that is not there.
    """
    bench = fit.bench.cards
    tested = bench.set_index("card").loc[list(fit.labels.cards)].reset_index()
    known = [] if specs is None else list(specs["card"])
    waiting = bench[~bench["card"].isin([*fit.labels.cards, *known])]
    fresh = waiting if specs is None else pd.concat([waiting, specs], ignore_index=True)
    sheets, cells = [tested], [_tested_cells(fit)]
    if len(fresh):
        complete = complete_sheets(fit, fresh)
        for k, card in enumerate(complete.table["card"]):
            if card not in fit.labels.cards:
                at_hand = card not in known or in_hand
                reasons = complete.reasons(fit, k)
                cells.append(_cells(fit, card, 0, reasons).assign(at_hand=at_hand, new=True))
                sheets.append(complete.table.iloc[[k]])
    every, grid = pd.concat(sheets, ignore_index=True), pd.concat(cells, ignore_index=True)
    if only:
        grid["at_hand"] = grid["card"].isin(only)
    made = _with_outlook(fit, every, pd.concat([grid, _ceilings(fit)], ignore_index=True))
    for card in only:
        made.check_card(card)
    return made


def _cells(fit: "Fit", card: str, runs: object, reasons: object) -> pd.DataFrame:
    charts = fit.labels.charts
    return pd.DataFrame(
        {
            "card": card,
            **{name: charts[name] for name in (*CHART_COLUMNS, "pixels")},
            "runs": runs,
            "reason": reasons,
        }
    )


def _tested_cells(fit: "Fit") -> pd.DataFrame:
    """Return all charts of the measured cards, with the runs each has and why one is no use."""
    keys = list(CELL_COLUMNS)
    own = fit.cells.table.assign(fell=~fit.model.kept).set_index(keys)
    need = np.array(memory_needed(fit))
    memory = fit.bench.cards.set_index("card")["memory_gb"]
    parts = []
    for card in fit.labels.cards:
        gb = float(memory[card])
        words = f"{gb:g} GB: cards with as much fell for lack of memory here"
        part = _cells(fit, card, 0, np.where(gb <= need, words, ""))
        there = own.reindex(pd.MultiIndex.from_frame(part[keys]))
        part["runs"] = there["runs"].fillna(0).to_numpy(dtype=int)
        fell = there["fell"].fillna(value=False).to_numpy(dtype=bool)
        part["reason"] = np.where(fell, FELL, np.where(part["runs"] > 0, "", part["reason"]))
        parts.append(part)
    return pd.concat(parts, ignore_index=True).assign(at_hand=True, new=False)


def _ceilings(fit: "Fit") -> pd.DataFrame:
    """Return a row for the ceiling of each scene on each platform."""
    scenes = fit.labels.charts.drop_duplicates(["platform", "game", "preset"])
    return scenes.assign(card="", runs=0, reason="", at_hand=False, new=False)


def _with_outlook(fit: "Fit", sheets: pd.DataFrame, cells: pd.DataFrame) -> Grid:
    ceiling = (cells["card"] == "").to_numpy()
    place = {card: k for k, card in enumerate(sheets["card"])}
    cards = cells["card"].map(place).fillna(0).to_numpy(dtype=np.intp)
    run_variance = None if fit.cells.run_sd is None else fit.cells.run_sd**2
    rows = fit.labels.rows(cells, cards)
    wanted = Wanted(fit.labels.specs(sheets), rows, ceiling, run_variance)
    outlook = look_ahead(fit.model, fit.observed, wanted)
    architectures = dict(zip(sheets["card"], sheets["architecture"], strict=True))
    return Grid(cells.assign(sensitivity=outlook.sensitivity), architectures, outlook)
