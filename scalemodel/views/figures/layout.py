"""What all figures share: a headline that says the answer, axes placed in inches, rate axes."""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from scalemodel.errors import ScalemodelError
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import PAPER, QUIET
from scalemodel.views.words import rate_words

MARGIN = 0.3
"""Inches of paper around everything."""

_TITLE_POINTS, _LINE_POINTS = 14.0, 10.0
_TITLE_WRAP, _LINE_WRAP = 98, 150  # letters on a page
_KEY_ROW, _KEY_LETTER, _KEY_SIGN = 0.19, 0.083, 0.55  # inches
_FOOTNOTE = 0.24
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


def headline(title: str, lines: Sequence[str], size: Size = PAGE) -> Headline:
    """Wrap a title and lines to the width of a figure."""
    small = letters(size, _LINE_WRAP)
    wrapped = tuple(part for line in lines for part in textwrap.wrap(line, small))
    return Headline(tuple(textwrap.wrap(title, letters(size, _TITLE_WRAP))), wrapped)


def new_figure(height: float, head: Headline, size: Size = PAGE) -> Figure:
    """Start a figure of a height in inches with its headline.

    Raises:
        FigureError: it would be too tall.
    """
    if height > size.tallest:
        raise FigureError(
            f"The figure would be {height:,.0f} inches tall; at most {size.tallest:,.0f} can be "
            "drawn. Fix: draw fewer platforms or games."
        )
    height = size.tallest if size.exact else height
    figure = Figure(figsize=(size.width, height), dpi=size.dots, facecolor=size.paper or PAPER)
    x, down = MARGIN / size.width, MARGIN
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
    wide, tall = figure.get_size_inches()
    bottom = tall - top - height
    return figure.add_axes((left / wide, bottom / tall, width / wide, height / tall))


def across(size: Size, inches: float) -> float:
    """Give inches across a figure that are so many on a page."""
    return inches * size.width / PAGE.width


def letters(size: Size, count: int) -> int:
    """Give how many letters fit where so many fit on a page."""
    return int(across(size, count))


@dataclass(frozen=True)
class Rows:
    """Rows in panels below each other, as many as there is room for.

    Attributes:
        drawn: rows of each panel.
        height: inches of a row.
        inches: that all panels take.
    """

    drawn: tuple[int, ...]
    height: float
    inches: float


def most_panels(size: Size, taken: float, panel: float, row: float) -> int:
    """Give how many panels of two rows there is room for; at least one."""
    return max(int((size.tallest - taken) / (panel + 2 * row)), 1)


def fitted_rows(wanted: Sequence[int], size: Size, taken: float, panel: float, row: float) -> Rows:
    """Share out the height of a figure among the rows of panels.

    Panels with few rows keep them all; the others get equally many. Where there is room to spare
    in a figure of a fixed height, rows become taller.

    Args:
        wanted: rows of each panel.
        size: of the figure.
        taken: inches above and below the panels.
        panel: inches that each panel takes besides its rows.
        row: inches of a row, at least.
    """
    room = size.tallest - taken - len(wanted) * panel
    left, drawn = max(int(room / row + 1e-9), len(wanted)), [0] * len(wanted)
    for rank, n in enumerate(sorted(range(len(wanted)), key=lambda n: wanted[n])):
        drawn[n] = min(wanted[n], left // (len(wanted) - rank))
        left -= drawn[n]
    height = min(max(room / max(sum(drawn), 1), row), 1.5 * row) if size.exact else row
    return Rows(tuple(drawn), height, sum(drawn) * height + len(drawn) * panel)


def spread_out(count: int, most: int) -> list[int]:
    """Give the positions of at most so many of some rows, evenly from the first to the last."""
    if count <= most:
        return list(range(count))
    if most <= 1:
        return [0][:most]
    step = (count - 1) / (most - 1)
    return [round(n * step) for n in range(most)]


def footnote_room(size: Size) -> float:
    """Give the inches at the lower edge that a note of what is not drawn may take."""
    return _FOOTNOTE if size.limited else 0.0


def footnote(figure: Figure, words: str) -> None:
    """Write small print at the lower edge."""
    wide, tall = figure.get_size_inches()
    figure.text(MARGIN / wide, 0.14 / tall, words, color=QUIET, fontsize=8.5, va="bottom")


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
    axes.xaxis.set_major_formatter(FixedFormatter([rate_tick_words(value) for value in values]))
    axes.xaxis.set_minor_locator(NullLocator())


def rate_tick_words(rate: float) -> str:
    """Write a rate at a tick, without decimals that it lacks."""
    return f"{rate:,.10g}" if rate >= 1 else rate_words(rate)


def lead_tick_words(lead: float) -> str:
    """Write a lead at a tick, without decimals that it lacks."""
    return f"{100 * lead + 0.0:+.10g}%".replace("-", "−") if abs(lead) > 1e-9 else "0"


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


@dataclass(frozen=True)
class Key:
    """The signs of a figure and what they mean, in as many rows as they need.

    Attributes:
        handles: the signs.
        columns: side by side.
    """

    handles: tuple[Artist, ...]
    columns: int

    @property
    def height(self) -> float:
        """Inches that the key takes below the headline, with the space after it."""
        rows = math.ceil(len(self.handles) / self.columns)
        return 0.42 + (rows - 1) * _KEY_ROW

    def draw(self, figure: Figure, down: float) -> None:
        """Write the key, `down` inches from the top."""
        wide, tall = figure.get_size_inches()
        figure.legend(
            handles=list(self.handles),
            loc="upper left",
            bbox_to_anchor=(MARGIN / wide, 1 - (down + 0.06) / tall),
            ncols=self.columns,
            borderpad=0,
            borderaxespad=0,
            handletextpad=0.5,
            columnspacing=1.5,
        )


def make_key(handles: Sequence[Artist], size: Size = PAGE) -> Key:
    """Lay the key to the signs out in rows that fit the width."""
    wide = [_KEY_SIGN + _KEY_LETTER * len(str(handle.get_label())) for handle in handles]
    room = size.width - 2 * MARGIN
    for columns in range(len(handles), 1, -1):
        parts = np.array_split(wide, columns)  # a legend fills its columns one after another
        if sum(float(part.max()) for part in parts) <= room:
            return Key(tuple(handles), columns)
    return Key(tuple(handles), 1)
