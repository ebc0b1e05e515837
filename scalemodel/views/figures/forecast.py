"""What became of a forecast: the ranges, and what was measured since."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.views.figures.layout import MARGIN, headline, key_below, new_figure, place
from scalemodel.views.style import (
    AMBER,
    BAND,
    PAPER,
    PLUM,
    QUIET,
    TINT,
    WIDTH_INCHES,
    house_style,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_words,
    level_words,
    rate_words,
    resolution_order,
    short_scene,
)

ROW, TOP, GAP = 0.215, 0.3, 0.24  # inches: a chart, the heading of a panel, between panels
LABELS, RIGHT = 2.75, 2.6  # inches beside the axes


def forecast_figure(table: pd.DataFrame, where: str, date: str, level: float) -> Figure:
    """Draw one card's forecast ranges and measured rates, both over the forecast median.

    Args:
        table: judged rows of one card on one platform, the columns of a forecast's score.
        where: in words, where the card is not as forecast; "" for nowhere.
        date: of the forecast.
        level: of the ranges.
    """
    card, platform = str(table["card"].iloc[0]), str(table["platform"].iloc[0])
    panels = {
        one: table[table["resolution"] == one].sort_values("error", kind="stable")
        for one in resolution_order(table["resolution"])[::-1]
    }
    inside = int(table["inside"].astype(bool).sum())
    mean = lead_words(float(np.expm1(-table["error"].mean())))
    title = f"{card}: {where}" if where else f"{card}: no surprise, {mean} on average"
    words = f"{inside} of {count_words(len(table), 'measured rate')} in the {level_words(level)}"
    head = headline(title, [f"Platform: {platform}. Forecast of {date}. {words} ranges."])
    top = head.height + 0.42
    tall = sum(len(panel) * ROW + TOP + GAP for panel in panels.values())
    with house_style():
        figure = new_figure(top + tall + 0.45, head)
        _key(figure, head.height, level)
        wide, down = WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT, top
        for resolution, panel in panels.items():
            axes = place(figure, MARGIN + LABELS, down + TOP, wide, len(panel) * ROW)
            _limits(axes, table, last=resolution == list(panels)[-1])
            _panel(axes, resolution, panel)
            down += len(panel) * ROW + TOP + GAP
        axes.set_xlabel("rate over the median of the forecast, minus 1", loc="left")
    return figure


def _key(figure: Figure, down: float, level: float) -> None:
    handles: list[Line2D | Patch] = [
        Patch(facecolor=TINT, label=f"{level_words(level)} range as forecast"),
        Patch(facecolor=BAND, label="forecast at the ceiling"),
        Line2D([], [], label="measured, in its range", **_look(inside=True, colour=PLUM)),
        Line2D([], [], label="measured, outside", **_look(inside=False, colour=PLUM)),
    ]
    key_below(figure, handles, down)


def _look(*, inside: bool, colour: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "o" if inside else "D",
        "markersize": 5.8,
        "markerfacecolor": colour if inside else PAPER,
        "markeredgecolor": colour,
        "markeredgewidth": 1.4,
    }


def _limits(axes: Axes, table: pd.DataFrame, *, last: bool) -> None:
    ratios = table[["lower", "upper", "measured"]].div(table["median"], axis=0) - 1
    low, high = float(np.nanmin(ratios)), float(np.nanmax(ratios))
    pad = 0.04 * (high - low)
    axes.set_xlim(low - pad, high + pad)
    axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _: f"{100 * x:+.10g}%".replace("-", "−") if abs(x) > 1e-9 else "0")
    )
    axes.tick_params(labelbottom=last)
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _panel(axes: Axes, resolution: str, charts: pd.DataFrame) -> None:
    axes.set_ylim(len(charts) - 0.4, -0.6)
    names = [short_scene(chart.game, chart.preset, 38) for chart in rows_of(charts)]
    axes.set_yticks(range(len(names)), names)
    left = -LABELS / (WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT)
    axes.annotate(
        resolution,
        (left, 1),
        (0, 6),
        xycoords="axes fraction",
        textcoords="offset points",
        fontweight="bold",
        fontsize=11,
    )
    for row, chart in enumerate(rows_of(charts)):
        bound = chart.p_ceiling >= MORE_LIKELY
        low, high = chart.lower / chart.median - 1, chart.upper / chart.median - 1
        band = BAND if bound else TINT
        axes.barh(row, high - low, left=low, height=0.6, color=band, linewidth=0, zorder=1.5)
        ratio = chart.measured / chart.median - 1
        look = _look(inside=bool(chart.inside), colour=AMBER if bound else PLUM)
        axes.plot([ratio], [row], zorder=3, **look)
        axes.text(
            1.015,
            row,
            f"{lead_words(ratio)}   {rate_words(chart.measured)} measured, "
            f"{rate_words(chart.lower)}–{rate_words(chart.upper)}",
            transform=axes.get_yaxis_transform(),
            color=QUIET,
            fontsize=8.5,
            va="center",
        )
