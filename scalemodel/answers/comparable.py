"""Which cells compare cards, and what cards show over all charts that do."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import FEWEST_COMPARED, MORE_LIKELY
from scalemodel.answers.groups import NATIVE, UPSCALED, kept_apart, upscaled_by
from scalemodel.answers.levels import counted
from scalemodel.answers.repeats import standard_errors
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.two_way import TwoWay, linked, two_way

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

ALL = "(all)"
AT_CEILING = "sits at the ceiling"
FELL = "fell for lack of memory"
NOT_LINKED = "shares no chart with the other cards, not even by way of one of them"


def comparable_cells(fit: "Fit") -> pd.DataFrame:
    """Return every measured cell and whether it compares cards.

    Gives card, CHART_COLUMNS, pixels, rate, se (of the log rate, from tests), p_ceiling,
    log_headroom, upscaling ("native", "upscaled" or both joined) and reason, which is empty where
    the cell compares cards.
    """
    judged = fit.judged
    kept = fit.model.kept
    reason = np.where(judged.p_ceiling >= MORE_LIKELY, AT_CEILING, "")
    cells = fit.cells.table[[*CELL_COLUMNS, "pixels", "rate"]].assign(
        se=standard_errors(fit),
        p_ceiling=np.where(kept, judged.p_ceiling, 0.0),
        log_headroom=np.where(kept, judged.log_headroom, 0.0),
        reason=np.where(kept, reason, FELL),
    )
    kinds = upscaled_by(fit.bench.results, CELL_COLUMNS)
    return cells.join(kinds, on=list(CELL_COLUMNS))


def groups(cells: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Go through each platform: its resolutions by pixels, then all of them together.

    Cells of a group are of one kind, or have a reason.
    """
    for platform, here in cells.groupby("platform", sort=False):
        ordered = here.sort_values("pixels", kind="stable")
        for resolution, part in ordered.groupby("resolution", sort=False):
            yield str(platform), str(resolution), of_one_kind(part)
        yield str(platform), ALL, of_one_kind(here)


def of_one_kind(cells: pd.DataFrame) -> pd.DataFrame:
    """Return cells of which native ones count; upscaled ones if only these compare two cards.

    Those of the other kind have that as their reason.
    """
    return kept_apart(cells, UPSCALED if _only_upscaled(cells) else NATIVE)


def _only_upscaled(cells: pd.DataFrame) -> bool:
    good = cells[cells["reason"] == ""]
    cards = good.groupby([*CHART_COLUMNS, "upscaling"])["card"].nunique()
    kinds = cards[cards >= FEWEST_COMPARED].index.get_level_values("upscaling")
    return UPSCALED in kinds and NATIVE not in kinds


def kind_of(cells: pd.DataFrame) -> str:
    """Return the kind of the cells of a group that compare cards; "" where none does."""
    good = cells.loc[cells["reason"] == "", "upscaling"]
    return "" if good.empty else str(good.iloc[0])


@dataclass(frozen=True)
class SideBySide:
    """The cells of a group that can stand side by side.

    Attributes:
        cards: names, in the order of their indices.
        charts: keys of the charts (CHART_COLUMNS), likewise.
        kept: (cells of the group,) which cells these are.
        card, chart, game: (cells kept,) indices.
        not_linked: cards that share no chart with these.
    """

    cards: tuple[str, ...]
    charts: tuple[tuple[str, ...], ...]
    kept: BoolArray
    card: IntArray
    chart: IntArray
    game: IntArray
    not_linked: tuple[str, ...]

    @property
    def counts(self) -> IntArray:
        """(cards,) charts that each card is used on."""
        return np.bincount(self.card).astype(np.intp)

    def layout(self, values: FloatArray, error: FloatArray) -> TwoWay:
        """Return what cards show over the charts; values and errors are of the whole group."""
        return two_way(values[self.kept], self.card, self.chart, error[self.kept], self.game)


def side_by_side(cells: pd.DataFrame) -> SideBySide:
    """Find which cells of a group, all of which compare cards, can stand side by side.

    Args:
        cells: card and CHART_COLUMNS; at least one row.
    """
    places = pd.MultiIndex.from_frame(cells[list(CHART_COLUMNS)])
    kept = linked(_index(cells["card"]), _index(places))
    rest, there = cells["card"][kept], places[kept]
    cards = tuple(str(card) for card in rest.unique())
    gone = cells["card"][~kept]
    return SideBySide(
        cards=cards,
        charts=tuple(there.unique()),
        kept=kept,
        card=_index(rest),
        chart=_index(there),
        game=_index(cells["game"][kept]),
        not_linked=tuple(dict.fromkeys(gone[~gone.isin(cards)])),
    )


def _index(values: "pd.Series[str] | pd.MultiIndex") -> IntArray:
    """Return indices in order of appearance."""
    return pd.factorize(values)[0].astype(np.intp)


def common_reason(reasons: "pd.Series[str]") -> str:
    """Say why charts are left out: the commonest reason and how often; "" where none is."""
    counts = reasons[reasons != ""].value_counts()
    if counts.empty:
        return ""
    return f"{counts.index[0]} on {counts.iloc[0]} of {counted(len(reasons), 'chart')}"
