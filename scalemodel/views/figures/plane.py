"""Cards on a plane of two logarithmic axes: lines of equal quotient, points, names beside them."""

import math
import unicodedata
from collections.abc import Iterable, Sequence
from itertools import pairwise, product
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from scalemodel.model.arrays import FloatArray
from scalemodel.views.figures.layout import (
    MARGIN,
    Headline,
    Key,
    footnote,
    place,
    rate_axis,
    rate_tick_words,
    round_rates,
)
from scalemodel.views.sizes import Size
from scalemodel.views.style import CONTEXT, INK, LINE, QUIET
from scalemodel.views.words import count_words, short_name

ABOVE, LEFT, RIGHT, BELOW = 0.1, 0.75, 0.5, 0.62
"""Inches around the axes, for what is written at their edges."""

TALL, A_CARD, A_TICK = 6.4, 0.16, 0.3
"""Inches: height of the axes on a page, at least and for each card; of a tick, at least."""

POINTS = 72.0
NAME_SIZE, LETTER, NAME_TALL = 8.2, 0.62, 9.8
"""Points: size of the names and height of their boxes. Width of a letter as a share of the size."""

LONGEST = 22
"""Letters of a name beyond which its middle is cut out."""

LINES, AROUND = 8, 1.25
"""Lines of equal quotient at most, and by which factor they go beyond the points."""

DOT, CLEAR = 3.5, 9.0
"""Points around the middle of a dot that nothing may cover, and that names of others should keep
off, so that they are not taken for its own."""

PAD = 3.0
"""Points between two names in a row."""

APART = 5.0
"""Points along a line between two places that names keep off."""

FAR, LED_FROM, LED = (7.0, 13.0, 20.0, 30.0, 42.0, 60.0, 85.0), 20.0, 40.0
"""Points between a point and its name; from when on a line leads to it, and the square points of
lines that a name may rather cover than have that."""


Line = tuple[Sequence[float] | FloatArray, Sequence[float] | FloatArray]
"""Corners of a line: their x, their y."""

Box = tuple[float, float, float, float]
"""Left, lower, right and upper end in points."""


class Dot(NamedTuple):
    """A point with its ranges, its name, its look, and whether the name is small print."""

    x: float
    y: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    name: str
    look: dict[str, Any]
    quiet: bool = False


def height(head: Headline, signs: Key, cards: int, size: Size) -> float:
    """Give the inches of a figure of a plane with so many cards."""
    around = head.height + signs.height + ABOVE + BELOW
    return min(around + max(TALL, A_CARD * cards), size.tallest)


