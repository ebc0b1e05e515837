"""How the rates of one scene run into its ceiling, and how the sensitivity falls off on the way."""

import math
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from scalemodel.views.figures.ceilings import marker_look
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    across,
    footnote,
    footnote_room,
    headline,
    make_key,
    new_figure,
    place,
    rate_axis,
    rate_tick_words,
    round_rates,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, BAND, CONTEXT, INK, QUIET, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    METRIC_WORDS,
    ceiling_words,
    count_words,
    level_words,
    resolution_order,
    scene_words,
    short_name,
)

TALL, STRIP, BETWEEN, ABOVE, BELOW = 4.2, 0.9, 0.32, 0.22, 0.55  # inches
LEFT, RIGHT = 0.6, 2.3  # inches beside the axes of a page
SHAPES = ("o", "s", "^", "D", "v")
"""Marks of the resolutions, the smallest first."""


def knee_figure(
    tables: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame], level: float, size: Size = PAGE
) -> Figure:
    """Draw measured rates against what the cards would reach without the ceiling.

    Args:
        tables: table, charts and curve of `Knee`, of one scene on one platform.
        level: of the ranges.
        size: of the figure.

    Raises:
        FigureError: there are several scenes or platforms, or no result.
    """
    table, charts, curve = tables
    cells = table[table["gpu_rate"].notna()]
    if cells.empty:
        raise FigureError("No result of this scene is in the fit; there is nothing to draw.")
    if len(cells[["platform", "game", "preset"]].drop_duplicates()) > 1:
        raise FigureError("A figure shows one scene on one platform.")
    head = headline(_title(cells, charts), _lines(cells, level), size)
    signs = _key(cells, charts, size)
    top = head.height + signs.height + ABOVE
    taken = top + BETWEEN + STRIP + BELOW + footnote_room(size)
    tall = min(TALL, size.tallest - taken)
    wide = size.width - 2 * MARGIN - LEFT - across(size, RIGHT)
    with house_style():
        figure = new_figure(taken + tall, head, size)
        signs.draw(figure, head.height)
        axes = place(figure, MARGIN + LEFT, top, wide, tall)
        strip = place(figure, MARGIN + LEFT, top + tall + BETWEEN, wide, STRIP)
        _limits(axes, strip, cells, curve)
        _ceiling(axes, charts)
        _curve(axes, strip, curve)
        _cells(axes, strip, cells)
        strip.set_xlabel(
            "frames per second that the card would reach without the ceiling", loc="left"
        )
        if size.limited and len(table) > len(cells):
            gone = count_words(len(table) - len(cells), "result")
            footnote(figure, f"Not drawn: {gone} that fell for lack of memory.")
    return figure


def _title(cells: pd.DataFrame, charts: pd.DataFrame) -> str:
    first, chart = cells.iloc[0], charts.iloc[0]
    ceiling = ceiling_words(chart["ceiling_rate"], chart["ceiling_low"], chart["ceiling_high"])
    bound = int((cells["state"] == "cpu_bound").sum())
    name = scene_words(first["game"], first["preset"])
    return f"{name}: ceiling {ceiling}, {bound} of {count_words(len(cells), 'result')} at it"


def _lines(cells: pd.DataFrame, level: float) -> list[str]:
    metric = METRIC_WORDS.get(str(cells["metric"].iloc[0]), "rate")
    return [
        f"Platform: {cells['platform'].iloc[0]}. Up: {metric} as measured. Across: what the model "
        f"says the card would reach without the ceiling. Lines: {level_words(level)} ranges."
    ]


def _key(cells: pd.DataFrame, charts: pd.DataFrame, size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label=resolution, linestyle="none", **_look("gpu_bound", shape))
        for resolution, shape in _shapes(cells).items()
    ]
    handles.append(Line2D([], [], label="CPU-bound", linestyle="none", **_look("cpu_bound", "o")))
    handles.append(Line2D([], [], color=INK, linewidth=1.4, label="the model"))
    if math.isfinite(charts["ceiling_rate"].iloc[0]):
        handles.append(Patch(facecolor=BAND, edgecolor=AMBER, label="ceiling"))
    else:
        dashes = (0, (2, 2))
        handles.append(Line2D([], [], color=AMBER, linestyle=dashes, label="ceiling is above this"))
    return make_key(handles, size)


