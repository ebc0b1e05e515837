"""The runs of a bench that have a metric, as arrays, with what they agree on."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from scalemodel.data.bench import Bench
from scalemodel.data.repeats import Agreement, agree, agree_in_proportion, index_by
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS, SESSION_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.repeatability import Precision, precision
from scalemodel.model.tails import repeat_tail, tail_of_mean

#: Column of results that holds each metric.
METRIC_COLUMNS = {
    "average": "avg_fps",
    "low_1pct": "low_1pct_fps",
    "low_01pct": "low_01pct_fps",
}

#: With fewer degrees of freedom between sessions, what they differ by is not known.
FEWEST_SESSIONS = 5


@dataclass(frozen=True)
class Runs:
    """Runs with a metric.

    Attributes:
        table: their rows of the results.
        log_rate: (runs,) log of the metric; of latencies, the ms themselves.
        alike: (runs,) index of the runs whose spread is alike: of one chart, or of one cell.
        cell, session, chart: (runs,) indices from 0 without gaps, in order of appearance. A session
            is what was tested of a cell on one date with one driver and game version.
        version: (runs,) index of a cell at one game version.
        agreed: what the runs of each cell agree on.
    """

    table: pd.DataFrame
    log_rate: FloatArray
    cell: IntArray
    session: IntArray
    chart: IntArray
    version: IntArray
    alike: IntArray
    agreed: Agreement

    def spread(self, keep: BoolArray) -> Precision:
        """Return the spread within and between sessions of some runs."""
        cell, session = (compact(index[keep]) for index in (self.version, self.session))
        return precision(self.log_rate[keep], cell, session)

    @cached_property
    def session_sd(self) -> float:
        """Sd of what sessions of a cell differ by beyond their runs; 0 where not known."""
        whole = self.spread(~self.agreed.far)
        return whole.s_session if whole.dof_session >= FEWEST_SESSIONS else 0.0

    def tail(self) -> float:
        """Return the degrees of freedom of the t that errors of cells follow; NaN if unknown.

        No more than there are behind the usual size of the errors.
        """
        found = repeat_tail(self.log_rate, self.agreed.together, self.agreed.scale)
        mean = tail_of_mean(found, float(np.median(np.bincount(self.cell))))
        return float(np.minimum(mean, np.median(self.agreed.scale_dof)))

    def standard_errors(self) -> FloatArray:
        """Return (cells,) standard errors of what the cells agree on; NaN without repeats."""
        runs = np.bincount(self.cell)
        in_session = np.bincount(self.session)
        first = np.unique(self.session, return_index=True)[1]
        share = in_session / runs[self.cell[first]]
        between = np.bincount(self.cell[first], share**2) * self.session_sd**2
        return np.asarray(np.sqrt(self.agreed.se**2 + between))


def metric_column(metric: str) -> str:
    """Return the column of results that holds a metric.

    Raises:
        ScalemodelError: there is no such metric.
    """
    if metric not in METRIC_COLUMNS:
        allowed = ", ".join(METRIC_COLUMNS)
        raise ScalemodelError(f'"{metric}" is not a metric. Allowed: {allowed}.')
    return METRIC_COLUMNS[metric]


def runs_of(bench: Bench, metric: str) -> Runs:
    """Take the runs of a bench that have a metric.

    Raises:
        ScalemodelError: the metric is unknown, or no run of the bench has it.
    """
    column = metric_column(metric)
    table = bench.results[bench.results[column].notna()]
    if table.empty:
        raise ScalemodelError(
            f"{bench.source}: no run has {column}. Fill that column of results, or ask for "
            "another metric."
        )
    return grouped(table, np.log(table[column].to_numpy(dtype=float)))


def grouped(
    table: pd.DataFrame,
    values: FloatArray,
    session: Sequence[str] = SESSION_COLUMNS,
    version: Sequence[str] = ("game_version",),
    alike: Sequence[str] = CHART_COLUMNS,
    *,
    proportional: bool = False,
) -> Runs:
    """Group rows by cell, session, chart and version, and find what cells agree on.

    Args:
        table: the rows.
        values: (rows,) what was measured, on a scale where errors are alike.
        session: columns that, beside the cell, say what was tested together.
        version: columns that say what, beside the cell, is no repeat.
        alike: columns of rows whose spread is alike.
        proportional: whether spread goes with the level of a cell, as of latencies in ms.
    """
    cell, chart = index_by(table, CELL_COLUMNS), index_by(table, CHART_COLUMNS)
    together = index_by(table, (*CELL_COLUMNS, *session))
    own = index_by(table, (*CELL_COLUMNS, *version))
    spread = index_by(table, alike)
    find = agree_in_proportion if proportional else agree
    agreed = find(values, cell, together, spread)
    return Runs(table, values, cell, together, chart, own, spread, agreed)


def compact(index: IntArray) -> IntArray:
    """Return an index without gaps."""
    return np.unique(index, return_inverse=True)[1].astype(np.intp)
