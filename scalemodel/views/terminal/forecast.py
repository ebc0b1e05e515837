"""What became of a forecast, chart by chart."""

import math
from typing import Any

from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.score_forecast import ForecastScore
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import by_scene, grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import METRIC_WORDS, level_words, rate_words


def forecast_view(summary: str, answer: ForecastScore) -> RenderableType:
    """Show each card's measured rates beside their ranges, then what changed since."""
    parts: list[RenderableType] = [sentence(summary)]
    for (card, platform, metric), charts in answer.table.groupby(
        ["card", "platform", "metric"], sort=False
    ):
        judged = charts["reason"] == ""
        about = f"{platform}, {METRIC_WORDS.get(str(metric), str(metric))} in frames per second"
        parts += [heading(str(card), about), Text()]
        if judged.any():
            parts += [by_scene(charts[judged], _chart, empty=""), Text()]
        parts += [*reasons(charts.loc[~judged, "reason"], "chart"), Text()]
    if len(answer.changes):
        rows = [[row.what, row.name, row.change] for row in rows_of(answer.changes)]
        parts += [heading("changed since", "what the forecast did not know"), Text()]
        parts += [grid(("what", "name", "change"), rows, ""), Text()]
    legend = (
        f"Measured rate, then the {level_words(answer.level)} range as it was forecast.   "
        "▲ above it   ▼ below it\n"
        f"Seal of the forecast: {answer.seal}"
    )
    return stack(*parts, note(legend))


def _chart(row: Any) -> Text:
    if math.isnan(row.measured):
        return Text("–", style="dim")
    mark = "" if row.inside else " ▲" if row.measured > row.upper else " ▼"
    span = f" ({rate_words(row.lower)}–{rate_words(row.upper)})"
    return Text.assemble((rate_words(row.measured), "bold"), span, (mark, "yellow"))
