"""What was measured, as cards by charts, and which of it compares cards."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.repeats import standard_errors
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.measured import judge_cells

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
    """

    cards: tuple[str, ...]
    charts: pd.DataFrame
    log_rate: FloatArray
    error: FloatArray
    fell: BoolArray
    bound: BoolArray

    @property
    def compares(self) -> BoolArray:
        """Whether a result counts when cards are compared."""
        return np.isfinite(self.log_rate) & ~self.fell & ~self.bound

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
    bound[at] = judge_cells(fit.model, fit.observed).p_ceiling >= MORE_LIKELY
    return Usable(labels.cards, labels.charts, log_rate, error, fell, bound)


def _keys(table: pd.DataFrame) -> list[tuple[str, ...]]:
    return list(table[list(CHART_COLUMNS)].itertuples(index=False, name=None))
