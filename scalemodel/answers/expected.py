"""What a fit of everything else expects of results that nobody tested again."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import BoolArray
from scalemodel.model.predictive import draw_cells

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

SEED_STEP = 29
"""Keeps these draws apart from those of predictions."""


@dataclass(frozen=True)
class Expected:
    """How far results are below what is expected of them, on the log scale.

    Attributes:
        shift: expected less measured, mean over the cells.
        se: its standard error, from joint draws and test error.
        cells: how many.
    """

    shift: float
    se: float
    cells: int


@dataclass(frozen=True)
class Others:
    """A fit without some results.

    Attributes:
        whole: the fit with them.
        rest: the fit without.
    """

    whole: "Fit"
    rest: "Fit"

    @staticmethod
    def of(whole: "Fit", older: pd.DataFrame) -> "Others":
        """Fit without the cells of some runs (CELL_COLUMNS).

        Raises:
            ScalemodelError: too few cells are left.
        """
        return Others(whole, whole.without_cells(_cells_of(whole, older)))

    def expected(self, older: pd.DataFrame) -> Expected | None:
        """Hold the cells of some runs against the fit without them; None if it knows none."""
        labels = self.rest.labels
        table = self.whole.cells.table
        known = table["card"].isin(labels.cards) & table["platform"].isin(labels.platforms)
        views = zip(table["game"], table["preset"], table["resolution"], strict=True)
        known &= pd.Series([view in labels.views for view in views], index=table.index)
        here = _cells_of(self.whole, older) & known.to_numpy(dtype=bool) & self.whole.model.kept
        if not here.any():
            return None
        cells = table[here]
        cards = np.array([labels.card_index(card) for card in cells["card"]], dtype=np.intp)
        model = self.rest.model
        rows = labels.rows(cells, cards)
        drawn = draw_cells(model, model.specs, rows, self.rest.seed + SEED_STEP).log_rate
        shift = (drawn - np.log(cells["rate"].to_numpy(dtype=float))).mean(axis=1)
        test = np.nan_to_num(cells["se"].to_numpy(dtype=float))
        error = np.hypot(shift.std(), np.sqrt((test**2).sum()) / len(cells))
        return Expected(float(shift.mean()), float(error), len(cells))


def _cells_of(fit: "Fit", runs: pd.DataFrame) -> BoolArray:
    """Return (cells,) which cells of a fit some runs belong to."""
    index = pd.MultiIndex.from_frame(fit.cells.table[list(CELL_COLUMNS)])
    return np.asarray(index.isin(pd.MultiIndex.from_frame(runs[list(CELL_COLUMNS)])))