def plane(figure: Figure, down: float, size: Size, dots: Sequence[Dot]) -> Axes:
    """Add two logarithmic axes with round ticks, a little wider than points and their ranges.

    Args:
        figure: to be drawn on.
        down: inches from the top to where the key ends.
        size: of the figure.
        dots: the points.
    """
    tall = figure.get_figheight() - down - ABOVE - BELOW
    wide = size.width - 2 * MARGIN - LEFT - RIGHT
    axes = place(figure, MARGIN + LEFT, down + ABOVE, wide, tall)
    axes.grid(visible=False)
    xs = [end for dot in dots for end in dot.x_range]
    ys = [end for dot in dots for end in dot.y_range]
    rate_axis(axes, min(xs), max(xs), room=0.06, ticks=9)
    low, high = min(ys), max(ys)
    pad = max(math.log(high / low), 0.1) * 0.07
    axes.set_yscale("log")
    axes.set_ylim(low * math.exp(-pad), high * math.exp(pad))
    values = round_rates(*axes.get_ylim(), min(int(tall / A_TICK), 9))
    axes.yaxis.set_major_locator(FixedLocator(values))
    axes.yaxis.set_major_formatter(FixedFormatter([rate_tick_words(value) for value in values]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.tick_params(axis="y", labelcolor=QUIET)
    return axes


def equal_sign(words: str) -> Line2D:
    """Give the sign of lines of equal quotient for the key."""
    return Line2D([], [], color=CONTEXT, linewidth=1.0, label=words)


def equal_lines(axes: Axes, ratios: Iterable[float], scale: float = 1.0) -> None:
    """Draw lines along which y over x is the same, with the quotient where they leave the axes.

    Args:
        axes: as `plane` left them.
        ratios: quotients of what is drawn; the lines are round ones around these.
        scale: what a quotient is multiplied by before it is written.
    """
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    drawn = list(ratios)
    for number in round_rates(scale * min(drawn) / AROUND, scale * max(drawn) * AROUND, LINES):
        ratio, words = number / scale, f"{number:.4g}"
        ends = np.array([left, right])
        axes.plot(
            ends, ratio * ends, color=LINE, linewidth=1.0, zorder=0.5, scalex=False, scaley=False
        )
        at_top = high / ratio
        near: dict[str, Any] = {"fontsize": NAME_SIZE, "color": QUIET}
        near["textcoords"] = "offset points"
        if left < at_top < right:
            axes.annotate(words, (at_top, high), (0, 4), ha="center", **near)
        elif low < ratio * right < high:
            axes.annotate(words, (right, ratio * right), (5, 0), va="center", **near)


def draw_dots(axes: Axes, dots: Sequence[Dot], lines: Sequence[Line] = ()) -> None:
    """Draw points with their ranges, then their names where they cover least.

    Names for which there is no room are left out, the last ones first, and counted in small print.

    Args:
        axes: as `plane` left them.
        dots: the points; those that matter most first.
        lines: other lines that names should keep off.
    """
    ranges: list[Line] = []
    for dot in dots:
        ranges += [(dot.x_range, (dot.y, dot.y)), ((dot.x, dot.x), dot.y_range)]
        look = {"color": dot.look["markeredgecolor"], "linewidth": 1.2, "alpha": 0.75, "zorder": 2}
        for x, y in ranges[-2:]:
            axes.plot(x, y, **look)
        axes.plot([dot.x], [dot.y], zorder=3, **dot.look)
    nameless = _names(axes, dots, [*ranges, *lines])
    figure = axes.get_figure(root=True)
    if nameless and figure is not None:
        footnote(figure, f"For want of room {count_words(nameless, 'point')} without a name.")


def _names(axes: Axes, dots: Sequence[Dot], lines: Sequence[Line]) -> int:
    """Place each name at the spot around its point that covers the least; count those without."""
    at = _in_points(axes, [dot.x for dot in dots], [dot.y for dot in dots])
    corner = _in_points(axes, axes.get_xlim()[1:], axes.get_ylim()[1:])[0]
    taken = [_around(place, 1.5) for line in lines for place in _along(axes, line)]
    points = [_around(place, DOT) for place in at]
    names: list[Box] = []
    for k, (dot, middle) in enumerate(zip(dots, at, strict=True)):
        near = [_around(place, DOT if n == k else CLEAR) for n, place in enumerate(at)]
        closed = [*names, *points[:k], *points[k + 1 :]]
        name = short_name(dot.name, LONGEST)
        spots = [one for one in _spots(middle, _width(name)) if _inside(one.box, corner)]
        spot = _best(spots, closed, [*taken, *near])
        if spot is None:
            continue
        names.append(_padded(spot.box))
        taken += spot.led
        _write(axes, dot, name, spot, middle)
    return len(dots) - len(names)


class _Spot(NamedTuple):
    """Where a name may go: how far from its point, its box, and boxes along a line to there."""

    far: float
    box: Box
    led: list[Box]


def _spots(middle: FloatArray, wide: float) -> list[_Spot]:
    found = []
    for far, angle in product(FAR, range(0, 360, 15)):
        across, up = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        left = middle[0] - wide * (1 - across) / 2 + far * across
        low = middle[1] + far * up - NAME_TALL * (0.5 - 0.35 * up)
        box = (left, low, left + wide, low + NAME_TALL)
        led: list[Box] = []
        if far >= LED_FROM:
            end = np.clip(middle, box[:2], box[2:])
            led = [_around(place, 1.0) for place in _between(middle, end)[1:-1]]
        found.append(_Spot(far, box, led))
    return found


def _best(spots: Sequence[_Spot], closed: Sequence[Box], taken: Sequence[Box]) -> _Spot | None:
    """Choose the spot that covers the least of what is taken and nothing that is closed."""
    if not spots:
        return None
    boxes = [box for one in spots for box in (one.box, *one.led)]
    owners = np.repeat(np.arange(len(spots)), [1 + len(one.led) for one in spots])
    cost = np.array([2 * one.far + LED * bool(one.led) for one in spots])
    cost = cost + np.bincount(owners, _covered(boxes, taken), len(spots))
    cost[np.bincount(owners, _covered(boxes, closed), len(spots)) > 0] = np.inf
    return spots[int(cost.argmin())] if np.isfinite(cost).any() else None


def _write(axes: Axes, dot: Dot, name: str, spot: _Spot, middle: FloatArray) -> None:
    """Write a name at a spot, with a line that leads to its point if that is far."""
    ink = QUIET if dot.quiet else INK
    look: dict[str, Any] = {"fontsize": NAME_SIZE, "color": ink, "va": "bottom", "zorder": 4}
    offset = (spot.box[0] - middle[0], spot.box[1] - middle[1])
    axes.annotate(name, (dot.x, dot.y), offset, textcoords="offset points", **look)
    if spot.led:
        end = np.clip(middle, spot.box[:2], spot.box[2:]) - middle
        line = {"arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 4}
        axes.annotate(
            "", (dot.x, dot.y), (end[0], end[1]), textcoords="offset points", arrowprops=line
        )


def _width(name: str) -> float:
    """Give the points that a name takes across, rather too many than too few."""
    full = sum(unicodedata.east_asian_width(letter) in "WF" for letter in name)
    return NAME_SIZE * (LETTER * (len(name) - full) + 1.05 * full)


def _in_points(
    axes: Axes, xs: Sequence[float] | FloatArray, ys: Sequence[float] | FloatArray
) -> FloatArray:
    """Return (places, 2) in points from the lower left corner of the axes."""
    box = axes.get_position()
    figure = axes.get_figure(root=True)
    assert figure is not None
    size = np.array([box.width, box.height]) * figure.get_size_inches() * POINTS
    lows, highs = np.log(np.array([axes.get_xlim(), axes.get_ylim()])).T
    places = np.log(np.column_stack([xs, ys]))
    return np.asarray((places - lows) / (highs - lows) * size)


def _along(axes: Axes, line: Line) -> FloatArray:
    """Return places APART along a line, (places, 2) in points."""
    corners = _in_points(axes, *line)
    return np.concatenate([_between(first, last) for first, last in pairwise(corners)])


def _between(first: FloatArray, last: FloatArray) -> FloatArray:
    steps = max(int(np.hypot(*(last - first)) / APART), 1)
    return np.linspace(first, last, steps + 1)


def _around(place: FloatArray, reach: float) -> Box:
    return (place[0] - reach, place[1] - reach, place[0] + reach, place[1] + reach)


def _padded(box: Box) -> Box:
    return (box[0] - PAD, box[1] - 0.5, box[2] + PAD, box[3] + 0.5)


def _inside(box: Box, corner: FloatArray) -> bool:
    return bool(box[0] >= 0 and box[1] >= 0 and box[2] <= corner[0] and box[3] <= corner[1])


def _covered(boxes: Sequence[Box], taken: Sequence[Box]) -> FloatArray:
    """Return the area of each box that others take."""
    mine, there = np.array(boxes).reshape(-1, 1, 4), np.array(taken).reshape(-1, 4)
    wide = np.minimum(mine[..., 2], there[:, 2]) - np.maximum(mine[..., 0], there[:, 0])
    tall = np.minimum(mine[..., 3], there[:, 3]) - np.maximum(mine[..., 1], there[:, 1])
    return np.asarray((np.maximum(wide, 0.0) * np.maximum(tall, 0.0)).sum(axis=1))
