"""Rows of leads on two charts: the axes, a span from one lead to the other, words beside it."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.model.arrays import FloatArray
from scalemodel.views.figures.layout import MARGIN, across, place
from scalemodel.views.sizes import Size
from scalemodel.views.style import INK, PAPER, QUIET
from scalemodel.views.words import lead_words

ROW, TOP, GAP = 0.27, 0.36, 0.42
"""Inches: a row, the heading of a panel, between panels."""

LABELS, RIGHT = 2.75, 3.9
"""Inches beside the axes of a page."""


def look(fill: str, edge: str) -> dict[str, Any]:
    """Give the look of the dot of a lead."""
    return {
        "linestyle": "none",
        "marker": "o",
        "markersize": 6.2,
        "markerfacecolor": fill,
        "markeredgecolor": edge,
        "markeredgewidth": 1.4,
    }


def lead_axes(
    figure: Figure, down: float, rows: int, name: str, size: Size, row: float = ROW
) -> Axes:
    """Add axes of leads for rows of a height, `down` inches from the top, under a heading."""
    labels, right = across(size, LABELS), across(size, RIGHT)
    wide = size.width - 2 * MARGIN - labels - right
    axes = place(figure, MARGIN + labels, down + TOP, wide, rows * row)
    axes.set_ylim(rows - 0.4, -0.6)
    axes.annotate(
        name,
        (-labels / wide, 1),
        (0, 6),
        xycoords="axes fraction",
        textcoords="offset points",
        fontweight="bold",
        fontsize=11,
    )
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(_tick))
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)
    return axes


def _tick(lead: float, position: int) -> str:
    del position
    return f"{100 * lead:+.4g}%".replace("-", "−") if abs(lead) > 1e-9 else "0"


def limits(axes: Axes, ends: Sequence[float]) -> None:
    """Make the axes reach a little beyond some leads."""
    low, high = min(ends), max(ends)
    pad = 0.06 * max(high - low, 0.02)
    axes.set_xlim(low - pad, high + pad)


def spans(axes: Axes, leads: FloatArray, inks: Sequence[str]) -> None:
    """Draw a span a row from one lead to the other (rows, 2); an arrow where one lies beyond."""
    low, high = axes.get_xlim()
    for row, (pair, ink) in enumerate(zip(leads, inks, strict=True)):
        near = np.clip(pair, low, high)
        axes.plot(near, [row, row], color=ink, linewidth=1.6, zorder=2)
        for end, fill in ((0, PAPER), (1, ink)):
            if near[end] == pair[end]:
                axes.plot(near[[end]], [row], zorder=3, **look(fill, ink))
                continue
            mark, align = (">", "right") if pair[end] > high else ("<", "left")
            axes.plot(near[[end]], [row], mark, color=ink, clip_on=False, zorder=3)
            above: dict[str, Any] = {"textcoords": "offset points", "ha": align}
            axes.annotate(
                lead_words(pair[end]), (near[end], row), (0, 4), fontsize=8.5, color=QUIET, **above
            )


def beside(axes: Axes, row: int, words: str, *, bold: bool, quiet: bool = False) -> None:
    """Write words to the right of a row."""
    axes.text(
        1.015,
        row,
        words,
        transform=axes.get_yaxis_transform(),
        color=QUIET if quiet else INK,
        fontweight="bold" if bold else "normal",
        fontsize=8.8,
        va="center",
    )
