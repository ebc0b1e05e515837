"""Who leads whom: the place of every card at each resolution."""

import math
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, remark, sentence, stack
from scalemodel.views.words import level_words, rate_words, resolution_order, upscaled_words


def standings_view(summary: str, places: pd.DataFrame, level: float) -> RenderableType:
    """Show the cards by place, a column a resolution; those of the highest one set the order.

    Args:
        summary: the answer in a paragraph.
        places: one row a card, platform and resolution.
        level: of the ranges, and probability from which the order of two cards is certain.
    """
    parts: list[RenderableType] = [sentence(summary)]
    for platform, here in places.groupby("platform", sort=False):
        resolutions = resolution_order(here["resolution"])[::-1]
        strongest = here.sort_values("rate_mean", ascending=False, kind="stable")
        at_most = pd.concat([strongest[strongest["resolution"] == one] for one in resolutions])
        cells = {(row.card, row.resolution): _place(row, level) for row in rows_of(here)}
        rows: list[list[str | Text]] = [
            [str(card), *(cells.get((card, one), Text("–", style="dim")) for one in resolutions)]
            for card in dict.fromkeys(at_most["card"])
        ]
        parts += [heading("places", str(platform)), Text()]
        parts += [grid(["card", *resolutions], rows, "No card has a result here."), Text()]
        parts += remark(upscaled_words(here))
    none = places.loc[places["place"].isna(), "reason"]
    parts += [*reasons(none, "place")] if len(none) else []
    legend = (
        f"Place, its {level_words(level)} range if it has one, and the geometric mean rate over "
        "the same charts for all cards.\n"
        f"≈ less than {level_words(level)} certain to be ahead of the next card   "
        "○ mostly filled in by the model\n"
        "Every pair: --format csv; what each place rests on: --places"
    )
    return stack(*parts, note(legend))


def _place(row: Any, level: float) -> Text:
    if pd.isna(row.place):
        return Text("–", style="dim")
    span = ""
    if row.place_lower < row.place_upper:
        span = f" ({row.place_lower}–{row.place_upper})"
    mark = "○ " if 2 * row.measured < row.charts else ""
    unsure = not math.isnan(row.p_ahead_of_next) and row.p_ahead_of_next < level
    return Text.assemble(
        (f"{mark}{row.place}", "bold"),
        span,
        (f"  {rate_words(row.rate_mean)}", "dim"),
        " ≈" if unsure else "",
    )
