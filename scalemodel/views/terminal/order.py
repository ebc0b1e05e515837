"""Which cards change places between two charts, scene by scene, and why."""

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.order import FLIPS
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    lead_words,
    level_words,
    scene_words,
)

COLUMNS = ("scene", ">pairs", "due to", "for instance", ">lead")


def order_view(
    summary: str, table: pd.DataFrame, scenes: pd.DataFrame, places: tuple[str, str], level: float
) -> RenderableType:
    """Show how many pairs of cards change places in each scene, and why.

    Args:
        summary: the answer in a paragraph.
        table: the columns of ``explain --order``.
        scenes: platform, game, preset, resolution, cards, pairs, flips, within_test_error, reason.
        places: what was gone from and to.
        level: probability from which a flip counts.
    """
    parts: list[RenderableType] = [sentence(summary)]
    for platform, rows in scenes.groupby("platform", sort=False):
        here = table[table["platform"] == platform]
        about = f"{places[0]} to {places[1]}, {platform}"
        parts += [heading("changes of order", about), Text()]
        parts += [_scenes(rows[rows["reason"] == ""], here), Text()]
        parts += reasons(rows.loc[rows["reason"] != "", "reason"], "scene")
    sure = level_words(level)
    legend = (
        f"Counted where careful measurements would agree with a probability of {sure} "
        "or more.\nDue to: the part of the change that pushes furthest. "
        "For instance: the largest change."
    )
    return stack(*parts, note(legend))


def _scenes(scenes: pd.DataFrame, table: pd.DataFrame) -> RenderableType:
    """Lay out one row a scene and main cause, with the pair whose lead changes most."""
    rows: list[list[str | Text]] = []
    several = scenes["resolution"].nunique() > 1
    for scene in rows_of(scenes):
        own = (table["game"] == scene.game) & (table["preset"] == scene.preset)
        own &= table["resolution"] == scene.resolution
        flips = table[own & (table["verdict"] == FLIPS)]
        name = scene_words(scene.game, scene.preset)
        name = f"{name}, {scene.resolution}" if several else name
        counts = flips["cause"].value_counts()
        lines = [_cause(flips[flips["cause"] == cause]) for cause in counts.index]
        if scene.within_test_error or not lines:
            dim = ("within test error",) if scene.within_test_error else ("",)
            count = f"{scene.within_test_error}" if scene.within_test_error else "none"
            lines.append([Text(words, style="dim") for words in (count, *dim, "", "")])
        rows += [[name if k == 0 else "", *line] for k, line in enumerate(lines)]
    return grid(COLUMNS, rows, "No scene has two cards with results on both charts.")


def _cause(flips: pd.DataFrame) -> list[str | Text]:
    chief = flips.sort_values("points", kind="stable").iloc[0]
    leads = f"{lead_words(chief['lead_from'])} to {lead_words(chief['lead_to'])}"
    return [f"{len(flips)}", chief["cause"], f"{chief['a']} over {chief['b']}", leads]
