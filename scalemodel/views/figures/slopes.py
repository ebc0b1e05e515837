"""Which cards change places from the highest to the lowest resolution."""

from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    across,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    letters,
    make_key,
    new_figure,
    place,
    spread_out,
)
from scalemodel.views.figures.standings import one_platform
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import CONTEXT, INK, PLUM, QUIET, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_words,
    level_words,
    resolution_order,
    short_name,
    upscaled_words,
)

ROW, SMALLEST_ROW, TOP, BELOW, SIDE = 0.215, 0.126, 0.36, 0.1, 3.1  # inches, those of a page
COLUMNS = 4
"""Resolutions at most, evenly chosen."""


def slopes_figure(
    places: pd.DataFrame, pairs: pd.DataFrame, level: float, size: Size = PAGE
) -> Figure:
    """Draw each card's place at every resolution as a line, with the ranges of its places.

    A card changes places if it is ahead of another at one end and behind it at the other, each with
    a probability of the level or more; such lines stand out.

    Args:
        places: the places of one platform, as `Standings` has them.
        pairs: all pairs of cards, the table of `Standings`.
        level: of the ranges, and probability from which an order counts.
        size: of the figure; for want of room some lines have no name.

    Raises:
        FigureError: there is one resolution only, no place, or several platforms.
    """
    placed = one_platform(places)
    every = resolution_order(placed["resolution"])[::-1]
    if len(every) < 2:
        raise FigureError("All places are at one resolution; there is no change to draw.")
    shown = [every[n] for n in spread_out(len(every), COLUMNS)]
    placed = placed[placed["resolution"].isin(shown)]
    here = pairs[pairs["platform"] == placed["platform"].iloc[0]]
    movers = moved(here, shown[0], shown[-1], level)
    head = headline(_title(placed, movers, shown), _lines(placed, level), size)
    signs = _key(level, size)
    taken = head.height + signs.height + TOP + BELOW + footnote_room(size)
    last = int(placed["place"].max())
    rows = fitted_rows([last], size, taken, 0.0, SMALLEST_ROW if size.limited else ROW)
    side = across(size, SIDE)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        down = head.height + signs.height + TOP
        wide = size.width - 2 * MARGIN - 2 * side
        axes = place(figure, MARGIN + side, down, wide, rows.inches)
        _axes(axes, shown, last)
        for card, own in placed.groupby("card", sort=False):
            _line(axes, own.set_index("resolution"), shown, plain=card not in movers)
        apart = last / rows.drawn[0]
        nameless = [
            _names(axes, placed, shown, end, movers, apart, letters(size, 30)) for end in (0, -1)
        ]
        if max(nameless):
            footnote(
                figure, f"For want of room {count_words(max(nameless), 'line')} without a name."
            )
    return figure


def moved(pairs: pd.DataFrame, start: str, end: str, level: float) -> list[str]:
    """Give the cards that are certain to change places with another between two resolutions."""
    cards = ["a", "b"]
    ends = [pairs[pairs["resolution"] == one].set_index(cards)["p_ahead"] for one in (start, end)]
    before, after = ends[0].align(ends[1], join="inner")
    flips = (before >= level) & (after <= 1 - level) | (before <= 1 - level) & (after >= level)
    found = flips[flips].index.to_frame()
    return [str(card) for card in dict.fromkeys(found.to_numpy().ravel())]


def _title(placed: pd.DataFrame, movers: list[str], shown: list[str]) -> str:
    count = count_words(placed["card"].nunique(), "card")
    where = f"from {shown[0]} to {shown[-1]}"
    if not movers:
        return f"None of {count} is likely to change places {where}"
    return f"{len(movers)} of {count} change places {where}: {' and '.join(movers[:2])}" + (
        ", among others" if len(movers) > 2 else ""
    )


def _lines(placed: pd.DataFrame, level: float) -> list[str]:
    where = placed["platform"].iloc[0]
    words = f"Platform: {where}. Numbers: the place, and the rate over the mean of all cards."
    words += f" A change counts if the order at both ends is {level_words(level)} certain."
    return [f"{words} {upscaled_words(placed)}".rstrip()]


def _key(level: float, size: Size) -> Key:
    line: dict[str, Any] = {"marker": "o", "markersize": 4.5}
    handles = [
        Line2D([], [], color=PLUM, linewidth=1.8, label="changes places", **line),
        Line2D([], [], color=CONTEXT, linewidth=1.2, label="keeps its place, or may", **line),
        Line2D(
            [],
            [],
            color=QUIET,
            linewidth=4,
            alpha=0.35,
            label=f"{level_words(level)} range of a place",
        ),
    ]
    return make_key(handles, size)


def _axes(axes: Axes, shown: list[str], last: int) -> None:
    axes.set_xlim(-0.03, len(shown) - 0.97)
    axes.set_ylim(last + 0.5, 0.5)
    axes.set_yticks([])
    axes.set_xticks(range(len(shown)), shown)
    axes.xaxis.tick_top()
    axes.tick_params(axis="x", labelcolor=INK, labelsize=11, pad=4)
    axes.spines["bottom"].set_visible(False)


def _line(axes: Axes, own: pd.DataFrame, shown: list[str], *, plain: bool) -> None:
    ink, front = (CONTEXT, 2.0) if plain else (PLUM, 3.0)
    known = own.loc[[one for one in shown if one in own.index]]
    at = [shown.index(str(one)) for one in known.index]
    for n, row in zip(at, rows_of(known), strict=True):
        if row.place_lower < row.place_upper:
            ends = [row.place_lower, row.place_upper]
            axes.plot([n, n], ends, color=ink, linewidth=5, alpha=0.35, zorder=front - 0.5)
    axes.plot(
        at,
        known["place"].to_numpy(dtype=float),
        color=ink,
        linewidth=1.2 if plain else 1.8,
        marker="o",
        markersize=4.5,
        zorder=front,
    )


def _names(
    axes: Axes,
    placed: pd.DataFrame,
    shown: list[str],
    end: int,
    movers: list[str],
    apart: float,
    longest: int,
) -> int:
    """Write names at one end, those of movers first; return how many had no room."""
    here = placed[placed["resolution"] == shown[end]].sort_values("place")
    first = here["card"].isin(movers)
    free: list[float] = []
    nameless = 0
    for row in rows_of(pd.concat([here[first], here[~first]])):
        at = float(row.place)
        if any(abs(at - other) < apart - 1e-9 for other in free):
            nameless += 1
            continue
        free.append(at)
        name, lead = short_name(row.card, longest), lead_words(row.over_field)
        words = f"{name} {lead}   {row.place}" if end == 0 else f"{row.place}   {name} {lead}"
        axes.annotate(
            words,
            (0 if end == 0 else len(shown) - 1, at),
            (-10 if end == 0 else 10, 0),
            textcoords="offset points",
            color=PLUM if row.card in movers else QUIET,
            fontweight="bold" if row.card in movers else "normal",
            fontsize=8.5,
            ha="right" if end == 0 else "left",
            va="center",
        )
    return nameless
