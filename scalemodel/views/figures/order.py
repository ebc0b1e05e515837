"""Which cards change places between two charts: the largest changes of each main cause."""

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from scalemodel.answers.order import FLIPS
from scalemodel.views.figures.layout import FigureError, headline, key_below, new_figure
from scalemodel.views.figures.spans import GAP, ROW, TOP, beside, lead_axes, limits, look, spans
from scalemodel.views.style import PAPER, PLUM, house_style
from scalemodel.views.words import (
    count_words,
    level_words,
    points_range_words,
    points_words,
    probability_words,
    short_scene,
    shortened,
)

MOST_PAIRS = 8
"""Pairs drawn of each cause."""


def order_figure(table: pd.DataFrame, places: tuple[str, str], level: float) -> Figure:
    """Draw the lead on both charts of pairs of cards that change places, one panel a cause.

    Args:
        table: the columns of ``explain --order``.
        places: what was gone from and to.
        level: probability from which a change of places counts, and level of the ranges.

    Raises:
        FigureError: no pair changes places.
    """
    flips = table[table["verdict"] == FLIPS].sort_values("points", kind="stable")
    if flips.empty:
        raise FigureError("No two cards change places beyond test error; there is nothing to draw.")
    causes = flips["cause"].value_counts()
    panels = {str(cause): flips[flips["cause"] == cause].head(MOST_PAIRS) for cause in causes.index}
    head = headline(_title(flips, places), _lines(table, flips, level))
    down = head.height + 0.42
    with house_style():
        tall = sum(TOP + len(panel) * ROW + GAP for panel in panels.values())
        figure = new_figure(down + tall + 0.1, head)
        handles = [
            Line2D([], [], label=f"lead at {places[0]}", **look(PAPER, PLUM)),
            Line2D([], [], label=f"lead at {places[1]}", **look(PLUM, PLUM)),
        ]
        key_below(figure, handles, head.height)
        for cause, panel in panels.items():
            shown = f", the largest {MOST_PAIRS}" if causes[cause] > MOST_PAIRS else ""
            name = f"{cause}: {count_words(int(causes[cause]), 'pair')}{shown}"
            _draw(figure, down, name, panel)
            down += TOP + len(panel) * ROW + GAP
    return figure


def _title(flips: pd.DataFrame, places: tuple[str, str]) -> str:
    causes = flips["cause"].value_counts()
    verb = "changes" if len(flips) == 1 else "change"
    words = (
        f"{count_words(len(flips), 'pair')} of cards {verb} places from {places[0]} to {places[1]}"
    )
    return (
        f"{words}, most for {causes.index[0]}" if len(causes) > 1 else f"{words}: {causes.index[0]}"
    )


def _lines(table: pd.DataFrame, flips: pd.DataFrame, level: float) -> list[str]:
    platforms = ", ".join(dict.fromkeys(table["platform"]))
    unsure = len(table) - len(flips)
    words = f"Platform: {platforms}. Counted where careful measurements would agree with a "
    words += f"probability of {level_words(level)} or more; {unsure} more are within test error."
    return [
        words,
        f"Beside each pair: main part of the change in points, its {level_words(level)} "
        "range, and the probability.",
    ]


def _draw(figure: Figure, down: float, name: str, panel: pd.DataFrame) -> None:
    axes = lead_axes(figure, down, len(panel), name)
    leads = panel[["lead_from", "lead_to"]].to_numpy(dtype=float)
    names = [shortened(f"{a} over {b}", 40) for a, b in zip(panel["a"], panel["b"], strict=True)]
    axes.set_yticks(range(len(panel)), names)
    limits(axes, [*leads.ravel(), 0.0])
    spans(axes, leads, [PLUM] * len(panel))
    for row, flip in enumerate(panel.to_dict(orient="records")):
        scene = short_scene(flip["game"], flip["preset"], 26)
        span = points_range_words(flip["cause_lower"], flip["cause_upper"])
        words = f"{scene}  {points_words(flip['cause_points'])} ({span})"
        words += f"  p {probability_words(flip['p_flip'])}"
        beside(axes, row, words, bold=False)