def _shapes(cells: pd.DataFrame) -> dict[str, str]:
    found = resolution_order(cells["resolution"])
    return {one: SHAPES[n % len(SHAPES)] for n, one in enumerate(found)}


def _look(state: str, shape: str) -> dict[str, Any]:
    return {**marker_look(state), "marker": shape}


def _limits(axes: Axes, strip: Axes, cells: pd.DataFrame, curve: pd.DataFrame) -> None:
    ends = [cells["gpu_lower"].min(), max(cells["gpu_upper"].max(), curve["gpu_rate"].max())]
    rates = [*cells["rate"], *curve["lower"], *curve["upper"]]
    for one in (axes, strip):
        rate_axis(one, float(ends[0]), float(ends[1]), room=0.03, ticks=9)
    axes.tick_params(labelbottom=False, labelcolor=QUIET)
    pad = max(max(rates) / min(rates), 1.1) ** 0.06
    low, high = min(rates) / pad, max(rates) * pad
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    ticks = round_rates(low, high, 8)
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_major_formatter(FixedFormatter([rate_tick_words(tick) for tick in ticks]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.grid(visible=True, axis="both")
    strip.set_ylim(-0.08, 1.08)
    strip.yaxis.set_major_locator(FixedLocator([0.0, 0.5, 1.0]))
    strip.yaxis.set_major_formatter(FixedFormatter(["0", "0.5", "1"]))
    strip.tick_params(labelcolor=QUIET)
    strip.grid(visible=True, axis="both")


def _ceiling(axes: Axes, charts: pd.DataFrame) -> None:
    chart = charts.iloc[0]
    beside: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "color": AMBER}
    words = ceiling_words(chart["ceiling_rate"], chart["ceiling_low"], chart["ceiling_high"])
    if math.isfinite(chart["ceiling_rate"]):
        axes.axhspan(chart["ceiling_low"], chart["ceiling_high"], facecolor=BAND, linewidth=0)
        axes.axhline(chart["ceiling_rate"], color=AMBER, linewidth=1.2)
        at = chart["ceiling_rate"]
    else:
        at = chart["ceiling_low"]
        axes.axhline(at, color=AMBER, linewidth=1, linestyle=(0, (2, 2)))
    axes.text(1.015, at, f"ceiling {words}", va="center", **beside)


def _curve(axes: Axes, strip: Axes, curve: pd.DataFrame) -> None:
    if curve.empty:
        return
    x = curve["gpu_rate"]
    axes.fill_between(x, curve["lower"], curve["upper"], color=CONTEXT, alpha=0.5, linewidth=0)
    axes.plot(x, curve["rate"], color=INK, linewidth=1.2, zorder=2)
    strip.fill_between(
        x,
        curve["sensitivity_lower"],
        curve["sensitivity_upper"],
        color=CONTEXT,
        alpha=0.5,
        linewidth=0,
    )
    strip.plot(x, curve["sensitivity"], color=INK, linewidth=1.2, zorder=2)


def _cells(axes: Axes, strip: Axes, cells: pd.DataFrame) -> None:
    for resolution, shape in _shapes(cells).items():
        here = cells[cells["resolution"] == resolution]
        for row in rows_of(here):
            ends = [row.gpu_lower, row.gpu_upper]
            axes.plot(ends, [row.rate] * 2, color=CONTEXT, linewidth=1.6, zorder=2.5)
            look = _look(row.state, shape)
            axes.plot([row.gpu_rate], [row.rate], linestyle="none", zorder=3, **look)
            strip.plot([row.gpu_rate], [row.sensitivity], linestyle="none", zorder=3, **look)
    strip.text(1.015, 0.5, "sensitivity", transform=strip.transAxes, color=QUIET, va="center")
    fastest = cells.loc[cells.groupby("resolution")["gpu_rate"].idxmax()].sort_values("gpu_rate")
    _name(axes, fastest.drop_duplicates("card", keep="last"))


def _name(axes: Axes, fastest: pd.DataFrame) -> None:
    """Name the fastest cards, each at its highest rate, below the mark."""
    low, high = axes.get_xlim()
    for row in rows_of(fastest):
        far = math.log(row.gpu_rate / low) > 0.8 * math.log(high / low)
        axes.annotate(
            short_name(row.card, 24),
            (row.gpu_rate, row.rate),
            (-3 if far else 5, -13),
            textcoords="offset points",
            fontsize=8.5,
            color=QUIET,
            ha="right" if far else "left",
            va="center",
        )
