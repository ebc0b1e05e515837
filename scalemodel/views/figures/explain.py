"""What the change of a lead is due to: the mean step by step, then each scene."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.changes import MEMORY
from scalemodel.answers.explain import CHANGE, ordered_parts, places_of
from scalemodel.views.figures.layout import (
    FigureError,
    Key,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    letters,
    make_key,
    new_figure,
)
from scalemodel.views.figures.spans import GAP, ROW, TOP, beside, lead_axes, limits, look, spans
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import CONTEXT, INK, PAPER, PLUM, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    causes_words,
    count_words,
    lead_words,
    level_words,
    points_range_words,
    points_words,
    short_scene,
    shortened,
)

FEWEST = 3
"""Scenes for which their panel is drawn where room is limited."""


def explain_figure(table: pd.DataFrame, level: float, size: Size = PAGE) -> Figure:
    """Draw the mean change part by part, and the lead on both charts of each scene.

    Args:
        table: the columns of ``explain``.
        level: of the ranges.
        size: of the figure.

    Raises:
        FigureError: no scene can be explained.
    """
    rows = table[table["reason"] == ""]
    if rows.empty:
        raise FigureError("No scene can be explained; there is nothing to draw.")
    panels = [part for _, part in rows.groupby("platform", sort=False)]
    panels = panels[:1] if size.limited else panels
    steps = [_steps(part) for part in panels]
    head, signs = headline(_title(rows), _lines(table, level), size), _key(rows, size)
    taken = head.height + signs.height + 0.1 + footnote_room(size)
    each = sum(len(step) + 1 for step in steps)
    row = min(ROW, (size.tallest - taken - len(panels) * (TOP + GAP)) / each)
    held = taken + each * row + len(panels) * (TOP + GAP)
    room = size.tallest - held >= len(panels) * (TOP + GAP + FEWEST * ROW)
    scenes = [_scenes(part) if room else [] for part in panels]
    fit = fitted_rows([len(scene) for scene in scenes if scene], size, held, TOP + GAP, ROW)
    with house_style():
        figure = new_figure(held + fit.inches, head, size)
        signs.draw(figure, head.height)
        down = head.height + signs.height
        drawn = iter(fit.drawn)
        for part, step, scene in zip(panels, steps, scenes, strict=True):
            where = f", {shortened(part['platform'].iloc[0], 30)}" if len(panels) > 1 else ""
            axes = lead_axes(figure, down, len(step) + 1, f"{_of(part)}{where}", size, row)
            _draw_steps(axes, step, places_of(rows))
            down += TOP + (len(step) + 1) * row + GAP
            if scene:
                count, name = next(drawn), "scene by scene"
                name += f": the {count} with the largest losses" if count < len(scene) else ""
                _draw_scenes(
                    lead_axes(figure, down, count, name, size, fit.height), scene[:count], size
                )
                down += TOP + count * fit.height + GAP
        gone = sum(len(_scenes(part)) for part in panels) - sum(fit.drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'scene')} not drawn.")
    return figure


def _steps(rows: pd.DataFrame) -> pd.DataFrame:
    """Give the parts of the mean change, or those of the only scene; the whole change is first."""
    mean = rows[rows["row_kind"] == "summary"]
    only = rows["game"] == rows["game"].iloc[0]
    steps: pd.DataFrame = mean if len(mean) else rows[only]
    return pd.concat([steps[steps["part"] == CHANGE], ordered_parts(steps)])


def _of(rows: pd.DataFrame) -> str:
    mean = rows[rows["row_kind"] == "summary"]
    if mean.empty:
        return short_scene(rows["game"].iloc[0], rows["preset"].iloc[0], 40)
    return f"mean of {count_words(int(mean['charts_used'].iloc[0]), 'scene')}"


def _scenes(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Give the parts of each scene under its name, the largest loss first."""
    charts = rows[rows["row_kind"] == "chart"]
    several = charts["changed"].iloc[0] != "resolution" and charts["resolution"].nunique() > 1
    keys = ["game", "preset", "resolution"]
    found = []
    for (game, preset, resolution), parts in charts.groupby(keys, sort=False):
        name = short_scene(str(game), str(preset), 26 if several else 38)
        found.append((f"{name}, {resolution}" if several else name, parts))
    return sorted(found, key=lambda item: float(item[1]["points"].iloc[0]))


