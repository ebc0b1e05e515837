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
from scalemodel.views.figures.layout import (
    MARGIN,
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
    spread_out,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    AMBER,
    BAND,
    PAPER,
    PLUM,
    QUIET,
    TINT,
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
LABELS, RIGHT = 2.75, 2.6  # inches beside the axes of a page
BELOW = 0.45  # inches, for the name of the axis


def forecast_figure(
    table: pd.DataFrame, where: str, date: str, level: float, size: Size = PAGE
) -> Figure:
    """Draw one card's forecast ranges and measured rates, both over the forecast median.

    Args:
        table: judged rows of one card on one platform, the columns of a forecast's score.
        where: in words, where the card is not as forecast; "" for nowhere.
        date: of the forecast.
        level: of the ranges.
        size: of the figure; for want of room measured rates outside their ranges are kept first.
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
    line = f"Platform: {platform}. Forecast of {date}. {words} ranges."
    head, signs = headline(title, [line], size), _key(level, size)
    top = head.height + signs.height
    taken = top + BELOW + footnote_room(size)
    panels = dict(list(panels.items())[: most_panels(size, taken, TOP + GAP, ROW)])
    rows = fitted_rows([len(one) for one in panels.values()], size, taken, TOP + GAP, ROW)
    drawn = {
        name: _kept(panel, most)
        for (name, panel), most in zip(panels.items(), rows.drawn, strict=True)
    }
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        wide, down = size.width - 2 * MARGIN - across(size, LABELS + RIGHT), top
        for resolution, panel in drawn.items():
            tall = len(panel) * rows.height
            axes = place(figure, MARGIN + across(size, LABELS), down + TOP, wide, tall)
            _limits(axes, pd.concat(drawn), last=resolution == list(drawn)[-1])
            _panel(axes, resolution, panel, size)
            down += tall + TOP + GAP
        axes.set_xlabel("rate over the median of the forecast, minus 1", loc="left")
        gone = len(table) - sum(map(len, drawn.values()))
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'chart')} not drawn.")
    return figure


def _kept(charts: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many charts in their order, those outside their ranges first."""
    outside = np.flatnonzero(~charts["inside"].astype(bool))
    inside = np.flatnonzero(charts["inside"].astype(bool))
    chosen = [int(outside[n]) for n in spread_out(len(outside), most)]
    chosen += [int(inside[n]) for n in spread_out(len(inside), most - len(chosen))]
    return charts.iloc[sorted(chosen)]


def _key(level: float, size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Patch(facecolor=TINT, label=f"{level_words(level)} range as forecast"),
        Patch(facecolor=BAND, label="forecast at the ceiling"),
        Line2D([], [], label="measured, in its range", **_look(inside=True, colour=PLUM)),
        Line2D([], [], label="measured, outside", **_look(inside=False, colour=PLUM)),
    ]
    return make_key(handles, size)


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


def _panel(axes: Axes, resolution: str, charts: pd.DataFrame, size: Size) -> None:
    axes.set_ylim(len(charts) - 0.4, -0.6)
    longest = letters(size, 38)
    names = [short_scene(chart.game, chart.preset, longest) for chart in rows_of(charts)]
    axes.set_yticks(range(len(names)), names)
    left = -across(size, LABELS) / (size.width - 2 * MARGIN - across(size, LABELS + RIGHT))
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
