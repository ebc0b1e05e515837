"""What cards give for their prices: rate against price."""

from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.value_rows import BEATEN, EFFICIENT, OPEN, PER
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
from scalemodel.views.style import AMBER, CONTEXT, PAPER, PLUM, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import CAUTION, PRICE_CAUTION, level_words, probability_words

FILLS = {EFFICIENT: PLUM, OPEN: TINT, BEATEN: PAPER}
WORDS = {
    EFFICIENT: "no card is faster and not dearer",
    OPEN: "too close to call",
    BEATEN: "another is faster and not dearer",
}


def value_figure(table: pd.DataFrame, tolerance: float, level: float, size: Size = PAGE) -> Figure:
    """Draw rate against price over all charts of one platform, with the efficient set as steps.

    Args:
        table: the columns of ``value``, one platform.
        tolerance: share by which prices may be off.
        level: of the ranges.
        size: of the figure; for want of room some points have no name.

    Raises:
        FigureError: no card can be placed, or there are several platforms.
    """
    if table["platform"].nunique() > 1:
        raise FigureError("A figure of value shows one platform.")
    placed = table[(table["resolution"] == ALL) & table["position"].notna()]
    if placed.empty:
        raise FigureError("No card has a price and a chart that compares it; nothing to draw.")
    head = headline(_title(placed), _lines(placed, tolerance, level), size)
    signs = _key(placed, size)
    dots = [_dot(row, tolerance) for row in rows_of(_named_first(placed))]
    currency = str(placed["currency"].iloc[0])
    with house_style():
        figure = new_figure(height(head, signs, len(placed), size), head, size)
        signs.draw(figure, head.height)
        axes = plane(figure, head.height + signs.height, size, dots)
        equal_lines(axes, [dot.y / dot.x for dot in dots], PER)
        draw_dots(axes, dots, [_steps(axes, placed)])
        axes.set_xlabel(f"price, {currency}" if currency else "price", loc="right")
        axes.set_ylabel("rate, frames per second", loc="bottom")
    return figure


def _named_first(placed: pd.DataFrame) -> pd.DataFrame:
    """Put the predicted cards first and those that others beat last."""
    beaten = (placed["state"] == BEATEN) & (placed["basis"] == MEASURED)
    return pd.concat([placed[~beaten], placed[beaten]])


def _unit(placed: pd.DataFrame) -> str:
    return f"{PER:g} {placed['currency'].iloc[0]}".rstrip()


def _title(placed: pd.DataFrame) -> str:
    first = placed.iloc[0]
    rate = f"{first['rate_per_100']:.1f} fps for {_unit(placed)}"
    return f"{first['card']} gives the most rate for its money: {rate}"


def _lines(placed: pd.DataFrame, tolerance: float, level: float) -> list[str]:
    first = placed.iloc[0]
    words = (
        f"Platform: {first['platform']}. Means over the charts that compare cards; results at the "
        f"ceiling are left out. Upright lines are {level_words(level)} ranges of the rate, level "
        f"ones prices give or take {level_words(tolerance)}. It is the best with probability "
        f"{probability_words(first['p_best_value'])}."
    )
    predicted = (placed["basis"] != MEASURED).any()
    return [words, f"{PRICE_CAUTION} {CAUTION}" if predicted else PRICE_CAUTION]


def _key(placed: pd.DataFrame, size: Size) -> Key:
    handles = [
        Line2D([], [], label=WORDS[state], **_look(state, predicted=False))
        for state in FILLS
        if (placed["state"] == state).any()
    ]
    if (placed["basis"] != MEASURED).any():
        handles.append(Line2D([], [], label="predicted", **_look(BEATEN, predicted=True)))
    handles.append(Line2D([], [], color=AMBER, linewidth=1.4, label="most rate up to a price"))
    handles.append(equal_sign(f"the same fps for {_unit(placed)}"))
    return make_key(handles, size)


def _look(state: str, *, predicted: bool) -> dict[str, Any]:
    edge = CONTEXT if state == BEATEN and not predicted else PLUM
    return {
        "linestyle": "none",
        "marker": "D" if predicted else "o",
        "markersize": 5.8,
        "markerfacecolor": FILLS[state],
        "markeredgecolor": edge,
        "markeredgewidth": 1.3,
    }


def _dot(row: Any, tolerance: float) -> Dot:
    return Dot(
        row.price,
        row.rate,
        (row.price * (1 - tolerance), row.price * (1 + tolerance)),
        (row.rate_lower, row.rate_upper),
        row.card,
        _look(row.state, predicted=row.basis != MEASURED),
    )


def _steps(axes: Axes, placed: pd.DataFrame) -> Line:
    """Draw and return the most rate that up to each price can be had."""
    ordered = placed.sort_values(["price", "rate"], ascending=[True, False], kind="stable")
    chosen = ordered[~ordered["rate"].cummax().duplicated()]
    xs, ys = [float(chosen["price"].iloc[0])], [float(chosen["rate"].iloc[0])]
    for row in rows_of(chosen.iloc[1:]):
        xs += [row.price, row.price]
        ys += [ys[-1], row.rate]
    xs.append(axes.get_xlim()[1])
    ys.append(ys[-1])
    axes.plot(xs, ys, color=AMBER, linewidth=1.4, alpha=0.8, zorder=1.5)
    return xs, ys
