"""How far runs stray from what their cells agree on, scene by scene."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    across,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    letters,
    make_key,
    most_panels,
    new_figure,
    place,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, CONTEXT, INK, PLUM, QUIET, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    METRIC_WORDS,
    count_words,
    lead_words,
    short_name,
    short_scene,
    shortened,
)

ROW, TOP, GAP = 0.3, 0.3, 0.24  # inches: a scene, the heading of a panel, between panels
LABELS, RIGHT = 2.75, 3.75  # inches beside the axes of a page
BELOW = 0.45  # inches, for the name of the axis
REACH, LEAST_REACH = 6.0, 1e-3
"""Repeatability sds of the noisiest scene that the axis spans either way; the least, as a log."""


def repeat_figure(
    every_run: pd.DataFrame, scenes: pd.DataFrame, metric: str, size: Size = PAGE
) -> Figure:
    """Draw how far every run is from its repeats and each scene's spread, a panel a platform.

    Args:
        every_run: one row a run: card, chart, run, apart and found_by.
        scenes: one row a scene and platform: metric, s_r with its range, times_lab and noisy.
        metric: of the runs.
        size: of the figure; for want of room the noisiest scenes are drawn.

    Raises:
        FigureError: no cell has repeats.
    """
    here = scenes[(scenes["metric"] == metric) & scenes["s_r"].notna()]
    if here.empty:
        raise FigureError("No cell has repeated runs; there is nothing to draw.")
    away = every_run.assign(away=every_run["apart"])
    reach = max(REACH * float(here["s_r"].max()), LEAST_REACH)
    head, signs = headline(_title(here, metric), _lines(away, reach), size), _key(size)
    top = head.height + signs.height
    taken = top + BELOW + footnote_room(size)
    platforms = list(dict.fromkeys(here["platform"]))[: most_panels(size, taken, TOP + GAP, ROW)]
    parts = [here[here["platform"] == platform] for platform in platforms]
    rows = fitted_rows([len(part) for part in parts], size, taken, TOP + GAP, ROW)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        down = top
        for platform, part, count in zip(platforms, parts, rows.drawn, strict=True):
            wide = size.width - 2 * MARGIN - across(size, LABELS + RIGHT)
            left, tall = MARGIN + across(size, LABELS), count * rows.height
            axes = place(figure, left, down + TOP, wide, tall)
            _limits(axes, reach, last=platform == platforms[-1])
            name = shortened(platform, letters(size, 34))
            own = away[away["platform"] == platform]
            _panel(axes, name, part.head(count), own, reach, size)
            down += tall + TOP + GAP
        axes.set_xlabel("run against what its repeats agree on", loc="left")
        gone = len(here) - sum(rows.drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'calmer scene')} not drawn.")
    return figure


def _title(scenes: pd.DataFrame, metric: str) -> str:
    loud, calm = scenes.iloc[0], scenes.iloc[-1]
    if len(scenes) == 1:
        return f"Runs stray {100 * loud['s_r']:.2f}% ({METRIC_WORDS[metric]})"
    return (
        f"Runs stray {100 * calm['s_r']:.2f}% in the calmest scene and "
        f"{100 * loud['s_r']:.2f}% in the noisiest ({METRIC_WORDS[metric]})"
    )


def _lines(away: pd.DataFrame, reach: float) -> list[str]:
    flagged = int((away["found_by"] != "").sum())
    beyond = int((away["away"].abs() > reach).sum())
    words = (
        f"{count_words(len(away), 'run')}, of which {flagged:,} stray further than chance allows."
    )
    if beyond:
        words += f" {count_words(beyond, 'run')} beyond the axis are drawn at its edge."
    return [f"{words} s_r leaves flagged runs aside."]


def _key(size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], linestyle="none", marker="|", color=CONTEXT, markersize=9, label="run"),
        Line2D([], [], **_look(), label="flagged run"),
        Patch(facecolor=TINT, label="one s_r either way"),
        Line2D([], [], color=PLUM, linewidth=1.6, label="range of s_r"),
    ]
    return make_key(handles, size)


def _look() -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "D",
        "markersize": 5.5,
        "markerfacecolor": AMBER,
        "markeredgecolor": AMBER,
    }


def _limits(axes: Axes, reach: float, *, last: bool) -> None:
    axes.set_xlim(-reach * 1.04, reach * 1.04)
    axes.xaxis.set_major_locator(MaxNLocator(9, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _: lead_words(x) if abs(x) > 1e-9 else "0")
    )
    axes.tick_params(labelbottom=last)
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _panel(
    axes: Axes,
    name: str,
    scenes: pd.DataFrame,
    away: pd.DataFrame,
    reach: float,
    size: Size,
) -> None:
    axes.set_ylim(len(scenes) - 0.4, -0.6)
    longest = letters(size, 38)
    names = [short_scene(scene.game, scene.preset, longest) for scene in rows_of(scenes)]
    axes.set_yticks(range(len(names)), names)
    left = -across(size, LABELS) / (size.width - 2 * MARGIN - across(size, LABELS + RIGHT))
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(name, (left, 1), (0, 6), fontweight="bold", fontsize=11, **above)
    axes.annotate(
        "s_r, its range; runs flagged", (1.015, 1), (0, 6), color=QUIET, fontsize=8.5, **above
    )
    for row, scene in enumerate(rows_of(scenes)):
        own = away[(away["game"] == scene.game) & (away["preset"] == scene.preset)]
        _scene(axes, row, scene, own, reach, size)


def _scene(axes: Axes, row: int, scene: Any, runs: pd.DataFrame, reach: float, size: Size) -> None:
    axes.barh(row, 2 * scene.s_r, left=-scene.s_r, height=0.62, color=TINT, linewidth=0, zorder=0.6)
    for side in (-1, 1):
        ends = [side * scene.s_r_lower, side * scene.s_r_upper]
        axes.plot(ends, [row, row], color=PLUM, linewidth=1.6, zorder=3)
    marked = (runs["found_by"] != "").to_numpy(dtype=bool)
    x = np.clip(runs["away"].to_numpy(dtype=float), -reach, reach)
    usual = x[~marked]
    axes.plot(
        usual, np.full(len(usual), row), "|", color=CONTEXT, markersize=9, alpha=0.6, zorder=2
    )
    axes.plot(x[marked], np.full(int(marked.sum()), row), zorder=4, **_look())
    words = f"{100 * scene.s_r:.2f}% ({100 * scene.s_r_lower:.2f}–{100 * scene.s_r_upper:.2f})"
    if marked.any():
        worst = runs[marked].sort_values("away", key=abs, ascending=False).iloc[0]
        name = short_name(worst["card"], letters(size, 16))
        words += f"   {name}, {worst['resolution']} {lead_words(worst['away'])}"
        words += f", {int(marked.sum()) - 1} more" if marked.sum() > 1 else ""
    axes.text(
        1.015,
        row,
        words,
        transform=axes.get_yaxis_transform(),
        color=INK if scene.noisy or marked.any() else QUIET,
        fontweight="bold" if scene.noisy else "normal",
        fontsize=8.5,
        va="center",
    )
