"""Which charts compare cards: all at a glance, then every result."""

import math
from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.report import Report
from scalemodel.views.figures.ceilings import ceilings_figure
from scalemodel.views.report.parts import Cell, Column, Part, Section, Table, drawing, number, table
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    METRIC_WORDS,
    VERDICT_SYMBOLS,
    ceiling_words,
    count_words,
    level_words,
    probability_words,
    rate_words,
    resolution_order,
    scene_words,
)

STATE_SIGNS = {"gpu_bound": "●", "mixed": "◐", "cpu_bound": "○"}
STATE_WORDS = {"gpu_bound": "GPU-bound", "mixed": "too close to call", "cpu_bound": "CPU-bound"}


def section(report: Report) -> Section:
    """Show the charts as a grid of scenes and resolutions, then the results."""
    answer = report.ceilings
    parts: list[Part] = [
        _grid(str(platform), rows, report.level)
        for platform, rows in answer.charts.groupby("platform", sort=False)
    ]
    title = "Every result beside the ceiling of its scene"
    parts.append(
        drawing(
            lambda: ceilings_figure(answer.table, answer.charts, answer.level),
            title,
            "A panel for each scene: the rates of all cards by resolution, hollow where they sit "
            "at the ceiling, and the band that the ceiling lies in. The numbers are in the table "
            "of results.",
            folded=f"{title} (figure)",
        )
    )
    return Section(
        key="charts",
        title="Which charts compare cards?",
        gist=_gist(answer.charts),
        words=str(answer),
        parts=(*parts, _results(answer.table)),
        tables={"charts": answer.charts, "ceilings": answer.table},
    )


def _gist(charts: pd.DataFrame) -> str:
    found = charts["verdict"].value_counts()
    part, none = int(found.get("usable_below", 0)), int(found.get("not_usable", 0))
    whole = int(found.get("usable", 0))
    words = f"{whole} of {count_words(len(charts), 'chart')} "
    words += "compares all cards" if whole == 1 else "compare all cards"
    words += f", {part} only those below the ceiling" if part else ""
    return words + (f", {none} none." if none else ".")


def _grid(platform: str, charts: pd.DataFrame, level: float) -> Table:
    """Lay out one row a scene and one column a resolution."""
    sizes = resolution_order(charts["resolution"])
    columns = [
        Column("scene", lambda scene: scene_words(scene["game"].iloc[0], scene["preset"].iloc[0])),
        Column("ceiling", _ceiling, number=True),
        *(Column(size, partial(_verdict, size=size)) for size in sizes),
    ]
    metric = METRIC_WORDS.get(str(charts["metric"].iloc[0]), "rate")
    caption = (
        f"{platform}: what each chart is good for. Ceilings are of the {metric} in frames per "
        f"second, with their {level_words(level)} range; 2/24 counts the cards at the ceiling."
    )
    scenes = (part for _, part in charts.groupby(["game", "preset"], sort=False))
    return table(caption, columns, scenes, look="grid")


def _ceiling(scene: pd.DataFrame) -> Cell:
    found = list(
        dict.fromkeys(
            (ceiling_words(row.ceiling_rate, row.ceiling_low, row.ceiling_high))
            for row in rows_of(scene)
        )
    )
    return Cell("; ".join(found), strong="above" not in found[0])


def _verdict(scene: pd.DataFrame, size: str) -> Cell:
    rows = scene[scene["resolution"] == size]
    if rows.empty:
        return Cell("–", small="not tested")
    row = next(rows_of(rows))
    words = {
        "usable": "usable",
        "usable_below": f"below {rate_words(row.usable_below)}",
        "not_usable": "not usable",
    }[row.verdict]
    small = f"{row.cards_cpu_bound}/{row.cards}" if row.cards_cpu_bound else ""
    return Cell(words, VERDICT_SYMBOLS[row.verdict], small, strong=row.verdict != "usable")


def _results(results: pd.DataFrame) -> Table:
    columns = [
        Column("card", lambda row: row.card),
        Column("platform", lambda row: row.platform, choose=True),
        Column("scene", lambda row: scene_words(row.game, row.preset), choose=True),
        Column("resolution", lambda row: row.resolution, choose=True),
        Column("rate", lambda row: number(row.rate, rate_words(row.rate)), number=True),
        Column("state", _state, choose=True),
        Column("p ceiling", _p_ceiling, number=True),
        Column("sensitivity", lambda row: number(row.sensitivity, f"{row.sensitivity:.2f}"), True),
        Column("headroom", lambda row: number(row.headroom, f"{row.headroom:.2f}×"), True),
    ]
    count = count_words(len(results), "result")
    caption = (
        "Every result. p ceiling: probability that the ceiling, not the card, set the rate. "
        "Headroom: what the card would reach without the ceiling, over its rate."
    )
    return table(caption, columns, results, tools=True, folded=f"All {count}, to filter and sort")


def _state(row: Any) -> Cell:
    if row.reason:
        return Cell("fell for lack of memory", "◇")
    return Cell(STATE_WORDS[row.state], STATE_SIGNS[row.state])


def _p_ceiling(row: Any) -> Cell:
    known = math.isfinite(row.sensitivity)
    return number(row.p_ceiling, probability_words(row.p_ceiling)) if known else Cell("–")
