"""Which cards change places between two charts: the largest changes of each main cause."""

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.order import FLIPS
from scalemodel.views.figures.layout import (
    FigureError,
    Key,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    letters,
    make_key,
    most_panels,
    new_figure,
)
from scalemodel.views.figures.spans import GAP, ROW, TOP, beside, lead_axes, limits, look, spans
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import PAPER, PLUM, house_style
from scalemodel.views.words import (
    count_words,
    level_words,
    points_range_words,
    points_words,
    probability_words,
    short_name,
    short_scene,
)

MOST_PAIRS = 8
"""Pairs drawn of each cause."""


def order_figure(
    table: pd.DataFrame, places: tuple[str, str], level: float, size: Size = PAGE
) -> Figure:
    """Draw the lead on both charts of pairs of cards that change places, one panel a cause.

    Args:
        table: the columns of ``explain --order``.
        places: what was gone from and to.
        level: probability from which a change of places counts, and level of the ranges.
        size: of the figure.

    Raises:
        FigureError: no pair changes places.
    """
    flips = table[table["verdict"] == FLIPS].sort_values("points", kind="stable")
    if flips.empty:
        raise FigureError("No two cards change places beyond test error; there is nothing to draw.")
    causes = flips["cause"].value_counts()
    head = headline(_title(flips, places), _lines(table, flips, level, size), size)
    signs = _key(places, size)
    taken = head.height + signs.height + 0.1 + footnote_room(size)
    panels = [str(cause) for cause in causes.index][: most_panels(size, taken, TOP + GAP, ROW)]
    wanted = [min(int(causes[cause]), MOST_PAIRS) for cause in panels]
    rows = fitted_rows(wanted, size, taken, TOP + GAP, ROW)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        down = head.height + signs.height
        for cause, count in zip(panels, rows.drawn, strict=True):
            shown = f", the largest {count}" if causes[cause] > count else ""
            name = f"{cause}: {count_words(int(causes[cause]), 'pair')}{shown}"
            axes = lead_axes(figure, down, count, name, size, rows.height)
            _draw(axes, flips[flips["cause"] == cause].head(count), size)
            down += TOP + count * rows.height + GAP
        rest = causes.iloc[len(panels) :]
        if len(rest):
            words = ", ".join(f"{cause} {count}" for cause, count in rest.items())
            footnote(figure, f"Not drawn for want of room: {words}.")
    return figure


def _key(places: tuple[str, str], size: Size) -> Key:
    handles = [
        Line2D([], [], label=f"lead at {places[0]}", **look(PAPER, PLUM)),
        Line2D([], [], label=f"lead at {places[1]}", **look(PLUM, PLUM)),
    ]
    return make_key(handles, size)


def _title(flips: pd.DataFrame, places: tuple[str, str]) -> str:
    causes = flips["cause"].value_counts()
    verb = "changes" if len(flips) == 1 else "change"
    words = (
        f"{count_words(len(flips), 'pair')} of cards {verb} places from {places[0]} to {places[1]}"
    )
    return (
        f"{words}, most for {causes.index[0]}" if len(causes) > 1 else f"{words}: {causes.index[0]}"
    )


def _lines(table: pd.DataFrame, flips: pd.DataFrame, level: float, size: Size) -> list[str]:
    platforms = ", ".join(dict.fromkeys(table["platform"]))
    unsure = len(table) - len(flips)
    words = f"Platform: {platforms}. Counted where careful measurements would agree with a "
    words += f"probability of {level_words(level)} or more; {unsure} more are within test error."
    beside_pairs = f"Beside each pair: main part of the change in points, its {level_words(level)} "
    return [words, beside_pairs + ("range." if size.limited else "range, and the probability.")]


def _draw(axes: Axes, panel: pd.DataFrame, size: Size) -> None:
    leads = panel[["lead_from", "lead_to"]].to_numpy(dtype=float)
    longest = letters(size, 40)
    names = [_pair(a, b, longest) for a, b in zip(panel["a"], panel["b"], strict=True)]
    axes.set_yticks(range(len(panel)), names)
    limits(axes, [*leads.ravel(), 0.0])
    spans(axes, leads, [PLUM] * len(panel))
    for row, flip in enumerate(panel.to_dict(orient="records")):
        scene = short_scene(flip["game"], flip["preset"], letters(size, 26))
        span = points_range_words(flip["cause_lower"], flip["cause_upper"])
        words = f"{scene}  {points_words(flip['cause_points'])} ({span})"
        words += "" if size.limited else f"  p {probability_words(flip['p_flip'])}"
        beside(axes, row, words, bold=False)


def _pair(a: str, b: str, longest: int) -> str:
    """Name a pair in at most so many letters."""
    each = (longest - len(" over ")) // 2
    return f"{short_name(a, each)} over {short_name(b, each)}"
