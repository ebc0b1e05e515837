"""Whether two cards, drivers, game versions or dates are tied: every lead beside the margin."""

from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from scalemodel.answers.comparison import DIFFERENT, OPEN, TIED, Comparison
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
    spread_out,
)
from scalemodel.views.figures.spans import GAP, TOP, beside, lead_axes, limits, look
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import CONTEXT, PAPER, PLUM, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    short_name,
    short_scene,
    shortened,
)

ROW = 0.215  # inches
LOOKS = {TIED: (CONTEXT, CONTEXT), DIFFERENT: (PLUM, PLUM), OPEN: (PAPER, PLUM)}


def comparison_figure(answer: Comparison, size: Size = PAGE) -> Figure:
    """Draw the lead of a over b on each chart or cell, and on average, beside the margin.

    Args:
        answer: the whole answer.
        size: of the figure; for want of room leads are left out evenly along their order.

    Raises:
        FigureError: no lead is known.
    """
    known = answer.table[answer.table["lead"].notna()]
    if known.empty:
        raise FigureError("The two share no chart; there is nothing to draw.")
    head, signs = headline(_title(answer, known), _lines(answer), size), _key(answer, size)
    taken = head.height + signs.height + 0.1 + footnote_room(size)
    platforms = list(dict.fromkeys(known["platform"]))[: most_panels(size, taken, TOP + GAP, ROW)]
    parts = [_panel_rows(known[known["platform"] == platform]) for platform in platforms]
    rows = fitted_rows([len(part) for part in parts], size, taken, TOP + GAP, ROW)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        down = head.height + signs.height
        for platform, part, count in zip(platforms, parts, rows.drawn, strict=True):
            name = shortened(platform, letters(size, 34))
            axes = lead_axes(figure, down, count, name, size, rows.height)
            # The mean comes first and always stays.
            kept = [0, *(1 + n for n in spread_out(len(part) - 1, count - 1))]
            _panel(axes, part.iloc[kept], answer, size)
            down += TOP + count * rows.height + GAP
        gone = sum(map(len, parts)) - sum(rows.drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'lead')} not drawn.")
    return figure


def _panel_rows(known: pd.DataFrame) -> pd.DataFrame:
    """Give the mean, then the leads from the largest down."""
    charts = known[known["row_kind"] == "chart"].sort_values("lead", ascending=False, kind="stable")
    return pd.concat([known[known["row_kind"] == "summary"], charts])


def _title(answer: Comparison, known: pd.DataFrame) -> str:
    total = known[known["row_kind"] == "summary"].iloc[0]
    verdict = {
        TIED: f"tied within {level_words(answer.margin)}",
        DIFFERENT: "different",
        OPEN: "neither surely apart nor surely tied",
    }[total["verdict"]]
    span = lead_range_words(total["lower"], total["upper"])
    return f"{answer.a} against {answer.b}: {lead_words(total['lead'])} ({span}), {verdict}"


def _lines(answer: Comparison) -> list[str]:
    charts = answer.table[answer.table["row_kind"] == "chart"]
    counts = charts["verdict"].value_counts()
    parts = [f"{one} on {counts[one]}" for one in LOOKS if one in counts]
    level, margin = level_words(answer.level), level_words(answer.margin)
    return [
        f"One by one: {', '.join(parts)}. Lines: {level} ranges from test error. "
        f"Tied: surely within {margin}."
    ]


def _key(answer: Comparison, size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label=verdict, **look(*looks)) for verdict, looks in LOOKS.items()
    ]
    handles.append(Patch(facecolor=TINT, alpha=0.55, label=f"within {level_words(answer.margin)}"))
    return make_key(handles, size)


def _panel(axes: Axes, rows: pd.DataFrame, answer: Comparison, size: Size) -> None:
    longest = letters(size, 38)
    axes.set_yticks(range(len(rows)), [_name(row, answer, longest) for row in rows_of(rows)])
    axes.axvspan(-answer.margin, answer.margin, facecolor=TINT, alpha=0.55, linewidth=0, zorder=0.5)
    for n, row in enumerate(rows_of(rows)):
        fill, edge = LOOKS[row.verdict]
        axes.plot([row.lower, row.upper], [n, n], color=edge, linewidth=1.6, zorder=2)
        axes.plot([row.lead], [n], zorder=3, **look(fill, edge))
        words = f"{lead_words(row.lead)}  ({lead_range_words(row.lower, row.upper)})"
        beside(axes, n, words, bold=row.row_kind == "summary", quiet=row.verdict == TIED)
    limits(axes, [*rows["lower"], *rows["upper"], -answer.margin, answer.margin])


def _name(row: Any, answer: Comparison, longest: int) -> str:
    of_cards = answer.kind == "card"
    if row.row_kind == "summary":
        return f"mean of {count_words(int(row.charts_used), 'chart' if of_cards else 'cell')}"
    where = row.resolution if of_cards else f"{row.resolution}, {short_name(row.card, 14)}"
    return f"{short_scene(row.game, row.preset, longest - len(where) - 2)}, {where}"
