"""The relation of a low to its average: a level a scene, and a curve on the way to the ceiling."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.repeats import run_sd
from scalemodel.answers.runs import METRIC_COLUMNS, Runs, grouped
from scalemodel.data.repeats import index_by
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.layout import ScalePrior
from scalemodel.model.lines import TAIL, LineData, Lines, fit_lines
from scalemodel.model.measured import ceiling_steps

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

KNOTS = (-0.3, -0.15, 0.0, 0.15, 0.3)
WIDTH = 0.05
"""Where the curve may step: log of the GPU-side rate over the ceiling. Slow frames meet the ceiling
before the average does, or after it, by up to about a third."""

LEVEL, STEP = ScalePrior(0.05, 1.0), ScalePrior(0.03, 1.0)
STRAYS = (ScalePrior(0.01, 0.6), ScalePrior(0.007, 0.6))
"""Of the log of low over average: what scenes differ by in level, by average and at each step; what
cards, and cells, stray."""

ON_THE_WAY = 0.05
"""Cells that have done so much of the first step and not yet of the last are on the curve."""

FELL = "the average fell for lack of memory: it says nothing of the low"


@dataclass(frozen=True)
class LowCells:
    """Cells with a low.

    Attributes:
        table: one row a cell: log ratio and its error, average, sensitivity, reason.
        steps: (cells, knots) how much of each step of its scene's curve a cell has done.
        unsure: (cells, knots, knots) covariance of that.
    """

    table: pd.DataFrame
    steps: FloatArray
    unsure: FloatArray

    def take(self, index: IntArray) -> "LowCells":
        """Return some of the cells."""
        table = self.table.iloc[index].reset_index(drop=True)
        return LowCells(table, self.steps[index], self.unsure[index])


def low_runs(fit: "Fit", metric: str) -> Runs:
    """Take the runs with the low and the average, as the log of the one over the other.

    Raises:
        ScalemodelError: no run has the low.
    """
    column = METRIC_COLUMNS[metric]
    table = fit.bench.results[fit.bench.results[column].notna()]
    if table.empty:
        raise ScalemodelError(
            f"{fit.bench.source}: no run has {column}. Fill that column of results."
        )
    ratio = table[column].to_numpy(dtype=float) / table["avg_fps"].to_numpy(dtype=float)
    return grouped(table, np.log(ratio))


def low_cells(fit: "Fit", runs: Runs) -> LowCells:
    """Combine the runs of each cell, and look up where it is on its way to the ceiling."""
    first = np.unique(runs.cell, return_index=True)[1]
    table = runs.table.iloc[first][list(CELL_COLUMNS)].reset_index(drop=True)
    errors = runs.standard_errors()
    table = table.assign(
        ratio=runs.agreed.location, se=np.where(np.isnan(errors), run_sd(fit), errors)
    )
    judged = fit.judged
    steps, unsure = ceiling_steps(fit.model, fit.observed, KNOTS, WIDTH)
    known = fit.cells.table[[*CELL_COLUMNS, "rate"]].assign(
        sensitivity=judged.sensitivity, kept=fit.model.kept, at=np.arange(len(steps))
    )
    table = table.merge(known, on=list(CELL_COLUMNS), how="left")
    table = table.assign(reason=np.where(table["kept"].astype(bool), "", FELL))
    return LowCells(table, steps[table["at"]], unsure[table["at"]])


def fit_relation(cells: LowCells, tail: float, families: int) -> Lines:
    """Fit the relation of a platform's cells.

    Args:
        cells: those that can be judged.
        tail: degrees of freedom of their test errors; NaN if not known.
        families: as in LineData.
    """
    table = cells.table
    scene = index_by(table, ("game", "preset"))
    rate = np.log(table["rate"].to_numpy(dtype=float))
    centre = np.bincount(scene, rate) / np.bincount(scene)
    several = len(centre) > 1
    slopes = 1 + len(KNOTS)
    # The average itself is known; only the steps are not for sure.
    unsure = np.zeros((len(table), slopes, slopes))
    unsure[:, 1:, 1:] = cells.unsure
    data = LineData(
        y=table["ratio"].to_numpy(dtype=float),
        known=table["se"].to_numpy(dtype=float) ** 2,
        columns=np.column_stack([rate - centre[scene], cells.steps]),
        own=(True,) * slopes,
        scene=scene,
        card=index_by(table, ("card",)),
        stretch=np.ones(len(table)),
        bent=(cells.steps[:, 0] > ON_THE_WAY) & (cells.steps[:, -1] < 1 - ON_THE_WAY),
        priors=(LEVEL, *(STEP,) * slopes, *STRAYS) if several else STRAYS,
        tail=TAIL if np.isnan(tail) else tail,
        unsure=unsure,
        families=families,
    )
    return fit_lines(data)
