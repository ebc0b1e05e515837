"""How repeatable the lab is, which runs are outliers, and which results are stale."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.flagged import flagged_runs, tested_runs
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.margins import check_margin, share
from scalemodel.answers.runs import METRIC_COLUMNS, metric_column, runs_of
from scalemodel.answers.spread import (
    SCENE_COLUMNS,
    TABLE_COLUMNS,
    no_metric,
    scene_rows,
    spread_rows,
)
from scalemodel.answers.stale import NOT_AGAIN, stale_rows
from scalemodel.data.bench import Bench
from scalemodel.model.arrays import BoolArray

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


@dataclass(frozen=True)
class Repeatability:
    """How repeatable a lab is. Sds are of log rates, so shares of the rate: 0.01 is 1%.

    Attributes:
        table: one row a metric and level of rate: s_r and s_R with what they rest on, the limits,
            and the runs a cell that show a lead as large as the margin.
        scenes: one row a metric, scene and platform, the noisiest first.
        runs: outlier runs of `metric`, the farthest first, then those the user excluded.
        every_run: every run of `metric`, with the columns of `runs`.
        stale: one row a scene and change of game version, driver or date.
        metric: the metric of `runs` and `stale`.
        margin: the smallest lead that matters.
        level: level of the ranges.
    """

    table: pd.DataFrame
    scenes: pd.DataFrame
    runs: pd.DataFrame
    every_run: pd.DataFrame
    stale: pd.DataFrame
    metric: str
    margin: float
    level: float

    @property
    def asks_for_a_fit(self) -> bool:
        """Results changed that nobody tested again: only a fit can say something of them."""
        return bool(((self.stale["basis"] == "") & (self.stale["reason"] == NOT_AGAIN)).any())

    def __str__(self) -> str:
        row = self.table[self.table["metric"] == self.metric].iloc[0]
        return " ".join([_spread_words(row, self.margin), *self._run_words(), *self._stale_words()])

    def _run_words(self) -> list[str]:
        if not self.table.loc[self.table["metric"] == self.metric, "dof_r"].iloc[0]:
            return []
        flagged = int((self.runs["found_by"] != "you").sum())
        noisy = self.scenes[(self.scenes["metric"] == self.metric) & self.scenes["noisy"]]
        words = []
        if len(noisy):
            loud = noisy.iloc[0]
            verb = "is" if len(noisy) == 1 else "are"
            words.append(
                f"{counted(len(noisy), 'scene')} {verb} noisier than the lab, most of all "
                f"{loud['game']} | {loud['preset']} ({loud['s_r']:.2%})."
            )
        stray = "strays" if flagged == 1 else "stray"
        words.append(
            f"{counted(flagged, 'run')} {stray} further than chance allows."
            if flagged
            else "No run strays further than chance allows."
        )
        return words

    def _stale_words(self) -> list[str]:
        gone = self.stale[(self.stale["stands"] == "no") & (self.stale["results"] > 0)]
        open_ = self.stale[(self.stale["stands"] == "not known") & (self.stale["results"] > 0)]
        words = []
        for row in gone.head(3).to_dict(orient="records"):
            words.append(
                f"{counted(row['results'], 'result')} of {row['cards']} in {row['game']} | "
                f"{row['preset']} on {row['platform']}, made with {row['was']}, can no longer "
                f"stand beside the others ({row['shift']:+.1%} since)."
            )
        if len(gone) > 3:
            words.append(f"So it is in {counted(len(gone) - 3, 'more case')}.")
        if len(open_):
            words.append(
                f"Of {counted(int(open_['results'].sum()), 'older result')} it is not known."
            )
        return words


def repeatability(
    bench: Bench,
    metric: str = "average",
    margin: float = 0.02,
    level: float = 0.8,
    fit: "Fit | None" = None,
) -> Repeatability:
    """Say how repeatable the runs of a bench are.

    Args:
        bench: as `read_bench` gives it.
        metric: "average", "low_1pct" or "low_01pct", for outlier runs and stale results.
        margin: the smallest lead that matters, such as 0.02.
        level: level of the ranges.
        fit: of this bench and metric, to judge changed results that nobody tested again.

    Raises:
        ScalemodelError: no run has the metric, or the margin or level is not possible.
    """
    check_level(level)
    check_margin(margin)
    chosen = runs_of(bench, metric)
    every_run = tested_runs(chosen, metric)
    rows: list[dict[str, object]] = []
    scenes: list[dict[str, object]] = []
    for name in METRIC_COLUMNS:
        column = metric_column(name)
        if bench.results[column].isna().all():
            rows.append(no_metric(name, f"no run has {column}"))
            continue
        one = chosen if name == metric else runs_of(bench, name)
        marked = _flagged(every_run if name == metric else tested_runs(one, name))
        rows += spread_rows(one, name, marked, margin, level)
        scenes += scene_rows(one, name, marked, margin, level)
    return Repeatability(
        table=pd.DataFrame(rows, columns=list(TABLE_COLUMNS)),
        scenes=pd.DataFrame(scenes, columns=list(SCENE_COLUMNS)),
        runs=flagged_runs(bench, every_run, metric),
        every_run=every_run,
        stale=stale_rows(chosen, margin, level, fit),
        metric=metric,
        margin=margin,
        level=level,
    )


def _flagged(every_run: pd.DataFrame) -> BoolArray:
    return (every_run["found_by"] != "").to_numpy(dtype=bool)


def _spread_words(row: Any, margin: float) -> str:
    """Say in words what the row of a metric says; `row` has the columns of the table."""
    if not row["dof_r"]:
        return f"How repeatable the lab is cannot be said: {row['reason']}."
    words = f"A run strays {row['s_r']:.2%} (s_r, {row['dof_r']} degrees of freedom); two of one "
    words += f"session differ by more than {row['limit_r']:.1%} once in twenty times."
    if np.isfinite(row["s_R"]):
        words += f" With sessions apart it is {row['s_R']:.2%} (s_R)."
    if np.isfinite(row["runs_needed"]):
        runs = counted(int(row["runs_needed"]), "run")
        return f"{words} To see a lead of {share(margin)} takes {runs} a cell."
    return f"{words} A lead of {share(margin)} is not to be seen: {row['reason']}."
