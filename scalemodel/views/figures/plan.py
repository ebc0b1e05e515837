"""How the range of what is asked shrinks as the runs of a plan are made."""

import math
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.answers.levels import width_words
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    across,
    headline,
    new_figure,
    place,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    AMBER,
    CONTEXT,
    INK,
    PLUM,
    QUIET,
    TINT,
    house_style,
)
from scalemodel.views.words import EXPECTED, count_words, level_words, shortened

LEFT, RIGHT, TALL, LANE, LETTER = 0.6, 2.3, 3.2, 0.22, 0.073  # inches on a page
ABOVE, BETWEEN = 0.35, 0.55  # inches: above the curve, between it and the cards
LONGEST_NAME, MOST_NAMES = 26, 48


def plan_figure(
    table: pd.DataFrame, targets: pd.DataFrame, level: float, size: Size = PAGE
) -> Figure:
    """Draw the range after each cell of the plan over the hours, with the limit and the cards.

    Args:
        table: the columns of ``plan``, in the order to run.
        targets: target, range_now, range_after, range_limit.
        level: of the ranges.
        size: of the figure.

    Raises:
        FigureError: there is no run in the plan.
    """
    if table.empty:
        raise FigureError("The plan holds no run; there is nothing to draw.")
    known = targets.dropna(subset="range_now")
    head = headline(_title(table, known), _lines(table, known, level), size)
    wide = size.width - 2 * MARGIN - LEFT - across(size, RIGHT)
    names = _names(table)
    taken = head.height + ABOVE + BETWEEN + LANE + 0.2 + LETTER * max(map(len, names))
    tall = min(TALL, size.tallest - taken)
    with house_style():
        figure = new_figure(taken + tall, head, size)
        axes = place(figure, MARGIN + LEFT, head.height + ABOVE, wide, tall)
        _curve(axes, table, known)
        down = head.height + ABOVE + tall + BETWEEN - 0.05
        lane = place(figure, MARGIN + LEFT, down, wide, LANE)
        lane.set_xlim(axes.get_xlim())
        _cards(lane, table, names, least=0.17 / wide)
    return figure


def _title(table: pd.DataFrame, known: pd.DataFrame) -> str:
    hours = float(table["hours_end"].iloc[-1])
    now, after = (width_words(float(known[f"range_{when}"].mean())) for when in ("now", "after"))
    name = str(known["target"].iloc[0]) if len(known) == 1 else count_words(len(known), "question")
    kind = "range" if len(known) == 1 else "mean range"
    return f"{name[0].upper()}{name[1:]}: {kind} from {now} to {after} in {hours:.1f} hours"


def _lines(table: pd.DataFrame, known: pd.DataFrame, level: float) -> list[str]:
    runs = count_words(int(table["runs"].sum()), "run")
    several = "mean of the questions' " if len(known) > 1 else ""
    line = f"{runs} on {count_words(len(table), 'cell')}. Line: {several}{level_words(level)} range"
    return [f"{line}, upper end over lower end, less 1. {EXPECTED}"]


def _curve(axes: Axes, table: pd.DataFrame, known: pd.DataFrame) -> None:
    now, limit = (float(known[f"range_{when}"].mean()) for when in ("now", "limit"))
    hours = [0.0, *table["hours_end"]]
    widths = [now, *table["range_after"]]
    axes.set_xlim(0, hours[-1])
    axes.set_ylim(0, 1.08 * now)
    axes.grid(visible=True, axis="y")
    axes.grid(visible=False, axis="x")
    axes.step(hours, widths, where="post", color=PLUM, linewidth=2, zorder=3)
    axes.plot(hours[1:], widths[1:], "o", color=PLUM, markersize=3.5, zorder=4, clip_on=False)
    axes.axhline(limit, color=AMBER, linewidth=1.5, linestyle=(0, (4, 3)), zorder=2, clip_on=False)
    beside: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "fontsize": 9.5}
    close = abs(widths[-1] - limit) < 0.1 * now
    axes.text(
        1.012, widths[-1], f"after the plan {width_words(widths[-1])}", color=PLUM,
        va="bottom" if close else "center", **beside
    )  # fmt: skip
    words = f"tests without end {width_words(limit)}"
    axes.text(1.012, limit, words, color=AMBER, va="top" if close else "center", **beside)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{100 * y:.10g}%"))
    axes.tick_params(axis="y", labelcolor=QUIET)
    axes.tick_params(axis="x", pad=7)
    axes.set_xlabel("hours", loc="right", labelpad=1)


def _names(table: pd.DataFrame) -> list[str]:
    """Name the cards in the order in which they are installed, with platforms if several."""
    several = table["platform"].nunique() > 1
    setups = table[["card", "platform"]].drop_duplicates().itertuples(index=False, name=None)
    return [
        shortened(f"{card}, {platform}" if several else str(card), LONGEST_NAME)
        for card, platform in setups
    ]


def _cards(lane: Axes, table: pd.DataFrame, names: list[str], least: float) -> None:
    """Draw when each card is installed, in turn in two shades, with its name below.

    Names are at least a share of the width apart.
    """
    lane.set_ylim(0, 1)
    lane.set_axis_off()
    start, last = 0.0, -math.inf
    least *= table["hours_end"].iloc[-1]
    ends = table.groupby(["card", "platform"], sort=False)["hours_end"].max()
    for n, (name, end) in enumerate(zip(names, ends, strict=True)):
        lane.axvspan(start, end, facecolor=(TINT, CONTEXT)[n % 2], linewidth=0)
        at = max((start + end) / 2, last + least)
        if len(names) <= MOST_NAMES:
            lane.text(at, -0.25, name, rotation=90, color=INK, fontsize=8.5, ha="center", va="top")
        start, last = end, at
    minutes = float(table["install_minutes"].iloc[0])
    words = f"{len(names)} cards, {minutes:.10g} min to install"
    lane.text(1.012, 0.5, words, transform=lane.transAxes, color=QUIET, fontsize=9, va="center")
