"""Which charts compare cards and which show the CPU limit, drawn scene by scene."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    footnote,
    headline,
    letters,
    make_key,
    new_figure,
    place,
    rate_axis,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, BAND, INK, PAPER, PLUM, QUIET, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    METRIC_WORDS,
    ceiling_words,
    count_words,
    level_words,
    rate_words,
    resolution_order,
    short_scene,
    shortened,
)

SCENE = ["platform", "game", "preset"]
PANEL_WIDTH = 3.5
"""Inches of a panel, at least; as many as fit stand side by side."""

ROW, PANEL_TOP, PANEL_BOTTOM = 0.34, 0.52, 0.30  # inches
LABELS, VERDICTS, GUTTER = 0.76, 0.86, 0.22  # inches beside the axes of a panel, and between panels
BELOW, POINT = 0.35, 0.07  # inches: small print at the lower edge, a point
MARKERS = {"gpu_bound": PLUM, "mixed": PLUM, "cpu_bound": PAPER}


def ceilings_figure(
    table: pd.DataFrame, charts: pd.DataFrame, level: float, size: Size = PAGE
) -> Figure:
    """Draw every result by resolution against its rate, and the ceiling with its range.

    One panel a scene and platform, those with most charts at the ceiling first.

    Args:
        table: one row a result, the columns of ``ceilings``.
        charts: one row a chart, the columns of ``ceilings --charts``.
        level: of the ranges of the ceilings.
        size: of the figure.

    Raises:
        FigureError: there is no chart.
    """
    if charts.empty:
        raise FigureError("There is no chart to draw.")
    scenes = _scenes_by_need(charts)
    rows = resolution_order(charts["resolution"])
    head, signs = headline(_title(charts), _lines(charts, level), size), _key(size)
    tall = PANEL_TOP + ROW * len(rows) + PANEL_BOTTOM
    top = head.height + signs.height
    columns = int((size.width - 2 * MARGIN + GUTTER) / PANEL_WIDTH)
    wide = (size.width - 2 * MARGIN + GUTTER) / columns
    drawn = scenes[: max(int((size.tallest - top - BELOW) / tall), 1) * columns]
    several = charts["platform"].nunique() > 1
    with house_style():
        figure = new_figure(top + math.ceil(len(drawn) / columns) * tall + BELOW, head, size)
        signs.draw(figure, head.height)
        for n, scene in enumerate(drawn):
            left = MARGIN + (n % columns) * wide
            down = top + (n // columns) * tall + PANEL_TOP
            axes = place(
                figure, left + LABELS, down, wide - LABELS - VERDICTS - GUTTER, ROW * len(rows)
            )
            _panel(axes, _of(table, scene), _of(charts, scene), rows)
            _panel_title(axes, scene, _of(charts, scene), several, letters(size, 42) * 3 // columns)
        footnote(figure, _small_print(charts, len(scenes) - len(drawn)))
    return figure


def _small_print(charts: pd.DataFrame, gone: int) -> str:
    metric = METRIC_WORDS.get(str(charts["metric"].iloc[0]), "rate")
    words = f"Across: {metric} in frames per second, each panel with its own log scale."
    return f"{words} {count_words(gone, 'other scene')} not drawn." if gone else words


def _of(table: pd.DataFrame, key: tuple[str, ...]) -> pd.DataFrame:
    chosen = np.logical_and.reduce([table[c] == k for c, k in zip(SCENE, key, strict=True)])
    return table[chosen]


def _scenes_by_need(charts: pd.DataFrame) -> list[tuple[str, ...]]:
    weight = charts["verdict"].map({"not_usable": 2.0, "usable_below": 1.0, "usable": 0.0})
    total = weight.groupby([charts[c] for c in SCENE], sort=False).sum()
    order = total.sort_values(ascending=False, kind="stable")
    keys = [tuple(str(part) for part in key) for key in order.index]
    platforms = list(dict.fromkeys(charts["platform"]))
    return sorted(keys, key=lambda key: platforms.index(key[0]))


def _title(charts: pd.DataFrame) -> str:
    found = charts["verdict"].value_counts()
    useless, part = int(found.get("not_usable", 0)), int(found.get("usable_below", 0))
    total = count_words(len(charts), "chart")
    if useless + part == 0:
        return f"All of {total} compare all their cards"
    parts = [f"{useless} not usable"] if useless else []
    parts += [f"{part} usable only below the rate given"] if part else []
    return f"{useless + part} of {total} cannot compare all their cards: {', '.join(parts)}"


def _lines(charts: pd.DataFrame, level: float) -> list[str]:
    parts = []
    for resolution in resolution_order(charts["resolution"]):
        chart = charts[charts["resolution"] == resolution]
        whole = int((chart["verdict"] == "usable").sum())
        parts.append(f"{resolution} {whole} of {len(chart)}")
    usable = "Usable as they are: " + ", ".join(parts) + "."
    band = f"The band is the {level_words(level)} range of the ceiling."
    platforms = ", ".join(dict.fromkeys(charts["platform"]))
    return [f"{usable} {band}", f"Platform: {platforms}."]


def _key(size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        _marker("gpu_bound", "GPU-bound"),
        _marker("mixed", "mixed"),
        _marker("cpu_bound", "CPU-bound"),
        Patch(facecolor=BAND, edgecolor=AMBER, label="ceiling"),
        Line2D([], [], color=AMBER, linestyle=(0, (2, 2)), label="ceiling is above this"),
    ]
    return make_key(handles, size)


def _marker(state: str, label: str) -> Line2D:
    return Line2D([], [], linestyle="none", label=label, **marker_look(state))


def marker_look(state: str) -> dict[str, Any]:
    """Give the look of a result: filled is GPU-bound, hollow is at the ceiling."""
    return {
        "marker": "o",
        "markersize": 5.2,
        "markeredgecolor": PLUM,
        "markeredgewidth": 1.0,
        "markerfacecolor": MARKERS[state],
        "markerfacecoloralt": PAPER,
        "fillstyle": "left" if state == "mixed" else "full",
    }


def _panel(
    axes: Axes, results: pd.DataFrame, charts: pd.DataFrame, resolutions: Sequence[str]
) -> None:
    bounds = charts[["ceiling_low", "ceiling_high", "ceiling_rate"]].to_numpy(dtype=float)
    drawn = np.concatenate([results["rate"].to_numpy(dtype=float), bounds.ravel()])
    drawn = drawn[np.isfinite(drawn) & (drawn > 0)]
    if drawn.size:
        rate_axis(axes, float(drawn.min()), float(drawn.max()), room=0.05, ticks=5)
    axes.set_ylim(len(resolutions) - 0.5, -0.5)
    axes.set_yticks(range(len(resolutions)), resolutions)
    for row, resolution in enumerate(resolutions):
        for chart in rows_of(charts[charts["resolution"] == resolution]):
            _ceiling(axes, row, chart)
            _verdict(axes, row, chart)
        _points(axes, row, results[results["resolution"] == resolution])


def _ceiling(axes: Axes, row: int, chart: Any) -> None:
    if math.isfinite(chart.ceiling_rate):
        low, wide = chart.ceiling_low, chart.ceiling_high - chart.ceiling_low
        if math.isfinite(wide):
            axes.add_patch(Rectangle((low, row - 0.5), wide, 1, facecolor=BAND, linewidth=0))
        axes.plot([chart.ceiling_rate] * 2, [row - 0.5, row + 0.5], color=AMBER, linewidth=1.3)
    elif math.isfinite(chart.ceiling_low):
        ends = [row - 0.5, row + 0.5]
        axes.plot([chart.ceiling_low] * 2, ends, color=AMBER, linewidth=1, linestyle=(0, (2, 2)))


def _verdict(axes: Axes, row: int, chart: Any) -> None:
    words, colour = {
        "usable": ("usable", QUIET),
        "usable_below": (f"below {rate_words(chart.usable_below)}", INK),
        "not_usable": ("not usable", AMBER),
    }[chart.verdict]
    weight = "normal" if chart.verdict == "usable" else "bold"
    place_at = axes.get_yaxis_transform()
    axes.text(1.03, row, words, transform=place_at, color=colour, fontweight=weight, va="center")


def _points(axes: Axes, row: int, results: pd.DataFrame) -> None:
    ordered = results.sort_values("rate")
    rates = ordered["rate"].to_numpy(dtype=float)
    if rates.size == 0:
        return
    low, high = axes.get_xlim()
    across = np.log(rates / low) / math.log(high / low)
    heights = row + 0.13 * stacked(across, apart=POINT / _inches(axes))
    states = ordered["state"].to_numpy()
    for state in ("gpu_bound", "mixed", "cpu_bound"):
        chosen = states == state
        axes.plot(rates[chosen], heights[chosen], linestyle="none", **marker_look(state))


def _inches(axes: Axes) -> float:
    """Give the width of axes in inches."""
    return float(axes.bbox.width) / axes.figure.dpi


def stacked(across: np.ndarray[Any, Any], apart: float) -> np.ndarray[Any, Any]:
    """Give points that would cover each other different levels 0, 1, -1, 2, -2, 3, -3.

    Args:
        across: positions in ascending order, shape (n,).
        apart: least distance between points of one level.
    """
    last = dict.fromkeys((0, 1, -1, 2, -2, 3, -3), -math.inf)
    levels = np.zeros(across.size)
    for n, x in enumerate(across):
        free = [level for level, at in last.items() if x - at >= apart]
        level = free[0] if free else min(last, key=lambda one: last[one])
        last[level] = float(x)
        levels[n] = level
    return levels


def _panel_title(
    axes: Axes, scene: tuple[str, ...], charts: pd.DataFrame, name_platform: bool, longest: int
) -> None:
    platform, game, preset = scene
    ceilings = list(
        dict.fromkeys(
            ceiling_words(chart.ceiling_rate, chart.ceiling_low, chart.ceiling_high)
            for chart in rows_of(charts)
        )
    )
    known = f"ceiling {ceilings[0]}" if len(ceilings) == 1 else "ceiling differs by resolution"
    where = f"{shortened(platform, 24)}: {known}" if name_platform else known
    left = -LABELS / _inches(axes)
    text: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    name = short_scene(game, preset, longest)
    axes.annotate(name, (left, 1), (0, 17), fontweight="bold", **text)
    axes.annotate(where, (left, 1), (0, 5), color=QUIET, fontsize=8.5, **text)
