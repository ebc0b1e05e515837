"""Which tests next: the runs in order, and what they are expected to tell."""

import math
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.levels import width_words
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    EXPECTED,
    count_words,
    hours_words,
    level_words,
    short_scene,
)

TARGET_COLUMNS = ("question", ">now", ">after", ">without end")
RUN_COLUMNS = ("scene", "resolution", ">runs", ">until", ">range", "why")
LONGEST_SCENE = 30


def plan_view(
    summary: str, table: pd.DataFrame, targets: pd.DataFrame, wasted: pd.DataFrame, level: float
) -> RenderableType:
    """Show the questions with their ranges, then the runs card by card.

    Args:
        summary: the answer in a paragraph.
        table: the columns of ``plan``, in the order to run.
        targets: target, range_now, range_after, range_limit and reason.
        wasted: cells that would tell nothing, with the reason.
        level: of the ranges.
    """
    parts: list[RenderableType] = [sentence(summary)]
    parts += [grid(TARGET_COLUMNS, [_target(row) for row in rows_of(targets)], ""), Text()]
    for (card, platform), rows in table.groupby(["card", "platform"], sort=False):
        about = f"{platform}, {count_words(int(rows['runs'].sum()), 'run')}"
        parts += [heading(str(card), about), Text()]
        parts += [grid(RUN_COLUMNS, [_run(row) for row in rows_of(rows)], ""), Text()]
    if not wasted.empty:
        parts += [note("No use testing:"), *reasons(wasted["reason"], "chart")]
    legend = (
        f"Ranges: {level_words(level)}, upper end over lower end, less 1. Until: hours and minutes "
        f"since the start, installing the card included.\n{EXPECTED}"
    )
    return stack(*parts, note(legend))


def _target(row: Any) -> list[str]:
    if math.isnan(row.range_now):
        return [f"{row.target}: {row.reason}", "", "", ""]
    widths = (row.range_now, row.range_after, row.range_limit)
    return [str(row.target), *(width_words(width) for width in widths)]


def _run(row: Any) -> list[str]:
    return [
        short_scene(row.game, row.preset, LONGEST_SCENE),
        str(row.resolution),
        f"{row.runs}",
        hours_words(row.hours_end),
        width_words(row.range_after),
        str(row.reason),
    ]
