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
    headline,
    key_below,
    new_figure,
    place,
)
from scalemodel.views.style import AMBER, CONTEXT, INK, PLUM, QUIET, TINT, WIDTH_INCHES, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import METRIC_WORDS, count_words, lead_words, short_scene, shortened

ROW, TOP, GAP = 0.3, 0.3, 0.24  # inches: a scene, the heading of a panel, between panels
LABELS, RIGHT = 2.75, 3.75  # inches beside the axes
REACH = 6.0
"""Repeatability sds of the noisiest scene that the axis spans either way."""


def repeat_figure(every_run: pd.DataFrame, scenes: pd.DataFrame, metric: str) -> Figure:
    """Draw how far every run is from its repeats and each scene's spread, a panel a platform.

    Args:
        every_run: one row a run: card, chart, run, apart and found_by.
        scenes: one row a scene and platform: metric, s_r with its range, times_lab and noisy.
        metric: of the runs.

    Raises:
        FigureError: no cell has repeats.
    """
    here = scenes[(scenes["metric"] == metric) & scenes["s_r"].notna()]
    if here.empty:
        raise FigureError("No cell has repeated runs; there is nothing to draw.")
    away = every_run.assign(away=every_run["apart"])
    reach = REACH * float(here["s_r"].max())
    platforms = list(dict.fromkeys(here["platform"]))
    head = headline(_title(here, metric), _lines(away, reach))
    top = head.height + 0.42
    rows = {p: here[here["platform"] == p] for p in platforms}
    tall = sum(len(part) * ROW + TOP + GAP for part in rows.values())
    with house_style():
        figure = new_figure(top + tall + 0.45, head)
        _legend(figure, head.height)
        down = top
        for platform, part in rows.items():
            wide = WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT
            axes = place(figure, MARGIN + LABELS, down + TOP, wide, len(part) * ROW)
            _limits(axes, reach, last=platform == platforms[-1])
            _panel(axes, platform, part, away[away["platform"] == platform], reach)
            down += len(part) * ROW + TOP + GAP
        axes.set_xlabel("run against what its repeats agree on", loc="left")
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


def _legend(figure: Figure, down: float) -> None:
    handles: list[Line2D | Patch] = [
        Line2D([], [], linestyle="none", marker="|", color=CONTEXT, markersize=9, label="run"),
        Line2D([], [], **_look(), label="flagged run"),
        Patch(facecolor=TINT, label="one s_r either way"),
        Line2D([], [], color=PLUM, linewidth=1.6, label="range of s_r"),
    ]
    key_below(figure, handles, down)


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


def _panel(axes: Axes, name: str, scenes: pd.DataFrame, away: pd.DataFrame, reach: float) -> None:
    axes.set_ylim(len(scenes) - 0.4, -0.6)
    names = [short_scene(scene.game, scene.preset, 38) for scene in rows_of(scenes)]
    axes.set_yticks(range(len(names)), names)
    left = -LABELS / (WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT)
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(name, (left, 1), (0, 6), fontweight="bold", fontsize=11, **above)
    axes.annotate(
        "s_r, its range; runs flagged", (1.015, 1), (0, 6), color=QUIET, fontsize=8.5, **above
    )
    for row, scene in enumerate(rows_of(scenes)):
        own = away[(away["game"] == scene.game) & (away["preset"] == scene.preset)]
        _scene(axes, row, scene, own, reach)


def _scene(axes: Axes, row: int, scene: Any, runs: pd.DataFrame, reach: float) -> None:
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
        words += (
            f"   {shortened(worst['card'], 16)}, {worst['resolution']} {lead_words(worst['away'])}"
        )
        words += f", {int(marked.sum()) - 1} more" if marked.sum() > 1 else ""
    axes.text(
        1.015,
        row,
        words,
        transform=axes.get_yaxis_transform(),
        color=INK if scene.noisy or marked.any() else QUIET,
        fontweight="bold" if scene.noisy else "normal",
        fontsize=8,
        va="center",
    )
