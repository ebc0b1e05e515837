"""One run along its way, and how its frame times spread: what a figure of it shows."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from scalemodel.answers.reduce import open_run
from scalemodel.data.logs.listing import LogEntry, list_logs
from scalemodel.data.rows import UnreadableError
from scalemodel.data.schema import ID_COLUMNS
from scalemodel.data.urls import BenchPath
from scalemodel.errors import ScalemodelError
from scalemodel.model.frames.counts import Counter, Counts
from scalemodel.model.frames.pacing import running_medians, spikes
from scalemodel.model.frames.source import PIECE, Part

STEPS = 3000
"""Steps along a run at most; each may hold several frames."""

BARS = 90


@dataclass(frozen=True)
class Trace:
    """A run to be drawn.

    Attributes:
        along: one row a step: seconds (its end), fastest_ms and slowest_ms of its frames,
            running_median_ms, and spikes (how many).
        spread: one row a bar: from_ms, to_ms and share of the frames.
    """

    along: pd.DataFrame
    spread: pd.DataFrame


def trace(bench: BenchPath, run: tuple[str, ...]) -> Trace:
    """Give the trace of a run that can be reduced.

    Args:
        bench: folder with frames.csv.
        run: card, platform, game, preset, resolution and run.

    Raises:
        ScalemodelError: there is no such run, or its log cannot be read.
    """
    entries, _ = list_logs(bench)
    entry = next((entry for entry in entries if entry.ids == run), None)
    if entry is None:
        named = ", ".join(f"{n} {value}" for n, value in zip(ID_COLUMNS, run, strict=True))
        raise ScalemodelError(f"frames.csv names no run of {named}.")
    return _trace(entry)


def _trace(entry: LogEntry) -> Trace:
    try:
        log, part = open_run(entry)
    except UnreadableError as error:
        raise ScalemodelError(f"{entry.shown}: {error.what}. Fix: {error.fix}.") from None
    with log:
        along, counts = _along(part)
    return Trace(along, _spread(counts))


def _along(part: Part) -> tuple[pd.DataFrame, Counts]:
    """Go through the run; a step of several frames keeps its fastest and its slowest."""
    size = math.ceil(part.count / STEPS)
    counter, rows, passed = Counter(), [], 0.0
    for first in range(0, part.count, PIECE // size * size):
        times = part.read(first, min(first + PIECE // size * size, part.count))
        counter.add(times)
        begins = np.arange(0, len(times), size)
        ends = passed + np.cumsum(np.add.reduceat(times, begins)) / 1000
        passed = float(ends[-1])
        level, slow = running_medians(times), spikes(times)
        step = {
            "seconds": ends,
            "fastest_ms": np.minimum.reduceat(times, begins),
            "slowest_ms": np.maximum.reduceat(times, begins),
            "running_median_ms": level[begins],
            "spikes": np.bincount(slow // size, minlength=len(begins)),
        }
        rows.append(pd.DataFrame(step))
    return pd.concat(rows, ignore_index=True), counter.counts()


def _spread(counts: Counts) -> pd.DataFrame:
    edges = np.geomspace(counts.edges[0], counts.edges[-1], BARS + 1)
    frames = counts.between(edges[:-1], edges[1:])
    share = frames / counts.total
    return pd.DataFrame({"from_ms": edges[:-1], "to_ms": edges[1:], "share": share})
