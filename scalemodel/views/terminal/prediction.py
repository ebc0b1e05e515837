"""Where a card should land, chart by chart."""

import math
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.terminal.parts import by_scene, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    AT_CEILING,
    CAUTION,
    METRIC_WORDS,
    level_words,
    probability_words,
    rate_words,
    short_range_words,
)

CARD = ["card", "platform", "metric"]


def prediction_view(summary: str, table: pd.DataFrame) -> RenderableType:
    """Show the median and range of each predicted card, one table a card and platform.

    Args:
        summary: the answer in a paragraph.
        table: the columns of ``predict``.
    """
    parts: list[RenderableType] = [sentence(summary)]
    for (card, platform, metric), charts in table.groupby(CARD, sort=False):
        about = f"{platform}, {METRIC_WORDS.get(str(metric), str(metric))} in frames per second"
        parts += [heading(str(card), about), Text(), by_scene(charts, _range, empty=""), Text()]
        parts += reasons(charts.loc[charts["median"].isna(), "reason"], "chart")
    if table.empty:
        return stack(*parts, note("No card was predicted."))
    level = level_words(float(table["level"].iloc[0]))
    legend = f"Median and {level} range.   ○ more likely than not at the ceiling\n{CAUTION}"
    return stack(*parts, note(legend))


def against_view(against: pd.DataFrame, level: float) -> RenderableType:
    """Show how far each predicted card should be ahead of named cards.

    Args:
        against: card, against, platform, metric and the columns of a chart, p_faster, lead_lower
            and lead_upper.
        level: of the ranges.
    """
    parts: list[RenderableType] = []
    for (card, rival, platform), charts in against.groupby(
        ["card", "against", "platform"], sort=False
    ):
        parts += [Text(), heading(f"{card} against {rival}", str(platform)), Text()]
        parts += [by_scene(charts, _lead, empty="")]
    if not parts:
        return note("There is nothing to compare with.")
    legend = f"{level_words(level)} range of its lead, and the probability that it is faster."
    return stack(*parts, Text(), note(legend))


def ranks_view(ranks: pd.DataFrame) -> RenderableType:
    """Show the two likeliest positions of each predicted card on each chart.

    Args:
        ranks: card, platform, game, preset, resolution, position (1 is the fastest) and
            probability.
    """
    parts: list[RenderableType] = []
    for (card, platform), rows in ranks.groupby(["card", "platform"], sort=False):
        likely = rows.sort_values("probability", ascending=False, kind="stable")
        charts = (
            likely.groupby(["game", "preset", "resolution"], sort=False)
            .agg(positions=("position", list), probabilities=("probability", list))
            .reset_index()
        )
        order = rows[["game", "preset", "resolution"]].drop_duplicates()
        charts = order.merge(charts, on=["game", "preset", "resolution"])
        parts += [Text(), heading(f"{card}: position", str(platform)), Text()]
        parts += [by_scene(charts, _positions, empty="")]
    if not parts:
        return note("There is no position to show.")
    return stack(*parts, Text(), note("The two likeliest positions (1 is the fastest card)."))


def _range(row: Any) -> Text:
    if math.isnan(row.median):
        return Text("no estimate", style="dim")
    span = f" ({rate_words(row.lower)}–{rate_words(row.upper)})"
    mark = " ○" if row.p_ceiling >= AT_CEILING else ""
    return Text.assemble((rate_words(row.median), "bold"), span, (mark, "yellow"))


def _lead(row: Any) -> Text:
    if math.isnan(row.p_faster):
        return Text("no estimate", style="dim")
    span = f"{short_range_words(row.lead_lower, row.lead_upper)}%"
    return Text.assemble(span, (f"  {probability_words(row.p_faster)}", "bold"))


def _positions(row: Any) -> Text:
    both = list(zip(row.positions, row.probabilities, strict=True))[:2]
    known = [f"{int(place)} ({probability_words(share)})" for place, share in both if share > 0]
    return Text(", ".join(known) or "no estimate")
