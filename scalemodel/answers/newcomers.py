"""Cards that nobody tested, placed beside the measured ones from their sheets."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.comparable import ALL, AT_CEILING, SideBySide, common_reason
from scalemodel.answers.predict import predict_card
from scalemodel.answers.sheets import complete_sheets
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.predictive import CellDraws
from scalemodel.model.two_way import TwoWay

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


@dataclass(frozen=True)
class Newcomer:
    """One predicted card.

    Attributes:
        sheet: its spec sheet.
        basis: what its prediction rests on.
        table: its rows of `predict`; reason says why a chart does not compare it.
        draws: its joint draws on these charts; None where every chart is refused.
    """

    sheet: "pd.Series[Any]"
    basis: str
    table: pd.DataFrame
    draws: CellDraws | None

    @property
    def card(self) -> str:
        """Its name."""
        return str(self.sheet["card"])

    def place(self, beside: SideBySide, layout: TwoWay, values: FloatArray) -> FloatArray:
        """Return (draws,) what it would show over the charts of a layout.

        Each chart that compares it is set off by what cards show there more than on average, as
        the layout has it. Empty where no chart of the layout compares it.

        Args:
            beside, layout: the measured cards.
            values: (draws, rows of its table) draws of what the layout compares by.
        """
        at = {chart: k for k, chart in enumerate(beside.charts)}
        charts = self.table[list(CHART_COLUMNS)].itertuples(index=False, name=None)
        where = np.array([at.get(chart, -1) for chart in charts], dtype=np.intp)
        rows = np.flatnonzero((where >= 0) & (self.table["reason"] == "").to_numpy())
        if not rows.size:
            return np.empty(0)
        return np.asarray((values[:, rows] - layout.chart[where[rows]]).mean(axis=1))

    def count(self, beside: SideBySide) -> int:
        """Return on how many charts of a layout it is placed."""
        known = set(beside.charts)
        good = self.table.loc[self.table["reason"] == "", list(CHART_COLUMNS)]
        return sum(chart in known for chart in good.itertuples(index=False, name=None))

    def why_not(self, platform: str, resolution: str) -> str:
        """Say why no chart of a platform at one resolution, or ALL, compares it."""
        here = (self.table["platform"] == platform).to_numpy()
        if resolution != ALL:
            here = here & (self.table["resolution"] == resolution).to_numpy()
        return common_reason(self.table.loc[here, "reason"]) or "no chart with measured cards"


def newcomers(fit: "Fit", specs: pd.DataFrame | None, level: float) -> tuple[Newcomer, ...]:
    """Predict the cards of some spec sheets on every chart of the bench."""
    if specs is None:
        return ()
    sheets = complete_sheets(fit, specs)
    found = []
    for k in range(len(sheets.table)):
        table, draws = predict_card(fit, sheets, k, level)
        bound = (table["reason"] == "") & (table["p_ceiling"] >= MORE_LIKELY)
        table["reason"] = table["reason"].mask(bound, AT_CEILING)
        found.append(Newcomer(sheets.table.iloc[k], sheets.basis[k], table, draws))
    return tuple(found)
