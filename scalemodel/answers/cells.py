"""From runs to cells: one measured rate a card and chart, and the runs that are not used."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scalemodel.data.bench import Bench
from scalemodel.data.checks import far_from_repeats, robust_repeat_sd
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError

#: Column of results that holds each metric.
METRIC_COLUMNS = {
    "average": "avg_fps",
    "low_1pct": "low_1pct_fps",
    "low_01pct": "low_01pct_fps",
}

LEFT_OUT_COLUMNS = (*CELL_COLUMNS, "run", "reason")


@dataclass(frozen=True)
class Cells:
    """Measured cells of a bench for one metric.

    Attributes:
        table: one row a cell: card, platform, game, preset, resolution, pixels, rate (geometric
            mean of its runs, fps), runs.
        run_sd: sd of the log rate of one run, pooled over all cells; None without repeats.
        left_out: runs not used, with the reason.
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
    column = METRIC_COLUMNS.get(metric)
    if column is None:
        allowed = ", ".join(METRIC_COLUMNS)
        raise ScalemodelError(f'"{metric}" is not a metric. Allowed: {allowed}.')
    # Neighbouring runs are compared: the order of rows in the file must not matter.
    results = bench.results.sort_values("run", kind="stable")
    has = results[column].notna()
    if not has.any():
        raise ScalemodelError(
            f"{bench.source}: no run has {column}. Fill that column of results, or ask for "
            "another metric."
        )
    far = far_from_repeats(results, column) & has
    repeats = _repeat_sd(results[has & ~far], column)
    used = results[has & ~far].sort_index()
    log_rate = np.log(used[column])
    keys = [used[name] for name in CELL_COLUMNS]
    grouped = log_rate.groupby(keys, sort=False)
    table = grouped.agg(["mean", "size"]).reset_index()
    table = table.rename(columns={"mean": "rate", "size": "runs"})
    table["rate"] = np.exp(table["rate"])
    pixels = used["pixels"].groupby(keys, sort=False).first()
    table["pixels"] = pixels.to_numpy(dtype=float)
    left_out = pd.concat(
        [
            bench.excluded[list(LEFT_OUT_COLUMNS)],
            _with_reason(results[~has].sort_index(), f"no {column}"),
            _with_reason(results[far].sort_index(), "run far from its repeats"),
        ],
        ignore_index=True,
    )
    return Cells(table, repeats if repeats > 0 else None, left_out, metric)


def _repeat_sd(runs: pd.DataFrame, column: str) -> float:
    cell = runs.groupby(list(CELL_COLUMNS), sort=False).ngroup()
    return robust_repeat_sd(np.log(runs[column]), cell)


def _with_reason(runs: pd.DataFrame, reason: str) -> pd.DataFrame:
    return runs[[*CELL_COLUMNS, "run"]].assign(reason=reason)