def _title(rows: pd.DataFrame) -> str:
    """Say the lead on both charts, and the largest part of its change."""
    a, b = rows["a"].iloc[0], rows["b"].iloc[0]
    steps = _steps(rows[rows["platform"] == rows["platform"].iloc[0]])
    whole, chief = steps.iloc[0], steps.iloc[1]
    before, after = places_of(rows)
    words = f"{a} over {b}: {lead_words(whole['lead_from'])} at {before}, "
    words += f"{lead_words(whole['lead_to'])} at {after}"
    if not whole["proven"]:
        return f"{words}: no more than test error"
    return f"{words}, mainly {chief['part']}"


def _lines(table: pd.DataFrame, level: float) -> list[str]:
    charts = table[table["row_kind"] == "chart"]
    platforms = ", ".join(dict.fromkeys(charts["platform"]))
    scenes = int(((charts["part"] == CHANGE) & (charts["reason"] == "")).sum())
    absent = int((charts["reason"] != "").sum())
    words = f"Platform: {platforms}. {count_words(scenes, 'scene')}"
    words += f", {absent} without results of both cards. " if absent else ". "
    lines = [f"{words}Bands are {level_words(level)} ranges; the parts sum to the change."]
    if (charts["part"] == MEMORY).any():
        lines.append("Scenes in which a card fell for lack of memory are not in the mean.")
    return lines


def _key(rows: pd.DataFrame, size: Size) -> Key:
    before, after = places_of(rows)
    handles = [
        Line2D([], [], label=f"lead at {before}", **look(PAPER, PLUM)),
        Line2D([], [], label=f"lead at {after}", **look(PLUM, PLUM)),
        Line2D([], [], color=INK, linewidth=1.8, label="part of the change"),
        Line2D([], [], color=CONTEXT, linewidth=1.8, label="not proven: its range holds zero"),
    ]
    return make_key(handles, size)


def _draw_steps(axes: Axes, steps: pd.DataFrame, places: tuple[str, str]) -> None:
    """Draw the lead gone from, a step for each part, and the lead gone to."""
    whole, parts = steps.iloc[0], steps.iloc[1:]
    names = [f"at {places[0]}", *parts["part"], f"at {places[1]}"]
    axes.set_yticks(range(len(names)), names)
    at, ends = float(whole["lead_from"]), [float(whole["lead_from"]), float(whole["lead_to"])]
    axes.plot([at], [0], zorder=4, **look(PAPER, PLUM))
    beside(axes, 0, lead_words(at), bold=True)
    for row, part in enumerate(rows_of(parts), start=1):
        ink = INK if part.proven else CONTEXT
        band = [at + part.lower, at + part.upper]
        axes.plot([at, at], [row - 1, row], color=CONTEXT, linewidth=0.8, zorder=2)
        axes.plot(band, [row, row], color=TINT, linewidth=8, solid_capstyle="butt", zorder=1.5)
        axes.plot([at, at + part.points], [row, row], color=ink, linewidth=1.8, zorder=3)
        at += part.points
        axes.plot([at], [row], marker="|", markersize=9, color=ink, zorder=3)
        words = f"{points_words(part.points)}  ({points_range_words(part.lower, part.upper)})"
        weighs = f"  weighs {part.weighs}" if part.weighs and part.proven else ""
        beside(axes, row, words + weighs, bold=False, quiet=not part.proven)
        ends += [*band, at]
    last = len(names) - 1
    axes.plot([at, at], [last - 1, last], color=CONTEXT, linewidth=0.8, zorder=2)
    axes.plot([whole["lead_to"]], [last], zorder=4, **look(PLUM, PLUM))
    change = f"{points_words(whole['points'])} points"
    beside(axes, last, f"{lead_words(whole['lead_to'])}, {change}", bold=True)
    limits(axes, ends)


def _draw_scenes(axes: Axes, scenes: list[tuple[str, pd.DataFrame]], size: Size) -> None:
    """Draw the lead of each scene on both charts, and what its change is mainly due to."""
    leads = np.array([rows[["lead_from", "lead_to"]].iloc[0] for _, rows in scenes], dtype=float)
    fell = np.array([(rows["part"] == MEMORY).any() for _, rows in scenes])
    proven = np.array([bool(rows["proven"].iloc[0]) for _, rows in scenes])
    names = [shortened(name, letters(size, 40)) for name, _ in scenes]
    axes.set_yticks(range(len(scenes)), names)
    usual = leads[~fell] if not fell.all() else leads
    limits(axes, [*usual.ravel(), 0.0])
    spans(axes, leads, [PLUM if sure else CONTEXT for sure in proven])
    for row, (_, parts) in enumerate(scenes):
        words = causes_words(parts) if proven[row] else "within test error"
        beside(axes, row, shortened(words, letters(size, 58)), bold=False, quiet=not proven[row])
