"""From runs to cells: one measured rate a card and chart, and the runs that are not used."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scalemodel.answers.runs import metric_column, runs_of
from scalemodel.data.bench import Bench
from scalemodel.data.schema import CELL_COLUMNS

LEFT_OUT_COLUMNS = (*CELL_COLUMNS, "run", "reason")
FAR = "run far from its repeats: it hardly counts"


@dataclass(frozen=True)
class Cells:
    """Measured cells of a bench for one metric.

    Attributes:
        table: one row a cell: card, platform, game, preset, resolution, rate (what its runs agree
            on, fps), runs, pixels, se (standard error of the log rate by test error; NaN without
            repeats in the lab).
        run_sd: sd of the log rate of one run, pooled over all cells; None without repeats.
        left_out: runs not used, and those that hardly count, with the reason.
        metric: the metric.
    """

    table: pd.DataFrame
    run_sd: float | None
    left_out: pd.DataFrame
    metric: str


def measured_cells(bench: Bench, metric: str) -> Cells:
    """Combine the runs of each cell.

    Raises:
        ScalemodelError: the metric is unknown, or no run of the bench has it.
    """
    runs = runs_of(bench, metric)
    first = np.unique(runs.cell, return_index=True)[1]
    table = runs.table.iloc[first][list(CELL_COLUMNS)].reset_index(drop=True)
    table["rate"] = np.exp(runs.agreed.location)
    table["runs"] = np.bincount(runs.cell)
    table["pixels"] = runs.table.iloc[first]["pixels"].to_numpy(dtype=float)
    table["se"] = runs.standard_errors()
    column = metric_column(metric)
    left_out = pd.concat(
        [
            bench.excluded[list(LEFT_OUT_COLUMNS)],
            _with_reason(bench.results[bench.results[column].isna()], f"no {column}"),
            _with_reason(runs.table[runs.agreed.far], FAR),
        ],
        ignore_index=True,
    )
    return Cells(table, runs.agreed.run_sd, left_out, metric)


def _with_reason(runs: pd.DataFrame, reason: str) -> pd.DataFrame:
    return runs[[*CELL_COLUMNS, "run"]].assign(reason=reason)
