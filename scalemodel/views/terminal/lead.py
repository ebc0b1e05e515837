"""How far one card is ahead of another, chart by chart."""

import math
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import (
    by_scene,
    grid,
    heading,
    note,
    reasons,
    sentence,
    stack,
)
from scalemodel.views.words import lead_range_words, lead_words, level_words, short_range_words

SUMMARY_COLUMNS = ("resolution", ">charts used", "typical", ">geometric mean", "range")


def lead_view(summary: str, table: pd.DataFrame, level: float) -> RenderableType:
    """Show the summaries a resolution, then one lead a chart.

    Args:
        summary: the answer in a paragraph.
        table: the columns of ``lead``.
        level: of the ranges.
    """
    charts = table[table["row_kind"] == "chart"]
    summaries = table[table["row_kind"] == "summary"]
    parts: list[RenderableType] = [sentence(summary)]
    for (a, b, platform), on_platform in charts.groupby(["a", "b", "platform"], sort=False):
        mine = summaries[summaries["platform"] == platform]
        apart = mine["upscaling"].nunique() > 1
        shown = mine[(mine["charts_used"] > 0) | (mine["upscaling"] == mine["upscaling"].iloc[0])]
        rows = [_summary(row, apart=apart) for row in rows_of(shown)]
        parts += [heading(f"lead of {a} over {b}", str(platform)), Text()]
        parts += [grid(SUMMARY_COLUMNS, rows, "There is no summary."), Text()]
        parts += [by_scene(on_platform, _lead, empty=""), Text()]
    left_out = charts.loc[~charts["used"].astype(bool), "reason"]
    if not left_out.empty:
        parts += [note("Left out:"), *reasons(left_out, "chart")]
    legend = (
        f"In parentheses {level_words(level)} ranges from test error.   ≈ within test error   "
        "◆ odd one out   ○ left out\n"
        "Typical: the shortest interval that holds half of the charts used."
    )
    return stack(*parts, note(legend))


def _summary(row: Any, *, apart: bool) -> list[str]:
    where, used = str(row.resolution), f"{row.charts_used:.0f}"
    where += f", {row.upscaling}" if apart else ""
    if math.isnan(row.lead):
        return [where, used, str(row.reason), "", ""]
    typical = span = ""
    if math.isfinite(row.typical_lower):
        typical = lead_range_words(row.typical_lower, row.typical_upper)
    if math.isfinite(row.lower):
        span = lead_range_words(row.lower, row.upper)
    return [where, used, typical, lead_words(row.lead), span]


def _lead(row: Any) -> Text:
    if math.isnan(row.lead):
        return Text("○ no lead", style="dim")
    mark = "○ " if not row.used else "≈ " if row.within_test_error else ""
    mark = "◆ " if row.odd_one_out else mark
    span = ""
    if math.isfinite(row.lower) and math.isfinite(row.upper):
        span = f" ({short_range_words(row.lower, row.upper)})"
    style = "bold" if row.used else "dim"
    return Text.assemble(
        (f"{mark}{lead_words(row.lead)}", style), (span, "" if row.used else "dim")
    )
