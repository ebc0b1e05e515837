"""Whether two cards, drivers, game versions or dates are within test error."""

import math
from typing import Any

from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.comparison import Comparison
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
from scalemodel.views.words import (
    lead_range_words,
    lead_words,
    level_words,
    scene_words,
    short_range_words,
)

MARKS = {"tied": "≈", "different": "", "open": "?"}
COLUMNS = ("card", "scene", "resolution", "lead")
MOST_ROWS = 60


def comparison_view(answer: Comparison) -> RenderableType:
    """Show the verdict a platform, then one a chart or cell."""
    table = answer.table
    charts, summaries = (table[table["row_kind"] == kind] for kind in ("chart", "summary"))
    parts: list[RenderableType] = [sentence(str(answer))]
    for total in rows_of(summaries):
        here = charts[(charts["platform"] == total.platform) & charts["lead"].notna()]
        parts += [heading(f"{answer.a} against {answer.b}", total.platform), Text()]
        parts += [note(_total(total)), Text()]
        if answer.kind == "card":
            parts += [by_scene(here, _lead, empty="No chart has both."), Text()]
            continue
        rows = [
            [r.card, scene_words(r.game, r.preset), r.resolution, _lead(r)]
            for r in rows_of(here.head(MOST_ROWS))
        ]
        parts += [grid(COLUMNS, rows, "No cell was tested with both."), Text()]
        if len(here) > MOST_ROWS:
            parts.append(note(f"and {len(here) - MOST_ROWS:,} more: see --format csv"))
    why = charts.loc[charts["reason"] != "", "reason"]
    if not why.empty:
        parts += reasons(why, "chart")
    legend = (
        f"In parentheses {level_words(answer.level)} ranges from test error.   "
        f"≈ tied: surely within {level_words(answer.margin)}   ? open: neither"
    )
    return stack(*parts, note(legend))


def _total(row: Any) -> str:
    if math.isnan(row.lead):
        return str(row.reason)
    span = "" if math.isnan(row.lower) else f" ({lead_range_words(row.lower, row.upper)})"
    return f"{row.charts_used:.0f} used, mean {lead_words(row.lead)}{span}: {row.verdict}"


def _lead(row: Any) -> Text:
    mark = MARKS.get(row.verdict, "")
    span = "" if math.isnan(row.lower) else f" ({short_range_words(row.lower, row.upper)})"
    style = "bold" if row.verdict == "different" else ""
    return Text.assemble((f"{mark} {lead_words(row.lead)}".strip(), style), span)
