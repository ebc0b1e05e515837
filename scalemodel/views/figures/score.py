"""How good predictions of held-out cards are, beside plain peers."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MultipleLocator

from scalemodel.answers.score import Score
from scalemodel.answers.score_tables import LEVELS, METHOD_WORDS, OWN
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    make_key,
    new_figure,
    place,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    AMBER,
    CONTEXT,
    PAPER,
    PLUM,
    QUIET,
    TINT,
    house_style,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import count_words, level_words, short_name

ROW, LABELS, GAP, ABOVE, BELOW = 0.215, 1.75, 0.75, 0.3, 0.6  # inches
RIGHT, SQUARE = 3.65, 2.75  # inches: the panels at the right of a page
SMALL = 2.05  # inches: the same beside each other where the height is limited
LEAST_ERROR = 0.001  # that the axis of errors reaches to
MARKS = {
    OWN: ("o", PLUM),
    "nearest_card": ("s", CONTEXT),
    "per_chart_regression": ("^", CONTEXT),
    "gradient_boosting": ("v", CONTEXT),
    "gaussian_process": ("D", AMBER),
}


def score_figure(score: Score, size: Size = PAGE) -> Figure:
    """Draw the errors by card, coverage by level and the calibration of p_faster.

    Args:
        score: the whole answer.
        size: of the figure; for want of room the cards with the largest errors are drawn.

    Raises:
        FigureError: no cell was judged.
    """
    cards = score.cards[score.cards["mean_error"].notna()]
    if cards.empty:
        raise FigureError("No held-out cell was judged; there is nothing to draw.")
    cards = cards.sort_values(f"{OWN}_error", kind="stable").reset_index(drop=True)
    head = headline(_title(score), _lines(score, cards), size)
    signs = _key(score, size)
    top = head.height + signs.height + ABOVE
    taken = top + BELOW + footnote_room(size)
    rows = fitted_rows([len(cards)], size, taken, 0.0, ROW)
    drawn = cards.tail(rows.drawn[0])
    squares = [(RIGHT, SQUARE, 0.0, 0.0), (RIGHT, SQUARE, 0.0, SQUARE + GAP)]
    if size.limited:
        tall = min(size.tallest - taken, SMALL)
        squares = [(SMALL, tall, -SMALL - GAP, 0.0), (SMALL, tall, 0.0, 0.0)]
    left = size.width - 2 * MARGIN - LABELS - GAP - squares[0][0] + squares[0][2]
    with house_style():
        lowest = max(down + tall for _, tall, _, down in squares)
        figure = new_figure(taken + max(rows.inches, lowest), head, size)
        signs.draw(figure, head.height)
        _errors(place(figure, MARGIN + LABELS, top, left, rows.inches), drawn, score)
        for draw, table, (wide, tall, aside, down) in zip(
            (_coverage, _calibration), (score.summary, score.calibration), squares, strict=True
        ):
            at = size.width - MARGIN - wide + aside
            draw(place(figure, at, top + down, wide, tall), table)
        if len(drawn) < len(cards):
            words = f"{count_words(len(cards) - len(drawn), 'card')} with smaller errors not drawn."
            footnote(figure, f"For want of room {words}")
    return figure


def _title(score: Score) -> str:
    whole = score.summary[score.summary["group"] == "all"].set_index("method")
    errors = whole["mean_abs_error"].dropna().sort_values()
    own = float(np.expm1(errors[OWN]))
    words = f"Cards held out were predicted within {own:.1%} on average"
    peers = errors.drop(OWN)
    if len(peers):
        best = str(peers.index[0])
        words += f"; the best plain peer, {METHOD_WORDS[best]}, within {np.expm1(peers[best]):.1%}"
    return words


def _lines(score: Score, cards: pd.DataFrame) -> list[str]:
    how = {
        "each": "Each card held out in turn.",
        "largest": "The largest cards held out at once.",
        "newest_architecture": "All cards of the newest architecture held out at once.",
    }[score.held_out]
    scene = f" Scene: {score.scene}." if score.scene else ""
    count = f"{count_words(len(cards), 'card')}, {count_words(int(cards['cells'].sum()), 'cell')}."
    return [
        f"{how} {count}{scene} All methods on the same cells. "
        "Bars: exact binomial 95% intervals, as if all cells were independent."
    ]


def _key(score: Score, size: Size) -> Key:
    known = [name for name in MARKS if score.cards[f"{name}_error"].notna().any()]
    handles: list[Line2D | Patch] = [
        Line2D([], [], label=METHOD_WORDS[name], **_look(name)) for name in known
    ]
    words = f"half the width of scalemodel's {level_words(score.level)} ranges"
    handles.append(Patch(facecolor=TINT, alpha=0.55, label=words))
    if (score.calibration["what"] == "p_faster within test error").any():
        pair = {**_look(OWN), "markerfacecolor": PAPER, "markeredgecolor": CONTEXT}
        handles.append(Line2D([], [], label="p_faster of a pair within test error", **pair))
    return make_key(handles, size)


def _look(name: str) -> dict[str, Any]:
    marker, colour = MARKS[name]
    return {
        "linestyle": "none",
        "marker": marker,
        "markersize": 6.2 if name == OWN else 5.2,
        "markerfacecolor": colour if name == OWN else PAPER,
        "markeredgecolor": colour,
        "markeredgewidth": 1.2,
    }


def _heading(axes: Axes, words: str) -> None:
    axes.annotate(
        words,
        (0, 1),
        (0, 8),
        xycoords="axes fraction",
        textcoords="offset points",
        fontweight="bold",
        fontsize=11,
    )


def _errors(axes: Axes, cards: pd.DataFrame, score: Score) -> None:
    _heading(axes, "mean error by card")
    axes.set_ylim(len(cards) - 0.4, -0.6)
    axes.set_yticks(range(len(cards)), [short_name(str(card), 22) for card in cards["card"]])
    half = _half_widths(score)
    for row, card in enumerate(cards["card"]):
        axes.barh(row, half[card], height=0.62, color=TINT, alpha=0.55, linewidth=0, zorder=0.5)
    for name in reversed(MARKS):
        errors = np.expm1(cards[f"{name}_error"].to_numpy(dtype=float))
        axes.plot(errors, range(len(cards)), zorder=3 if name == OWN else 2, **_look(name))
    shown = np.expm1(cards[[f"{name}_error" for name in MARKS]].to_numpy(dtype=float))
    axes.set_xlim(0, 1.06 * max(np.nanmax(shown), LEAST_ERROR))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.10g}%"))
    axes.set_xlabel("mean distance of predicted from measured rate", loc="left")


def _half_widths(score: Score) -> "pd.Series[float]":
    good = score.table[score.table["reason"] == ""]
    width = (np.log(good["upper"]) - np.log(good["lower"])) / 2
    half: pd.Series[float] = np.expm1(width.groupby(good["card"]).mean())
    return half


def _square(axes: Axes) -> None:
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(0.25))
        axis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.10g}%"))
    axes.grid(visible=True, axis="both")
    axes.set_xlim(-0.03, 1.03)
    axes.set_ylim(-0.03, 1.03)
    axes.plot([0, 1], [0, 1], color=QUIET, linewidth=1, zorder=1)
    axes.tick_params(axis="y", labelcolor=QUIET, labelsize=9)


def _coverage(axes: Axes, summary: pd.DataFrame) -> None:
    _heading(axes, "ranges: share they hold")
    _square(axes)
    axes.set_xlim(0.4, 1.03)
    axes.set_ylim(0.15, 1.03)
    whole = summary[(summary["group"] == "all") & summary["mean_abs_error"].notna()]
    names = [name for name in MARKS if name in set(whole["method"])]
    for row in rows_of(whole):
        aside = 0.012 * (names.index(row.method) - (len(names) - 1) / 2)
        for level in LEVELS:
            name = f"inside_{100 * level:g}"
            held = getattr(row, name)
            ends = [getattr(row, f"{name}_lower"), getattr(row, f"{name}_upper")]
            line = MARKS[row.method][1]
            axes.plot([level + aside] * 2, ends, color=line, linewidth=1.4, zorder=2)
            axes.plot([level + aside], [held], zorder=3, **_look(row.method))
    axes.set_xlabel("level claimed by the ranges of rates", loc="left")


def _calibration(axes: Axes, calibration: pd.DataFrame) -> None:
    _heading(axes, "p_faster: how often true")
    _square(axes)
    for what, line, fill in (
        ("p_faster within test error", CONTEXT, PAPER),
        ("p_faster", PLUM, PLUM),
    ):
        part = calibration[calibration["what"] == what]
        if part.empty:
            continue
        for row in rows_of(part):
            axes.plot([row.stated] * 2, [row.lower, row.upper], color=line, linewidth=1.4, zorder=2)
        axes.plot(
            part["stated"],
            part["happened"],
            linestyle="none",
            marker="o",
            markersize=5.8,
            markerfacecolor=fill,
            markeredgecolor=line,
            zorder=3,
        )
    axes.set_xlabel("probability stated", loc="left")
