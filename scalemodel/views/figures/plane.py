"""Cards on a plane of two logarithmic axes: lines of equal quotient, points, names beside them."""

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from scalemodel.model.arrays import FloatArray
from scalemodel.views.figures.layout import rate_axis, round_rates
from scalemodel.views.style import INK, LINE, QUIET, WIDTH_INCHES
from scalemodel.views.words import shortened

POINTS = 72.0
NAME_SIZE, LETTER = 8.2, 0.56
"""Size of the names in points; width of a letter as a share of that."""

LONGEST = 22
"""Letters of a name beyond which it is cut."""

LINES, AROUND = 8, 1.25
"""Lines of equal quotient at most, and by which factor they go beyond the points."""

CLEAR = 9.0
"""Points that a name keeps from the points of others, so that it is not taken for theirs."""

PAD = 3.0
"""Points between two names in a row."""

APART = 5.0
"""Points along a line between two places that names keep off."""


Line = tuple[Sequence[float] | FloatArray, Sequence[float] | FloatArray]
"""Corners of a line: their x, their y."""


class Dot(NamedTuple):
    """A point with its ranges, its name, and its look."""

    x: float
    y: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    name: str
    look: dict[str, Any]


def plane(axes: Axes, xs: Sequence[float], ys: Sequence[float]) -> None:
    """Make both axes logarithmic with round ticks, a little wider than what is drawn."""
    axes.grid(visible=False)
    rate_axis(axes, min(xs), max(xs), room=0.06, ticks=9)
    low, high = min(ys), max(ys)
    pad = max(math.log(high / low), 0.1) * 0.07
    axes.set_yscale("log")
    axes.set_ylim(low * math.exp(-pad), high * math.exp(pad))
    values = round_rates(*axes.get_ylim(), 9)
    axes.yaxis.set_major_locator(FixedLocator(values))
    axes.yaxis.set_major_formatter(FixedFormatter([f"{value:,.10g}" for value in values]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.tick_params(axis="y", labelcolor=QUIET)


def equal_lines(axes: Axes, ratios: Iterable[float], unit: str, scale: float = 1.0) -> None:
    """Draw lines along which y over x is the same, each named where it leaves the axes.

    Args:
        axes: as `plane` left them.
        ratios: quotients of what is drawn; the lines are round ones around these.
        unit: of the quotients, written beside the largest one.
        scale: what a quotient is multiplied by before it is written.
    """
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    drawn = list(ratios)
    written = round_rates(scale * min(drawn) / AROUND, scale * max(drawn) * AROUND, LINES)
    for number in written:
        ratio, words = number / scale, f"{number:.4g}"
        if number == written[-1]:
            words += f" {unit}"
        ends = np.array([left, right])
        axes.plot(
            ends, ratio * ends, color=LINE, linewidth=1.0, zorder=0.5, scalex=False, scaley=False
        )
        at_top = high / ratio
        near: dict[str, Any] = {"fontsize": 8, "color": QUIET, "textcoords": "offset points"}
        if left < at_top < right:
            axes.annotate(words, (at_top, high), (-4, 4), **near)
        elif low < ratio * right < high:
            axes.annotate(words, (right, ratio * right), (5, 0), va="center", **near)


def draw_dots(axes: Axes, dots: Sequence[Dot], lines: Sequence[Line] = ()) -> None:
    """Draw points with their ranges, then their names where they cover least.

    Args:
        axes: as `plane` left them.
        dots: the points.
        lines: other lines that names should keep off.
    """
    ranges: list[Line] = []
    for dot in dots:
        ranges += [(dot.x_range, (dot.y, dot.y)), ((dot.x, dot.x), dot.y_range)]
        look = {"color": dot.look["markeredgecolor"], "linewidth": 1.2, "alpha": 0.75, "zorder": 2}
        for x, y in ranges[-2:]:
            axes.plot(x, y, **look)
        axes.plot([dot.x], [dot.y], zorder=3, **dot.look)
    _names(axes, dots, [*ranges, *lines])


def _names(axes: Axes, dots: Sequence[Dot], lines: Sequence[Line]) -> None:
    """Place each name at the spot around its point that covers the least of what is there."""
    at = _in_points(axes, [dot.x for dot in dots], [dot.y for dot in dots])
    taken = [_around(place, 1.5) for line in lines for place in _along(axes, line)]
    for k, (dot, (x, y)) in enumerate(zip(dots, at, strict=True)):
        near = [_around(place, 4.0 if n == k else CLEAR) for n, place in enumerate(at)]
        name = shortened(dot.name, LONGEST)
        wide = LETTER * NAME_SIZE * len(name)
        spots = [
            _spot(angle, far, wide) for far in (7.0, 13.0, 20.0) for angle in range(0, 360, 45)
        ]
        boxes = [(x + dx, y + dy, x + dx + wide, y + dy + NAME_SIZE) for dx, dy in spots]
        cost = [_covered(box, [*taken, *near]) + 0.4 * n for n, box in enumerate(boxes)]
        best = int(np.argmin(cost))
        taken.append(_padded(boxes[best]))
        look: dict[str, Any] = {"fontsize": NAME_SIZE, "color": INK, "va": "bottom", "zorder": 4}
        axes.annotate(name, (dot.x, dot.y), spots[best], textcoords="offset points", **look)


def _in_points(
    axes: Axes, xs: Sequence[float] | FloatArray, ys: Sequence[float] | FloatArray
) -> FloatArray:
    """Return (places, 2) in points from the lower left corner of the axes."""
    box = axes.get_position()
    figure = axes.get_figure(root=True)
    assert figure is not None
    size = np.array([box.width * WIDTH_INCHES, box.height * figure.get_figheight()]) * POINTS
    lows, highs = np.log(np.array([axes.get_xlim(), axes.get_ylim()])).T
    places = np.log(np.column_stack([xs, ys]))
    return np.asarray((places - lows) / (highs - lows) * size)


def _along(axes: Axes, line: Line) -> FloatArray:
    """Return places APART along a line, (places, 2) in points."""
    corners = _in_points(axes, *line)
    parts = []
    for first, last in pairwise(corners):
        steps = max(int(np.hypot(*(last - first)) / APART), 1)
        parts.append(np.linspace(first, last, steps + 1))
    return np.concatenate(parts)


def _around(place: FloatArray, reach: float) -> tuple[float, float, float, float]:
    return (place[0] - reach, place[1] - reach, place[0] + reach, place[1] + reach)


def _padded(box: tuple[float, ...]) -> tuple[float, float, float, float]:
    return (box[0] - PAD, box[1] - 0.5, box[2] + PAD, box[3] + 0.5)


def _spot(angle: int, far: float, wide: float) -> tuple[float, float]:
    """Return where the lower left corner of a name goes, seen from its point."""
    across, up = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    left = -wide * (1 - across) / 2
    return left + far * across, far * up - NAME_SIZE * (0.5 - 0.35 * up)


def _covered(box: tuple[float, ...], taken: Sequence[tuple[float, ...]]) -> float:
    """Return the area of a box that others take."""
    there = np.array(taken)
    wide = np.minimum(box[2], there[:, 2]) - np.maximum(box[0], there[:, 0])
    tall = np.minimum(box[3], there[:, 3]) - np.maximum(box[1], there[:, 1])
    return float((np.maximum(wide, 0.0) * np.maximum(tall, 0.0)).sum())
