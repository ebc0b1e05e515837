"""The charts of a bench, by whether they compare cards."""

from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import by_scene, heading, note, sentence, stack
from scalemodel.views.words import (
    METRIC_WORDS,
    VERDICT_SYMBOLS,
    ceiling_words,
    level_words,
    rate_words,
)

STYLES = {"usable": "", "usable_below": "bold", "not_usable": "bold yellow"}


def ceilings_view(summary: str, charts: pd.DataFrame, level: float) -> RenderableType:
    """Show one row a scene: its ceiling, then what each resolution is good for.

    Args:
        summary: the answer in a paragraph.
        charts: one row a chart, the columns of ``ceilings --charts``.
        level: of the ranges of the ceilings.
    """
    parts: list[RenderableType] = []
    for (platform, metric), table in charts.groupby(["platform", "metric"], sort=False):
        about = f"{platform}, {METRIC_WORDS.get(str(metric), str(metric))}"
        parts += [heading("ceilings", about), Text()]
        parts += [by_scene(table, _verdict, empty="", beside={"ceiling": _ceiling}), Text()]
    if not parts:
        parts = [note("No chart has a result that can be used.")]
    legend = (
        "● compares all its cards   ◐ compares the cards below that rate   ○ compares none\n"
        f"2/24: cards at the ceiling. Ceilings in frames per second, {level_words(level)} range. "
        "Every result: --format csv"
    )
    return stack(sentence(summary), *parts, note(legend))


def _verdict(row: Any) -> Text:
    words = {
        "usable": "usable",
        "usable_below": f"below {rate_words(row.usable_below)}",
        "not_usable": "not usable",
    }[row.verdict]
    share = f" {row.cards_cpu_bound}/{row.cards}" if row.cards_cpu_bound else ""
    mark = f"{VERDICT_SYMBOLS[row.verdict]} {words}"
    return Text.assemble((mark, STYLES[row.verdict]), (share, "dim"))


def _ceiling(scene: pd.DataFrame) -> str:
    found = dict.fromkeys(
        ceiling_words(row.ceiling_rate, row.ceiling_low, row.ceiling_high) for row in rows_of(scene)
    )
    return "\n".join(found)
