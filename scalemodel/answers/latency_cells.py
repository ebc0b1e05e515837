"""Measured latencies: one value a card and chart, with the frame time that belongs to it."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.cells import measured_cells
from scalemodel.answers.flagged import statistics
from scalemodel.answers.runs import Runs, grouped
from scalemodel.data.bench import Bench
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

SHOTS, RUNS = "shots", "runs"
SOURCES = (SHOTS, RUNS)
"""Shots of latency.csv, or the latency_ms of the runs in results: one of them, never both."""

NO_PLATFORM = "no rate was measured on this platform"
NO_CELL = "no rate of this card on this chart"
SHOT_COLUMNS = ("row", *CELL_COLUMNS, "shot", "latency_ms", "apart_ms", "sds", "p", "found_by")


@dataclass(frozen=True)
class LatencyCells:
    """Latencies of a bench.

    Attributes:
        source: "shots" or "runs".
        runs: the shots (or runs) with what their cells agree on, in ms.
        table: one row a cell: CELL_COLUMNS, shots, latency_ms, se_ms (NaN without repeats),
            refresh_hz (NaN if not given), frame_ms (of the measured rate on the same platform),
            gpu_ms (what the GPU needs of it; NaN without a fit) and reason (why it has no
            frame_ms, or "").
    """

    source: str
    runs: Runs
    table: pd.DataFrame

    def every_shot(self) -> pd.DataFrame:
        """Return every shot with the tests of its cell (see `repeat`): SHOT_COLUMNS and weight."""
        found = statistics(self.runs)
        table = self.runs.table.rename(columns={"run": "shot"})[list(SHOT_COLUMNS[:8])]
        return table.reset_index(drop=True).assign(
            apart_ms=found["apart"],
            sds=found["sds"],
            p=found["p"],
            found_by=found["found_by"],
            weight=self.runs.agreed.weight,
        )


def latency_cells(bench: Bench, source: str, fit: "Fit | None") -> LatencyCells:
    """Combine the shots (or runs) of each cell and look up its frame time.

    Raises:
        ScalemodelError: there is no latency, or none of the kind asked for.
    """
    chosen = _source(bench, source)
    runs = _shots(bench) if chosen == SHOTS else _runs(bench)
    first = np.unique(runs.cell, return_index=True)[1]
    table = runs.table.iloc[first][list(CELL_COLUMNS)].reset_index(drop=True)
    table = table.assign(
        shots=np.bincount(runs.cell),
        latency_ms=runs.agreed.location,
        se_ms=runs.standard_errors(),
        refresh_hz=_refresh(runs),
    )
    return LatencyCells(chosen, runs, _with_frames(table, bench, fit))


def _source(bench: Bench, source: str) -> str:
    there = {
        SHOTS: bool((bench.latency["reason"] == "").any()),
        RUNS: bool(bench.results["latency_ms"].notna().any()),
    }
    if source and source not in SOURCES:
        raise ScalemodelError(f'"{source}" is not a source. Allowed: {", ".join(SOURCES)}.')
    chosen = source or (SHOTS if there[SHOTS] else RUNS)
    if there[chosen]:
        return chosen
    lack = {SHOTS: "no shot in latency.csv", RUNS: "no run with latency_ms"}
    other = RUNS if source == SHOTS else SHOTS
    fix = (
        f"ask for {other}"
        if there[other]
        else ("write one row a shot into latency.csv, or fill the column latency_ms of results")
    )
    what = lack[chosen] if source else f"{lack[SHOTS]} and {lack[RUNS]}"
    raise ScalemodelError(
        f"{bench.source}: no latency to go by, since there is {what}. Fix: {fix}."
    )


def _shots(bench: Bench) -> Runs:
    table = bench.latency[bench.latency["reason"] == ""].rename(columns={"shot": "run"})
    values = table["latency_ms"].to_numpy(dtype=float)
    # Shots spread with the frame time: each cell has its own spread.
    return grouped(table, values, ("date",), (), CELL_COLUMNS, proportional=True)


def _runs(bench: Bench) -> Runs:
    table = bench.results[bench.results["latency_ms"].notna()]
    values = table["latency_ms"].to_numpy(dtype=float)
    return grouped(table, values, alike=CELL_COLUMNS, proportional=True)


def _refresh(runs: Runs) -> "pd.Series[float]":
    """Return (cells,) the refresh rate where all shots of a cell agree on one, else NaN."""
    if "refresh_hz" not in runs.table:
        return pd.Series(np.full(len(runs.agreed.location), np.nan))
    given = runs.table["refresh_hz"].astype(float).groupby(runs.cell)
    return given.first().where(given.nunique(dropna=False) == 1).reset_index(drop=True)


def _with_frames(table: pd.DataFrame, bench: Bench, fit: "Fit | None") -> pd.DataFrame:
    if fit is None:
        rates = measured_cells(bench, "average").table.assign(headroom=np.nan)
    else:
        headroom = np.exp(fit.judged.log_headroom)
        # Of a card that fell for lack of memory the model's GPU side says nothing.
        rates = fit.cells.table.assign(headroom=np.where(fit.model.kept, headroom, 1.0))
    keys = list(CELL_COLUMNS)
    found = table[keys].merge(rates[[*keys, "rate", "headroom"]], on=keys, how="left")
    frame = 1000.0 / found["rate"].to_numpy(dtype=float)
    gpu = frame / np.maximum(found["headroom"].to_numpy(dtype=float), 1.0)
    somewhere = table["platform"].isin(set(rates["platform"])).to_numpy()
    lacks = np.where(somewhere, NO_CELL, NO_PLATFORM)
    reason = np.where(np.isfinite(frame), "", lacks)
    return table.assign(frame_ms=frame, gpu_ms=gpu, reason=reason)


def of_platform(cells: LatencyCells, platform: str) -> LatencyCells:
    """Return the cells of one platform; the runs stay whole."""
    here = cells.table["platform"] == platform
    return replace(cells, table=cells.table[here].reset_index(drop=True))
