"""What all figures share: a headline that says the answer, axes placed in inches, rate axes."""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from scalemodel.errors import ScalemodelError
from scalemodel.views.style import QUIET, WIDTH_INCHES
from scalemodel.views.words import rate_words

MARGIN = 0.3
"""Inches of paper around everything."""

TALLEST = 600.0
"""Inches beyond which a figure cannot be drawn as pixels."""

_TITLE_POINTS, _LINE_POINTS = 14.0, 10.0
_TITLE_WRAP, _LINE_WRAP = 98, 150
_STEPS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)


class FigureError(ScalemodelError):
    """The tables hold nothing to draw, or more than fits a picture."""


@dataclass(frozen=True)
class Headline:
    """A title that says the answer and the small lines under it, wrapped to the width."""

    title: tuple[str, ...]
    lines: tuple[str, ...]

    @property
    def height(self) -> float:
        """Inches from the upper edge to the end of the text."""
        text = len(self.title) * _TITLE_POINTS * 1.3 + len(self.lines) * _LINE_POINTS * 1.5
        return MARGIN + text / 72


def headline(title: str, lines: Sequence[str]) -> Headline:
    """Wrap a title and lines."""
    wrapped = tuple(part for line in lines for part in textwrap.wrap(line, _LINE_WRAP))
    return Headline(tuple(textwrap.wrap(title, _TITLE_WRAP)), wrapped)


def new_figure(height: float, head: Headline) -> Figure:
    """Start a figure of a height in inches with its headline.

    Raises:
        FigureError: it would be too tall.
    """
    if height > TALLEST:
        raise FigureError(
            f"The figure would be {height:,.0f} inches tall; at most {TALLEST:,.0f} can be drawn. "
            "Fix: draw fewer platforms or games."
        )
    figure = Figure(figsize=(WIDTH_INCHES, height))
    x, down = MARGIN / WIDTH_INCHES, MARGIN
    for text in head.title:
        y = 1 - down / height
        figure.text(x, y, text, fontsize=_TITLE_POINTS, fontweight="bold", va="top")
        down += _TITLE_POINTS * 1.3 / 72
    for text in head.lines:
        y = 1 - (down + 0.04) / height
        figure.text(x, y, text, fontsize=_LINE_POINTS, color=QUIET, va="top")
        down += _LINE_POINTS * 1.5 / 72
    return figure


def place(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes at a place given in inches from the upper left corner."""
    total = figure.get_figheight()
    bottom = total - top - height
    box = (left / WIDTH_INCHES, bottom / total, width / WIDTH_INCHES, height / total)
    return figure.add_axes(box)


def rate_axis(axes: Axes, low: float, high: float, *, room: float, ticks: int) -> None:
    """Make the x axis one of rates on a log scale, with round numbers as ticks.

    Args:
        axes: to be changed.
        low: smallest rate drawn, above 0.
        high: largest rate drawn.
        room: share of the width left free at each end.
        ticks: at most this many.
    """
    span = max(math.log(high / low), 0.1)
    pad = span * room / (1 - 2 * room)
    first, last = low * math.exp(-pad), high * math.exp(pad)
    axes.set_xscale("log")
    axes.set_xlim(first, last)
    values = round_rates(first, last, ticks)
    axes.xaxis.set_major_locator(FixedLocator(values))
    axes.xaxis.set_major_formatter(FixedFormatter([_tick_words(value) for value in values]))
    axes.xaxis.set_minor_locator(NullLocator())


def _tick_words(rate: float) -> str:
    return f"{rate:,.10g}" if rate >= 1 else rate_words(rate)


def round_rates(low: float, high: float, most: int) -> list[float]:
    """Give round rates from low to high, at most so many; thinned out evenly if need be."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    for steps in (_STEPS, (1.0, 2.0, 5.0), (1.0,)):
        values = [step * 10.0**n for n in decades for step in steps]
        inside = [value for value in values if low <= value <= high]
        if len(inside) <= most:
            break
    if len(inside) >= 2:
        return inside[:: math.ceil(len(inside) / most)]
    return _linear_rates(low, high, min(most, 3))


def _linear_rates(low: float, high: float, most: int) -> list[float]:
    """Give round rates for a span too short for the steps of a decade."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step *= next(m for m in (1, 2, 5, 10, 20) if (high - low) / (step * m) <= most)
    first = math.ceil(low / step)
    return [round(step * n, 6) for n in range(first, math.floor(high / step) + 1)]


def key_below(figure: Figure, handles: Sequence[Artist], down: float) -> None:
    """Place the key to the signs in one row, `down` inches from the top."""
    figure.legend(
        handles=list(handles),
        loc="upper left",
        bbox_to_anchor=(MARGIN / WIDTH_INCHES, 1 - (down + 0.06) / figure.get_figheight()),
        ncols=len(handles),
        borderpad=0,
        borderaxespad=0,
        handletextpad=0.5,
        columnspacing=1.5,
    )
