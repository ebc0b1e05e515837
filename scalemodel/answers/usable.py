"""What was measured, as cards by charts, and which of it compares cards."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.answers.ceilings import FEWEST_COMPARED, MORE_LIKELY
from scalemodel.answers.groups import NATIVE, UPSCALED, is_upscaled
from scalemodel.answers.repeats import standard_errors
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


@dataclass(frozen=True)
class Usable:
    """Every card on every chart of a bench; arrays are (cards, charts).

    Attributes:
        cards: names.
        charts: CHART_COLUMNS and pixels, one row a chart.
        log_rate: measured, NaN without a result.
        error: standard error of it by test error.
        fell: results that fell for lack of memory.
        bound: results that sit at the ceiling, more likely than not.
        native: whether a card has native runs there.
        upscaled: whether it has upscaled ones.
        apart: results that are not among these, for their runs are not of the kind that counts.
    """

    cards: tuple[str, ...]
    charts: pd.DataFrame
    log_rate: FloatArray
    error: FloatArray
    fell: BoolArray
    bound: BoolArray
    native: BoolArray
    upscaled: BoolArray
    apart: BoolArray

    @property
    def games(self) -> NDArray[Any]:
        """(charts,) the game of each chart."""
        return self.charts["game"].to_numpy()

    @property
    def compares(self) -> BoolArray:
        """Whether a result counts when cards are compared."""
        return np.isfinite(self.log_rate) & ~self.fell & ~self.bound

    def of_one_kind(self, charts: IntArray) -> "Usable":
        """Return it with the native results alone; with the upscaled ones alone if on these charts
        only such compare two cards.
        """
        kinds = self.native & ~self.upscaled, self.upscaled & ~self.native
        compared = [
            (self.compares & kind)[:, charts].sum(axis=0).max(initial=0) >= FEWEST_COMPARED
            for kind in kinds
        ]
        kind = kinds[1] if compared == [False, True] else kinds[0]
        log_rate = np.where(kind, self.log_rate, np.nan)
        apart = np.isfinite(self.log_rate) & ~kind
        fell, bound = self.fell & kind, self.bound & kind
        return replace(self, log_rate=log_rate, fell=fell, bound=bound, apart=apart)

    def kind(self, charts: IntArray) -> str:
        """Return the kind of the results on some charts, of which all that compare are of one."""
        compares = self.compares[:, charts]
        if not compares.any():
            return ""
        return UPSCALED if (compares & self.upscaled[:, charts]).any() else NATIVE

    def on(self, platform: str, resolution: str | None = None) -> IntArray:
        """Return the indices of the charts of a platform, at one resolution or at all."""
        here = self.charts["platform"] == platform
        if resolution is not None:
            here &= self.charts["resolution"] == resolution
        return np.flatnonzero(here)

    def resolutions(self, platform: str) -> list[str]:
        """Return the resolutions of a platform, the smallest first."""
        charts = self.charts.iloc[self.on(platform)].sort_values("pixels", kind="stable")
        return [str(one) for one in dict.fromkeys(charts["resolution"])]


def usable(fit: "Fit") -> Usable:
    """Lay out the measured cells of a fit by card and chart."""
    labels, cells = fit.labels, fit.cells.table
    columns = {key: k for k, key in enumerate(_keys(labels.charts))}
    at = fit.observed.rows.card, np.array([columns[key] for key in _keys(cells)], dtype=np.intp)
    shape = (len(labels.cards), len(labels.charts))
    log_rate, error = np.full(shape, np.nan), np.full(shape, np.nan)
    fell, bound = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    log_rate[at] = fit.observed.log_rate
    error[at] = standard_errors(fit)
    fell[at] = ~fit.model.kept
    bound[at] = fit.judged.p_ceiling >= MORE_LIKELY
    kinds = _runs_of_kind(fit, columns, native=True), _runs_of_kind(fit, columns, native=False)
    apart = np.zeros(shape, dtype=bool)
    return Usable(labels.cards, labels.charts, log_rate, error, fell, bound, *kinds, apart)


def _runs_of_kind(fit: "Fit", columns: dict[tuple[str, ...], int], *, native: bool) -> BoolArray:
    """Return (cards, charts) whether a card has runs that are native, or that are upscaled."""
    cards = {card: k for k, card in enumerate(fit.labels.cards)}
    runs = fit.bench.results[is_upscaled(fit.bench.results) != native]
    runs = runs.drop_duplicates(["card", *CHART_COLUMNS])
    found = np.zeros((len(cards), len(columns)), dtype=bool)
    for card, key in zip(runs["card"], _keys(runs), strict=True):
        if card in cards and key in columns:
            found[cards[card], columns[key]] = True
    return found


def _keys(table: pd.DataFrame) -> list[tuple[str, ...]]:
    return list(table[list(CHART_COLUMNS)].itertuples(index=False, name=None))
