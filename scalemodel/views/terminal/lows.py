"""Which lows are out of step with their averages."""

import math
from typing import Any

from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.lows import LOW_WORDS, Lows
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    lead_range_words,
    lead_words,
    level_words,
    probability_words,
    rate_words,
    scene_words,
    short_scene,
    shortened,
)

MOST_PLACES, MOST_CELLS = 10, 15
PLACE_COLUMNS = ("card", "scene", ">cells", ">low", "range", ">by chance", "")
CELL_COLUMNS = ("card", "scene", "resolution", ">average", ">low", ">expected", ">apart")
SCENE_COLUMNS = ("scene", ">cells", ">low / average", ">at ceiling", ">scatter", ">test error")


def lows_view(answer: Lows) -> RenderableType:
    """Show cards in scenes, single cells, and the relation of each scene."""
    low = LOW_WORDS[answer.metric]
    parts: list[RenderableType] = [sentence(str(answer))]
    for platform, scenes in answer.scenes.groupby("platform", sort=False):
        places = answer.places[answer.places["platform"] == platform]
        cells = answer.table[(answer.table["platform"] == platform) & answer.table["out_of_step"]]
        shown = places[places["out_of_step"].astype(bool)].head(MOST_PLACES)
        rows = [_place(row) for row in rows_of(shown)]
        empty = f"The {low} of no card is out of step in a scene."
        parts += [heading(f"{low} out of step", str(platform)), Text()]
        parts += [grid(PLACE_COLUMNS, rows, empty), Text()]
        if len(cells):
            rows = [_cell(row) for row in rows_of(cells.head(MOST_CELLS))]
            parts += [grid(CELL_COLUMNS, rows, ""), *_more(len(cells) - MOST_CELLS), Text()]
        known = scenes[scenes["reason"] == ""]
        rows = [_scene(row) for row in rows_of(known)]
        parts += [heading(f"{low} over average", str(platform)), Text()]
        parts += [grid(SCENE_COLUMNS, rows, "No scene can be judged."), Text()]
    why = answer.table.loc[answer.table["reason"] != "", "reason"]
    if not why.empty:
        parts += [note("Not judged:"), *reasons(why, "cell")]
    legend = (
        f"low: against what the average says, {level_words(answer.level)} ranges.  by chance: that "
        "the farthest of all would be as far.\n"
        "scatter: what cells of a scene stray beyond test error.  at ceiling: low / average there"
    )
    return stack(*parts, note(legend))


def _more(count: int) -> list[RenderableType]:
    return [note(f"and {count:,} more: see --format csv")] if count > 0 else []


def _place(row: Any) -> list[str | Text]:
    return [
        shortened(str(row.card), 16),
        short_scene(row.game, row.preset, 26),
        f"{row.cells}",
        Text(lead_words(row.apart), style="bold"),
        lead_range_words(row.apart_lower, row.apart_upper),
        probability_words(row.p),
        str(row.hint),
    ]


def _cell(row: Any) -> list[str | Text]:
    return [
        shortened(str(row.card), 16),
        short_scene(row.game, row.preset, 26),
        str(row.resolution),
        rate_words(row.average_fps),
        Text(rate_words(row.low_fps), style="bold"),
        rate_words(row.expected_fps),
        lead_words(row.apart),
    ]


def _scene(row: Any) -> list[str | Text]:
    return [
        scene_words(row.game, row.preset),
        f"{row.cells}",
        f"{row.low_share:.3f}",
        "–" if math.isnan(row.low_share_at_ceiling) else f"{row.low_share_at_ceiling:.3f}",
        f"{100 * row.scatter:.2f}%",
        f"{100 * row.test_error:.2f}%",
    ]
