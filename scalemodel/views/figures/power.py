"""What cards give for their power: rate against watts."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power_cards import MEASURED
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    headline,
    key_below,
    new_figure,
    place,
)
from scalemodel.views.figures.plane import Dot, Line, draw_dots, equal_lines, plane
from scalemodel.views.style import AMBER, PAPER, PLUM, QUIET, WIDTH_INCHES, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import CAUTION, efficiency_words, level_words

TALL, LEFT, RIGHT, BELOW = 6.4, 0.75, 1.05, 0.75  # inches: axes, and around them
STEPS = 60


def power_figure(
    cards: pd.DataFrame,
    limits: pd.DataFrame,
    curves: pd.DataFrame,
    level: float,
) -> Figure:
    """Draw rate against power over all charts of one platform, with lines of equal efficiency.

    Args:
        cards: the columns of ``power``, one platform.
        limits: its rows of power limits.
        curves: its curves of rate over power.
        level: of the ranges.

    Raises:
        FigureError: no card can be placed, or there are several platforms.
    """
    if cards["platform"].nunique() > 1:
        raise FigureError("A figure of power shows one platform.")
    placed = cards[(cards["resolution"] == ALL) & cards["position"].notna()]
    if placed.empty:
        raise FigureError("No card has a power and a chart that compares it; nothing to draw.")
    limits = limits[(limits["reason"] == "") & limits["card"].isin(set(placed["card"]))]
    at = placed.set_index("card")
    drawn = [
        (at.at[row.card, "power_w"] * row.power_ratio, at.at[row.card, "rate"] * row.rate_ratio)
        for row in rows_of(limits)
    ]
    head = headline(_title(placed), _lines(placed, level))
    top = head.height + 0.75
    with house_style():
        figure = new_figure(top + TALL + BELOW, head)
        _legend(figure, head.height, placed, limits)
        wide = WIDTH_INCHES - 2 * MARGIN - LEFT - RIGHT
        axes = place(figure, MARGIN + LEFT, top, wide, TALL)
        ends = [placed[n] for n in ("power_lower", "power_upper", "rate_lower", "rate_upper")]
        plane(
            axes,
            [*ends[0], *ends[1], *(x for x, _ in drawn)],
            [*ends[2], *ends[3], *(y for _, y in drawn)],
        )
        ratios = [*placed["frames_per_joule"], *(y / x for x, y in drawn)]
        equal_lines(axes, ratios, "frames per joule")
        lines = _limited(axes, at, limits, curves)
        draw_dots(axes, [_dot(row) for row in rows_of(placed)], lines)
        axes.set_xlabel("board power, W", loc="left")
        axes.set_ylabel("rate, frames per second", loc="bottom")
    return figure


def _title(placed: pd.DataFrame) -> str:
    measured = placed[placed["basis"] == MEASURED]
    first = (measured if len(measured) else placed).iloc[0]
    frames = efficiency_words(first["frames_per_joule"])
    return f"{first['card']} gives the most for its power: {frames} frames per joule"


def _lines(placed: pd.DataFrame, level: float) -> list[str]:
    words = (
        f"Platform: {placed['platform'].iloc[0]}. Means over the charts that compare cards, as if "
        "each card had been tested on all of them; results at the ceiling are left out. Crosses "
        f"are {level_words(level)} ranges if other games like these were tested."
    )
    predicted = (placed["basis"] != MEASURED).any()
    return [words, CAUTION] if predicted else [words]


def _legend(figure: Figure, down: float, placed: pd.DataFrame, limits: pd.DataFrame) -> None:
    handles = [Line2D([], [], label="measured", **_look(predicted=False))]
    if (placed["basis"] != MEASURED).any():
        handles.append(Line2D([], [], label="predicted from its sheet", **_look(predicted=True)))
    if len(limits):
        look = {"color": AMBER, "linewidth": 1.4, **_small()}
        handles.append(Line2D([], [], label="the same card at power limits", **look))
    key_below(figure, handles, down)


def _look(*, predicted: bool) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "D" if predicted else "o",
        "markersize": 5.8,
        "markerfacecolor": PAPER if predicted else PLUM,
        "markeredgecolor": PLUM,
        "markeredgewidth": 1.3,
    }


def _small() -> dict[str, Any]:
    return {
        "marker": "o",
        "markersize": 4.6,
        "markerfacecolor": PAPER,
        "markeredgecolor": AMBER,
        "markeredgewidth": 1.2,
    }


def _dot(row: Any) -> Dot:
    return Dot(
        row.power_w,
        row.rate,
        (row.power_lower, row.power_upper),
        (row.rate_lower, row.rate_upper),
        row.card,
        _look(predicted=row.basis != MEASURED),
    )


def _limited(
    axes: Axes, at: pd.DataFrame, limits: pd.DataFrame, curves: pd.DataFrame
) -> list[Line]:
    """Draw the results at power limits with their ranges, and the curves; return all lines."""
    lines: list[Line] = []
    for row in rows_of(limits):
        power, rate = at.loc[row.card, ["power_w", "rate"]].to_numpy(dtype=float)
        x, high = power * row.power_ratio, rate * row.upper
        axes.plot((x, x), (rate * row.lower, high), color=AMBER, linewidth=1.2, zorder=2.4)
        axes.plot([x], [rate * row.rate_ratio], linestyle="none", zorder=2.6, **_small())
        near: dict[str, Any] = {"textcoords": "offset points", "fontsize": 7.2, "color": QUIET}
        axes.annotate(f"{row.power_limit_w:g} W", (x, high), (0, 4), ha="center", **near)
        lines.append(((x / 1.02, x * 1.02), (high * 1.02, high * 1.02)))  # what is written there
    fitted = curves[curves["slope"].notna() & curves["card"].isin(set(at.index))]
    for row in rows_of(fitted):
        power, rate = at.loc[row.card, ["power_w", "rate"]].to_numpy(dtype=float)
        x = np.linspace(np.log(row.least_power_ratio), 0.0, STEPS)
        lines.append((power * np.exp(x), rate * np.exp(row.slope * x + row.bend * x**2)))
        axes.plot(*lines[-1], color=AMBER, linewidth=1.4, zorder=2.2)
    return lines
