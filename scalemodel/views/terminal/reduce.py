"""The runs that frame-time logs come to."""

import math
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.reduce import Reduced
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.check import problem_view
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    count_words,
    level_words,
    rate_words,
    scene_words,
)

OTHER = {"quantile": "slowest_mean", "slowest_mean": "quantile"}

DRIFT, SPIKES = 0.1, 0.01
"""Drift and share of the time in spikes from which they are worth a word."""


def reduce_view(summary: str, answer: Reduced) -> RenderableType:
    """Show the runs of each card, what is worth a look, and how the logs were read.

    Args:
        summary: the answer in a paragraph.
        answer: the runs.
    """
    parts: list[RenderableType] = [sentence(summary)]
    done = answer.table[answer.table["avg_fps"].notna()]
    other = OTHER[answer.lows]
    columns = ("scene", "resolution", ">run", ">frames", ">average", ">1% low", ">0.1% low")
    for (card, platform), runs in done.groupby(["card", "platform"], sort=False):
        parts += [heading(f"runs of {card}", str(platform)), Text()]
        rows = [_row(run, other) for run in rows_of(runs)]
        parts += [grid((*columns, f">by {other}"), rows, ""), Text()]
    looks = [look for run in rows_of(done) for look in _looks(run)]
    if looks:
        parts += [note("Worth a look:"), *(note(look) for look in looks), Text()]
    read = pd.Series([_read(run) for run in rows_of(done)])
    parts += [note("How the logs were read:"), *reasons(read, "log"), Text()]
    parts += [problem_view(problem) for problem in answer.problems]
    legend = (
        f"Frames per second. 1% low and 0.1% low by {answer.lows}; the last column has both by "
        f"{other}. Below rates their {level_words(answer.level)} ranges; … where nothing bounds "
        "them. Everything: --format csv"
    )
    return stack(*parts, note(legend))


def _row(run: Any, other: str) -> list[str | Text]:
    lows = [getattr(run, f"{low}_{other}_fps") for low in ("low_1pct", "low_01pct")]
    return [
        scene_words(run.game, run.preset),
        run.resolution,
        run.run,
        f"{run.frames:,.0f}",
        _rate(run.avg_fps, run.avg_lower, run.avg_upper),
        _rate(run.low_1pct_fps, run.low_1pct_lower, run.low_1pct_upper),
        _rate(run.low_01pct_fps, run.low_01pct_lower, run.low_01pct_upper),
        " / ".join("–" if math.isnan(low) else rate_words(low) for low in lows),
    ]


def _rate(rate: float, lower: float, upper: float) -> Text:
    if math.isnan(rate):
        return Text("–", style="dim")
    if math.isnan(upper):
        return Text(rate_words(rate))
    low = "…" if math.isnan(lower) else rate_words(lower)
    return Text.assemble((rate_words(rate), "bold"), (f"\n{low}–{rate_words(upper)}", "dim"))


def _looks(run: Any) -> list[str]:
    """Say what is unusual about a run."""
    found = [run.reason] if run.reason else []
    if not math.isnan(run.held_at_fps):
        found.append(
            f"held at {rate_words(run.held_at_fps)} frames per second by a cap or a refresh "
            f"interval, {100 * run.held_share:.0f}% of it"
        )
    if run.spike_share >= SPIKES:
        share = 100 * run.spike_share
        found.append(f"{count_words(int(run.spikes), 'spike')} take {share:.1f}% of the time")
    if abs(run.drift) >= DRIFT:
        way = "above" if run.drift > 0 else "below"
        found.append(f"the last third is {abs(run.drift):.1%} {way} the rate of the first")
    return [f"{run.file}: {look}" for look in found]


def _read(run: Any) -> str:
    return f'column "{run.column}" in {run.unit}: {run.why}'
