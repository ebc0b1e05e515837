"""How many frames does a card give for its power?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import ALL
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.newcomers import newcomers
from scalemodel.answers.power_cards import MEASURED, card_rows, efficiency_groups
from scalemodel.answers.power_cells import NO_REPEATS, CellPower, cell_power
from scalemodel.answers.power_limits import LAST, limit_tables
from scalemodel.answers.power_sheets import (
    PREDICTED_COLUMNS,
    drawing,
    held_out_rows,
    power_cells,
    predicted_rows,
)
from scalemodel.answers.power_siblings import COLUMNS as SIBLING_COLUMNS
from scalemodel.answers.power_siblings import LESS, MORE, sibling_rows
from scalemodel.data.schema import CELL_COLUMNS

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

CELL_POWER_COLUMNS = (
    *CELL_COLUMNS,
    "metric",
    "level",
    "rate",
    "power_w",
    "frames_per_joule",
    "lower",
    "upper",
    "joules_per_frame",
    "p_ceiling",
    "used",
    "reason",
    "upscaling",
)


@dataclass(frozen=True)
class Power:
    """Rate against power. One frame per joule is one frame per second for each watt.

    Attributes:
        cards: one row a card, platform and resolution or "(all)", the most efficient first:
            position, rate (fps) and power_w over the charts that compare cards, each with its
            _lower and _upper, frames_per_joule with lower and upper, joules_per_frame,
            p_more_efficient (than the next one), p_first, charts_used, basis, reason, upscaling.
            Predicted cards are among them. Rows are of native charts; of upscaled ones where only
            such compare two cards.
        table: one row a cell: rate, power_w, frames_per_joule with its test error, p_ceiling,
            used, the reason why it does not compare cards at its resolution, upscaling.
        siblings: one row a card and platform: against_siblings is its frames per joule over what
            the others of its architecture give, minus 1; chance, verdict.
        limits: one row a card, platform and power limit: power and rate over those at its own
            limit; left_out says why charts do not count.
        curves: one row a card and platform tested at limits: brings is what the last LAST of its
            power adds to its rate, log rate = slope x + bend x^2 with x the log of power over its
            own.
        predicted: one row a chart of a predicted card: the power it should draw, and frames per
            joule.
        held_out: one row a card: how far its power is from what the others say, beside a plain
            peer.
        level: level of the ranges.
        note: what ranges lack where no run was repeated, else "".
    """

    cards: pd.DataFrame
    table: pd.DataFrame
    siblings: pd.DataFrame
    limits: pd.DataFrame
    curves: pd.DataFrame
    predicted: pd.DataFrame
    held_out: pd.DataFrame
    level: float
    note: str = ""

    def __str__(self) -> str:
        overall = self.cards[self.cards["resolution"] == ALL]
        words = [
            self._best(str(platform), rows)
            for platform, rows in overall.groupby("platform", sort=False)
        ]
        left = int((~self.table["used"].astype(bool)).sum())
        words += [f"{counted(left, 'result')} left out."] if left else []
        words += [*self._odd(), *self._limits(), *self._newcomers(overall)]
        return " ".join([*words, self.note] if self.note else words)

    @staticmethod
    def _best(platform: str, rows: pd.DataFrame) -> str:
        placed = rows[(rows["basis"] == MEASURED) & rows["position"].notna()]
        if placed.empty:
            return f"On {platform} no chart compares cards: {rows['reason'].iloc[0]}."
        first, last = placed.iloc[0], placed.iloc[-1]
        words = (
            f"On {platform} {first['card']} is the most efficient of "
            f"{counted(len(placed), 'card')}: {first['frames_per_joule']:.3f} frames per joule "
            f"({first['lower']:.3f} to {first['upper']:.3f})"
        )
        if len(placed) > 1:
            words += f"; the least is {last['card']} with {last['frames_per_joule']:.3f}"
        return f"{words}."

    def _odd(self) -> list[str]:
        words = []
        for verdict in (LESS, MORE):
            odd = self.siblings[self.siblings["verdict"] == verdict]
            odd = odd.drop_duplicates("card")
            named = [f"{row['card']} ({row['against_siblings']:+.0%})" for _, row in odd.iterrows()]
            if named:
                words.append(f"Clearly {verdict} than their architecture: {', '.join(named)}.")
        return words

    def _limits(self) -> list[str]:
        found = self.curves[self.curves["brings"].notna()]
        return [
            f"The last {LAST:.0%} of the power of {row['card']} brings {row['brings']:.1%} "
            f"({row['lower']:.1%} to {row['upper']:.1%})."
            for _, row in found.iterrows()
        ]

    @staticmethod
    def _newcomers(overall: pd.DataFrame) -> list[str]:
        words = []
        for _, row in overall[overall["basis"] != MEASURED].iterrows():
            if np.isnan(row["power_w"]):
                words.append(f"{row['card']}: no estimate ({row['reason']}).")
                continue
            words.append(
                f"{row['card']} should draw {row['power_w']:.0f} W ({row['power_lower']:.0f} to "
                f"{row['power_upper']:.0f}) on {row['platform']} and give "
                f"{row['frames_per_joule']:.3f} frames per joule."
            )
        return words


def power(fit: "Fit", specs: pd.DataFrame | None, level: float) -> Power:
    """Compare the cards of a fit by what they give for their power.

    Raises:
        ScalemodelError: no run has power, or the level is not in (0, 1).
    """
    check_level(level)
    found = cell_power(fit)
    cells = power_cells(fit, found.table)
    drawn = drawing(fit, cells, newcomers(fit, specs, level))
    laid_out = efficiency_groups(found.table)
    siblings = [
        row
        for group in laid_out
        if group.resolution == ALL
        for row in sibling_rows(fit, group, level)
    ]
    limits, curves = limit_tables(fit, found, level)
    predicted = [predicted_rows(one, level) for one in drawn]
    none = pd.DataFrame(columns=list(PREDICTED_COLUMNS))
    return Power(
        cards=card_rows(fit, laid_out, drawn, level),
        table=_cell_table(fit, found, level),
        siblings=pd.DataFrame(siblings, columns=list(SIBLING_COLUMNS)),
        limits=limits,
        curves=curves,
        predicted=pd.concat(predicted, ignore_index=True) if predicted else none,
        held_out=held_out_rows(fit, cells, level),
        level=level,
        note="" if found.run_sd else NO_REPEATS,
    )


def _cell_table(fit: "Fit", found: CellPower, level: float) -> pd.DataFrame:
    cells = found.table
    lower, upper = found.ranges(level)
    ratio = cells["rate"] / cells["power_w"]
    return cells.assign(
        metric=fit.metric,
        level=level,
        frames_per_joule=ratio,
        lower=lower,
        upper=upper,
        joules_per_frame=1 / ratio,
        used=cells["reason"] == "",
    )[list(CELL_POWER_COLUMNS)]
