"""Why a lead changes from one chart to another, part by part and scene by scene."""

from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.explain import CHANGE, places_of
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    causes_words,
    lead_words,
    level_words,
    points_range_words,
    points_words,
    scene_words,
)

PART_COLUMNS = ("due to", ">points", ">range", "")


def explain_view(summary: str, table: pd.DataFrame, level: float) -> RenderableType:
    """Show what the mean change is due to, then each scene's.

    Args:
        summary: the answer in a paragraph.
        table: the columns of ``explain``.
        level: of the ranges.
    """
    parts: list[RenderableType] = [sentence(summary)]
    for (a, b, platform), rows in table.groupby(["a", "b", "platform"], sort=False):
        charts = rows[rows["row_kind"] == "chart"]
        where = " to ".join(places_of(charts))
        where = f"{where}, {platform}" if _what(charts) != "platform" else where
        parts += [heading(f"lead of {a} over {b}", where), Text()]
        means = rows[(rows["row_kind"] == "summary") & (rows["reason"] == "")]
        if not means.empty:
            parts += [grid(PART_COLUMNS, [_part(row) for row in rows_of(means)], ""), Text()]
        parts += [_scenes(charts), Text()]
        parts += reasons(charts.loc[charts["reason"] != "", "reason"], "scene")
    legend = (
        f"Points of the lead; parts sum to the change. {level_words(level)} ranges.   "
        "≈ not proven: the range holds zero"
    )
    return stack(*parts, note(legend))


def _what(charts: pd.DataFrame) -> str:
    return str(charts["changed"].iloc[0])


def _part(row: Any) -> list[str | Text]:
    weighs = f"weighs {row.weighs}" if row.weighs else ""
    name = "the mean change" if row.part == CHANGE else row.part
    sign, style = ("", "bold") if row.proven else ("≈ ", "dim")
    span = points_range_words(row.lower, row.upper)
    return [name, Text(f"{sign}{points_words(row.points)}", style=style), span, weighs]


def _scenes(charts: pd.DataFrame) -> RenderableType:
    rows: list[list[str | Text]] = []
    what = _what(charts)
    for (game, preset, resolution), parts in charts.groupby(
        ["game", "preset", "resolution"], sort=False
    ):
        whole = parts[parts["part"] == CHANGE].iloc[0]
        if whole["reason"]:
            continue
        name = scene_words(str(game), str(preset))
        name = name if what == "resolution" else f"{name}, {resolution}"
        leads = [lead_words(whole["lead_from"]), lead_words(whole["lead_to"])]
        rows.append([name, *leads, _change(whole), causes_words(parts)])
    before, after = (f">at {place}" for place in places_of(charts))
    return grid(["scene", before, after, ">points", "mainly"], rows, "No scene can be explained.")


def _change(whole: "pd.Series[Any]") -> Text:
    sign, style = ("", "bold") if whole["proven"] else ("≈ ", "dim")
    return Text(f"{sign}{points_words(whole['points'])}", style=style)
