"""What cards give for their power: rate against watts."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power_cards import MEASURED
from scalemodel.views.figures.layout import FigureError, Key, headline, make_key, new_figure
from scalemodel.views.figures.plane import (
    Dot,
    Line,
    draw_dots,
    equal_lines,
    equal_sign,
    height,
    plane,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, PAPER, PLUM, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import CAUTION, efficiency_words, level_words

STEPS = 60


def power_figure(
    cards: pd.DataFrame,
    limits: pd.DataFrame,
    curves: pd.DataFrame,
    level: float,
    size: Size = PAGE,
) -> Figure:
    """Draw rate against power over all charts of one platform, with lines of equal efficiency.

    Args:
        cards: the columns of ``power``, one platform.
        limits: its rows of power limits.
        curves: its curves of rate over power.
        level: of the ranges.
        size: of the figure; for want of room some points have no name.

    Raises:
        FigureError: no card can be placed, or there are several platforms.
    """
    if cards["platform"].nunique() > 1:
        raise FigureError("A figure of power shows one platform.")
    placed = cards[(cards["resolution"] == ALL) & cards["position"].notna()]
    if placed.empty:
        raise FigureError("No card has a power and a chart that compares it; nothing to draw.")
    at = placed.set_index("card")
    limits = limits[(limits["reason"] == "") & limits["card"].isin(set(at.index))]
    limited = [_limited(row, at) for row in rows_of(limits)]
    predicted = placed["basis"] != MEASURED
    named = pd.concat([placed[predicted], placed[~predicted]])
    dots = [*(_dot(row) for row in rows_of(named)), *limited]
    head = headline(_title(placed), _lines(placed, level), size)
    signs = _key(placed, limits, size)
    with house_style():
        figure = new_figure(height(head, signs, len(dots), size), head, size)
        signs.draw(figure, head.height)
        axes = plane(figure, head.height + signs.height, size, dots)
        equal_lines(axes, [dot.y / dot.x for dot in dots])
        draw_dots(axes, dots, _curves(axes, at, curves))
        axes.set_xlabel("board power, W", loc="right")
        axes.set_ylabel("rate, frames per second", loc="bottom")
    return figure


def _title(placed: pd.DataFrame) -> str:
    measured = placed[placed["basis"] == MEASURED]
    first = (measured if len(measured) else placed).iloc[0]
    frames = efficiency_words(first["frames_per_joule"])
    return f"{first['card']} gives the most for its power: {frames} frames per joule"


def _lines(placed: pd.DataFrame, level: float) -> list[str]:
    words = (
        f"Platform: {placed['platform'].iloc[0]}. Means over the charts that compare cards, gaps "
        "bridged by the others; results at the ceiling are left out. Crosses are "
        f"{level_words(level)} ranges if other games like these were tested."
    )
    predicted = (placed["basis"] != MEASURED).any()
    return [words, CAUTION] if predicted else [words]


def _key(placed: pd.DataFrame, limits: pd.DataFrame, size: Size) -> Key:
    handles = [Line2D([], [], label="measured", **_look(predicted=False))]
    if (placed["basis"] != MEASURED).any():
        handles.append(Line2D([], [], label="predicted from its sheet", **_look(predicted=True)))
    if len(limits):
        look = {"color": AMBER, "linewidth": 1.4, **_small(), "linestyle": "-"}
        handles.append(Line2D([], [], label="the same card at power limits", **look))
    return make_key([*handles, equal_sign("the same frames per joule")], size)


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
        "linestyle": "none",
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


def _limited(row: Any, at: pd.DataFrame) -> Dot:
    """Place a card at a power limit, seen from where it is at its own."""
    power, rate = at.loc[row.card, ["power_w", "rate"]].to_numpy(dtype=float)
    x = power * row.power_ratio
    span = (rate * row.lower, rate * row.upper)
    name = f"{row.power_limit_w:g} W"
    return Dot(x, rate * row.rate_ratio, (x, x), span, name, _small(), quiet=True)


def _curves(axes: Axes, at: pd.DataFrame, curves: pd.DataFrame) -> list[Line]:
    """Draw and return the curves of rate over power."""
    lines: list[Line] = []
    fitted = curves[curves["slope"].notna() & curves["card"].isin(set(at.index))]
    for row in rows_of(fitted):
        power, rate = at.loc[row.card, ["power_w", "rate"]].to_numpy(dtype=float)
        x = np.linspace(np.log(row.least_power_ratio), 0.0, STEPS)
        lines.append((power * np.exp(x), rate * np.exp(row.slope * x + row.bend * x**2)))
        axes.plot(*lines[-1], color=AMBER, linewidth=1.4, zorder=2.2)
    return lines
