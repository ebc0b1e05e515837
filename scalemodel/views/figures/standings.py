"""Which place every card takes at each resolution, and how certain the order is."""

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    make_key,
    new_figure,
    place,
    spread_out,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import INK, PAPER, PLUM, QUIET, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    level_words,
    rate_words,
    resolution_order,
    short_name,
    upscaled_words,
)

ROW, SMALLEST_ROW, TOP, BELOW, GAP = 0.215, 0.126, 0.36, 0.5, 0.25  # inches
RATE = 0.62  # inches beside the axes: a bracket and a rate
LETTER, TICK = 0.075, 0.4
"""Inches of a letter of a name, on average, and between ticks, at least."""

PANELS, FEWER_PANELS = 3, 2
"""Resolutions at most, and where room is limited: evenly chosen."""


def standings_figure(places: pd.DataFrame, level: float, size: Size = PAGE) -> Figure:
    """Draw every card's rate over that of all cards, by place, a panel a resolution.

    Args:
        places: the places of one platform, as `Standings` has them.
        level: of the ranges, and probability below which the order of two cards is not certain.
        size: of the figure; for want of room the first places are drawn.

    Raises:
        FigureError: no card has a place, or there are several platforms.
    """
    placed = one_platform(places)
    every = resolution_order(placed["resolution"])[::-1]
    shown = [every[n] for n in spread_out(len(every), FEWER_PANELS if size.limited else PANELS)]
    panels = [placed[placed["resolution"] == one].sort_values("place") for one in shown]
    head = headline(_title(panels), _lines(placed, level), size)
    signs = _key(level, size)
    taken = head.height + signs.height + TOP + BELOW + footnote_room(size)
    most = max(len(panel) for panel in panels)
    rows = fitted_rows([most], size, taken, 0.0, SMALLEST_ROW if size.limited else ROW)
    wide = (size.width - 2 * MARGIN - GAP * (len(panels) - 1)) / len(panels)
    names = min(LETTER * (placed["card"].str.len().max() + 5), 0.5 * wide)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        for n, (resolution, panel) in enumerate(zip(shown, panels, strict=True)):
            left = MARGIN + n * (wide + GAP) + names
            down = head.height + signs.height + TOP
            drawn = panel.head(rows.drawn[0])
            axes = place(figure, left, down, wide - names - RATE, rows.height * len(drawn))
            _limits(axes, pd.concat(panels))
            _panel(axes, resolution, drawn, level, int(names / LETTER) - 4)
        footnote(figure, _small_print(panels, most - rows.drawn[0]))
    return figure


def one_platform(places: pd.DataFrame) -> pd.DataFrame:
    """Give the rows that have a place.

    Raises:
        FigureError: there is none, or there are several platforms.
    """
    placed = places[places["place"].notna()]
    if placed.empty:
        raise FigureError("No chart compares cards; there is nothing to draw.")
    if placed["platform"].nunique() > 1:
        raise FigureError("A figure shows the places on one platform.")
    return placed


def _title(panels: list[pd.DataFrame]) -> str:
    first = [str(panel["card"].iloc[0]) for panel in panels]
    count = count_words(len(panels[0]), "card")
    if len(set(first)) == 1:
        where = "at every resolution" if len(first) > 1 else f"at {panels[0]['resolution'].iloc[0]}"
        known = [_measured(panel) for panel in panels]
        basis = "" if all(known) else ", in part by the model" if any(known) else ", by the model"
        return f"{first[0]} is the fastest of {count} {where}{basis}"
    parts = [
        f"{card} at {panel['resolution'].iloc[0]}"
        for card, panel in zip(first, panels, strict=True)
    ]
    return f"Fastest of {count}: {', '.join(parts)}"


def _measured(panel: pd.DataFrame) -> bool:
    """Say whether the first place rests mostly on measured rates."""
    first = panel.iloc[0]
    return bool(2 * first["measured"] >= first["charts"])


def _lines(placed: pd.DataFrame, level: float) -> list[str]:
    steps = placed[placed["p_ahead_of_next"].notna()]
    unsure = int((steps["p_ahead_of_next"] < level).sum())
    return [
        f"Platform: {placed['platform'].iloc[0]}. Dots: rate over the geometric mean of all cards. "
        f"{unsure} of {count_words(len(steps), 'step')} in the order not certain. "
        f"{upscaled_words(placed)}".rstrip()
    ]


