"""The rows of reduced logs: their columns, and how a summary or a failure becomes one."""

import math
from collections.abc import Mapping, Sequence
from typing import TypeGuard

import numpy as np
import pandas as pd

from scalemodel.data.logs.columns import Decision
from scalemodel.data.logs.listing import LogEntry
from scalemodel.data.problems import Problem
from scalemodel.data.schema import ID_COLUMNS
from scalemodel.model.frames.lows import Low
from scalemodel.model.frames.summary import RunLow, RunSummary

DEFINITIONS = {
    "quantile": "the rate at the 99th or 99.9th percentile of frame time, type 7",
    "slowest_mean": "the rate of the mean time of the slowest 1% or 0.1% of frames",
}
"""The two definitions of a low, in words."""

LOWS = {"low_1pct": "1% low", "low_01pct": "0.1% low"}

_BOTH = tuple(
    f"{metric}_{definition}_{end}"
    for definition in DEFINITIONS
    for metric in LOWS
    for end in ("fps", "lower", "upper")
)

COLUMNS = (
    *ID_COLUMNS,
    "avg_fps",
    *_BOTH,
    "frames",
    "seconds",
    "avg_lower",
    "avg_upper",
    "level",
    "block_frames",
    "drift",
    "spikes",
    "spike_share",
    "input_wait_ms",
    "input_wait_sd_ms",
    "held_at_fps",
    "held_share",
    "missed_share",
    "file",
    "column",
    "unit",
    "why",
    "exclude",
    "reason",
)
"""Of a row before the definition of the lows is chosen."""


def columns_of(table: pd.DataFrame, lows: str) -> pd.DataFrame:
    """Give the columns of the bench the lows of one definition, the other its own.

    Gives a table whose first columns are those of results.csv, then ``lows`` with the definition,
    the ranges, and all else.
    """
    renamed = {f"{metric}_{lows}_{end}": f"{metric}_{end}" for metric in LOWS for end in _ENDS}
    other = next(name for name in DEFINITIONS if name != lows)
    rates = [f"{metric}_fps" for metric in LOWS]
    ranges = ["avg_lower", "avg_upper"]
    ranges += [f"{metric}_{end}" for metric in LOWS for end in ("lower", "upper")]
    others = [f"{metric}_{other}_{end}" for metric in LOWS for end in _ENDS]
    first = [*ID_COLUMNS, "avg_fps", *rates, "exclude", "frames", "seconds", "lows", "level"]
    front = [*first, *ranges, *others]
    whole = table.rename(columns=renamed).assign(lows=lows)
    numbers = [name for name in whole.columns if name not in _TEXTS]
    whole[numbers] = whole[numbers].astype(float)
    rest = [name for name in whole.columns if name not in front]
    return whole[[*front, *rest]]


_ENDS = ("fps", "lower", "upper")
_TEXTS = {*ID_COLUMNS, "lows", "file", "column", "unit", "why", "exclude", "reason"}


def run_row(
    entry: LogEntry, run: RunSummary, decision: Decision, level: float
) -> dict[str, object]:
    """Give the row of a log that was reduced."""
    row: dict[str, object] = {"avg_fps": run.rate}
    row |= _range("avg", run.average)
    reasons = [] if math.isfinite(run.average.slower) else ["average: too few frames for a range"]
    for metric, low in run.lows.items():
        row |= _low(metric, low)
        reasons += _why_not(metric, low, run.frames)
    row |= {
        "frames": run.frames,
        "seconds": run.total / 1000,
        "level": level,
        "block_frames": run.block_frames or math.nan,
        "drift": run.drift,
        "spikes": run.spikes,
        "spike_share": run.spike_share,
        "input_wait_ms": run.input_wait,
        "input_wait_sd_ms": run.input_wait_sd,
        "held_at_fps": 1000 / run.hold.time,
        "held_share": run.hold.share,
        "missed_share": run.hold.multiples,
    }
    return {**_about(entry, decision), **row, "exclude": "", "reason": "; ".join(reasons)}


def failed_row(
    entry: LogEntry, problems: Sequence[Problem], decision: Decision | None
) -> dict[str, object]:
    """Give the row of a log that was not reduced."""
    errors = [problem for problem in problems if problem.severity == "error"]
    row = f"row {errors[0].row:,}: " if errors[0].row else ""
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    reason = f"not reduced: {row}{errors[0].what}{more}"
    return {**_about(entry, decision), "exclude": "yes", "reason": reason}


def is_row(row: object) -> TypeGuard[Mapping[str, object]]:
    """Say whether something is a row as `run_row` and `failed_row` give it."""
    texts = _TEXTS & set(COLUMNS)
    return (
        isinstance(row, dict)
        and texts <= set(row) <= set(COLUMNS)
        and all(isinstance(row[n], str if n in texts else int | float) for n in row)
    )


def _about(entry: LogEntry, decision: Decision | None) -> dict[str, object]:
    about: dict[str, object] = dict(zip(ID_COLUMNS, entry.ids, strict=True))
    about |= {"file": entry.file, "column": entry.column, "unit": entry.unit, "why": ""}
    if decision is not None:
        unit = f"{decision.unit} stamp" if decision.stamp else decision.unit
        about |= {"column": decision.column, "unit": unit, "why": decision.why}
    return about


def _range(name: str, low: Low) -> dict[str, object]:
    """Give the ends of a range as rates; an end that is not bounded is empty."""
    return {
        f"{name}_lower": 1000 / low.slower if math.isfinite(low.slower) else math.nan,
        f"{name}_upper": 1000 / low.faster,
    }


def _low(metric: str, low: RunLow) -> dict[str, object]:
    row: dict[str, object] = {}
    for definition in DEFINITIONS:
        found: Low | None = getattr(low, definition)
        if found is not None:
            row[f"{metric}_{definition}_fps"] = 1000 / found.time
            row |= _range(f"{metric}_{definition}", found)
    return row


def _why_not(metric: str, low: RunLow, frames: int) -> list[str]:
    if low.quantile is None:
        return [f"{LOWS[metric]}: {frames:,} frames are fewer than the {low.fewest:,} needed"]
    if np.isinf(low.quantile.slower):
        return [f"{LOWS[metric]}: too few bursts of slow frames to say how low it may be"]
    return []
