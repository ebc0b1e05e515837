"""Rate and power of every measured cell, with the errors of both."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import comparable_cells, of_one_kind
from scalemodel.answers.runs import runs_of
from scalemodel.data.repeats import agree, index_by
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS, SESSION_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.ratio import correlation_within, ratio_interval

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NO_POWER = "no power_w"
NO_REPEATS = (
    "No cell has repeated runs with power_w: the error of a power is not known, and results have "
    "no ranges."
)


@dataclass(frozen=True)
class CellPower:
    """Cells with their power.

    Attributes:
        table: `comparable_cells` with power_w, power_se (of its log; NaN without repeats),
            ratio_se (of the log of rate over power) and the reason "no power_w" where there is
            none; native and upscaled results are kept apart at each resolution.
        correlation: of a run's rate with its power, within cells.
        run_sd: sd of the log power of one run; None without repeats.
    """

    table: pd.DataFrame
    correlation: float
    run_sd: float | None

    def ranges(self, level: float) -> tuple[FloatArray, FloatArray]:
        """Return the ends of the range of rate over power, (cells,), from both test errors."""
        cells = self.table
        rate, power = (cells[name].to_numpy(dtype=float) for name in ("rate", "power_w"))
        errors = rate * cells["se"].to_numpy(), power * cells["power_se"].to_numpy()
        shared = self.correlation * errors[0] * errors[1]
        return ratio_interval(rate, power, (errors[0] ** 2, errors[1] ** 2), shared, level)


def cell_power(fit: "Fit") -> CellPower:
    """Find the power of every cell of a fit.

    Raises:
        ScalemodelError: no run has power.
    """
    every = runs_of(fit.bench, fit.metric)
    runs = every.table[every.table["power_w"].notna()]
    if runs.empty:
        raise ScalemodelError(
            f"{fit.bench.source}: no run has power_w. Fill that column of results with the mean "
            "board power of each run."
        )
    cell = index_by(runs, CELL_COLUMNS)
    session = index_by(runs, (*CELL_COLUMNS, *SESSION_COLUMNS))
    log_power = np.log(runs["power_w"].to_numpy(dtype=float))
    agreed = agree(log_power, cell, session, index_by(runs, CHART_COLUMNS))
    good = ~agreed.far & ~every.agreed.far[every.table["power_w"].notna().to_numpy()]
    log_rate = every.log_rate[every.table["power_w"].notna().to_numpy()]
    together = np.unique(session[good], return_inverse=True)[1].astype(np.intp)
    correlation = correlation_within(log_rate[good], log_power[good], together)
    first = np.unique(cell, return_index=True)[1]
    found = runs.iloc[first][list(CELL_COLUMNS)].assign(
        power_w=np.exp(agreed.location), power_se=agreed.se
    )
    table = comparable_cells(fit).merge(found, on=list(CELL_COLUMNS), how="left")
    table["reason"] = table["reason"].mask(table["power_w"].isna(), NO_POWER)
    for _, part in table.groupby(["platform", "resolution"], sort=False):
        table.loc[part.index, "reason"] = of_one_kind(part)["reason"]
    shared = 2 * correlation * table["se"] * table["power_se"]
    table["ratio_se"] = np.sqrt(table["se"] ** 2 + table["power_se"] ** 2 - shared)
    return CellPower(table, correlation, agreed.run_sd)