def _key(level: float, size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label="mostly measured", **_look(PLUM)),
        Line2D([], [], label="mostly the model's", **_look(PAPER)),
        Patch(facecolor=TINT, label=f"{level_words(level)} range with other scenes"),
        Line2D([], [], color=INK, linewidth=1.2, label=f"order under {level_words(level)} certain"),
    ]
    return make_key(handles, size)


def _look(fill: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "o",
        "markersize": 3.8,
        "markerfacecolor": fill,
        "markeredgecolor": PLUM,
        "markeredgewidth": 1.0,
    }


def _limits(axes: Axes, placed: pd.DataFrame) -> None:
    """Give axes a log scale of ratios to all cards, marked as leads."""
    ends = 1 + placed[["over_field_lower", "over_field_upper"]].to_numpy(dtype=float)
    pad = max(float(ends.max() / ends.min()), 1.05) ** 0.05
    low, high = float(ends.min()) / pad, float(ends.max()) * pad
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.xaxis.set_major_locator(FixedLocator(_ticks(low, high, axes.bbox.width / axes.figure.dpi)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: _percent(x)))
    axes.axvline(1, color=QUIET, linewidth=1, zorder=1)


def _ticks(low: float, high: float, inches: float) -> list[float]:
    """Give halves and doubles of 1, or for a short span steps of round shares."""
    most = max(int(inches / TICK), 2)
    octaves = range(math.ceil(math.log2(low)), math.floor(math.log2(high)) + 1)
    if len(octaves) >= 3:
        step = math.ceil(len(octaves) / most)
        return [2.0**n for n in octaves if n % step == 0]
    for share in (0.01, 0.02, 0.05, 0.1, 0.2, 0.25):
        steps = range(math.ceil((low - 1) / share), math.floor((high - 1) / share) + 1)
        if len(steps) <= most:
            return [round(1 + n * share, 6) for n in steps]
    return [2.0**n for n in octaves]


def _percent(ratio: float) -> str:
    return "0" if ratio == 1 else f"{round(100 * (ratio - 1), 6):+.10g}%".replace("-", "−")


def _panel(axes: Axes, resolution: str, cards: pd.DataFrame, level: float, longest: int) -> None:
    axes.set_ylim(len(cards) - 0.4, -0.6)
    names = [f"{short_name(one.card, longest)}  {one.place}" for one in rows_of(cards)]
    axes.set_yticks(range(len(names)), names, fontsize=8.5)
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(resolution, (0, 1), (0, 6), fontweight="bold", fontsize=11, **above)
    for row, card in enumerate(rows_of(cards)):
        ends = [1 + card.over_field_lower, 1 + card.over_field_upper]
        fill = PLUM if 2 * card.measured >= card.charts else PAPER
        axes.barh(row, ends[1] - ends[0], left=ends[0], height=0.66, color=TINT, linewidth=0)
        axes.plot([1 + card.over_field], [row], zorder=3, **_look(fill))
        axes.text(
            1.0 + 0.5 / (axes.bbox.width / axes.figure.dpi),
            row,
            rate_words(card.rate_mean),
            transform=axes.get_yaxis_transform(),
            color=QUIET,
            fontsize=8.5,
            ha="right",
            va="center",
        )
    _brackets(axes, cards["p_ahead_of_next"].to_numpy(dtype=float)[:-1] < level)


def _brackets(axes: Axes, unsure: np.ndarray[Any, np.dtype[np.bool_]]) -> None:
    """Draw a bracket beside cards whose order with the next one is not certain."""
    starts = np.flatnonzero(unsure & ~np.append(False, unsure[:-1]))
    ends = np.flatnonzero(unsure & ~np.append(unsure[1:], False)) + 1
    wide = axes.bbox.width / axes.figure.dpi
    outer, inner = 1 + 0.1 / wide, 1 + 0.06 / wide
    for first, last in zip(starts, ends, strict=True):
        low, high = first - 0.2, last + 0.2
        axes.plot(
            [inner, outer, outer, inner],
            [low, low, high, high],
            color=INK,
            linewidth=1.2,
            transform=axes.get_yaxis_transform(),
            clip_on=False,
        )


def _small_print(panels: list[pd.DataFrame], gone: int) -> str:
    counts = sorted({int(panel["charts"].iloc[0]) for panel in panels})
    charts = count_words(counts[-1], "chart")
    charts = charts if len(counts) == 1 else f"{counts[0]} to {charts}"
    words = f"At the right: geometric mean rate in frames per second over the same {charts}."
    return f"{words} {count_words(gone, 'slower card')} not drawn." if gone else words
