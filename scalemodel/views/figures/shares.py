"""What a typical card's frame is made of, scene by scene and resolution by resolution."""

import math
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MultipleLocator

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
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import CONTEXT, PAPER, PLUM, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import count_words, resolution_order, short_scene

ROW, TOP, BELOW, LABELS, GAP = 0.3, 0.36, 0.5, 2.75, 0.3  # inches, on a page
STEPS, TICK, NARROWEST = (0.05, 0.1, 0.2, 0.5), 0.45, 0.15
"""Shares between ticks, inches between them and a panel's share of the width, each at least."""

STAGE_WORDS = {
    "arithmetic": "arithmetic",
    "traffic": "bandwidth and cache",
    "raster": "raster rate",
    "fixed": "fixed work",
}
"""Stages by the word for what shrinks them."""


def shares_figure(table: pd.DataFrame, size: Size = PAGE) -> Figure:
    """Draw the share of each stage in a typical card's frame, a panel a stage and a row a scene.

    The scenes that lean most on bandwidth and cache come first.

    Args:
        table: the learned shares: game, preset, resolution, stage, share, lower, upper.
        size: of the figure; for want of room the first scenes and the last are drawn.

    Raises:
        FigureError: there is no share.
    """
    if table.empty:
        raise FigureError("The fit has no scene; there is nothing to draw.")
    stages = list(dict.fromkeys(table["stage"]))
    scenes = _scenes(table)
    shown = resolution_order(table["resolution"])
    head, signs = headline(_title(table), _lines(), size), _key(shown, size)
    taken = head.height + signs.height + TOP + BELOW + footnote_room(size)
    rows = fitted_rows([len(scenes)], size, taken, 0.0, ROW)
    first = math.ceil(rows.drawn[0] / 2)
    drawn = [*scenes[:first], *scenes[len(scenes) - (rows.drawn[0] - first) :]]
    labels = across(size, LABELS)
    spans = {name: _span(table[table["stage"] == name]) for name in stages}
    least = NARROWEST * sum(spans.values())
    spans = {name: max(span, least) for name, span in spans.items()}
    unit = (size.width - 2 * MARGIN - labels - GAP * (len(stages) - 1)) / sum(spans.values())
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        left, down = MARGIN + labels, head.height + signs.height + TOP
        for n, stage in enumerate(stages):
            axes = place(figure, left, down, unit * spans[stage], rows.inches)
            _panel(axes, table[table["stage"] == stage], drawn, shown, spans[stage])
            axes.set_title(STAGE_WORDS[stage], loc="left", fontweight="bold", fontsize=9.5, pad=6)
            longest = letters(size, 38)
            names = [short_scene(*scene, longest) if n == 0 else "" for scene in drawn]
            axes.set_yticks(range(len(drawn)), names)
            left += unit * spans[stage] + GAP
        gone = len(scenes) - len(drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'scene')} in between not drawn.")
    return figure


def _scenes(table: pd.DataFrame) -> list[tuple[str, str]]:
    lean = (
        table[table["stage"] == "traffic"].groupby(["game", "preset"], sort=False)["share"].mean()
    )
    ordered = lean.sort_values(ascending=False, kind="stable")
    return [(str(game), str(preset)) for game, preset in ordered.index]


def _span(table: pd.DataFrame) -> float:
    """Give the width of a stage's axis, a share: all stages have the same scale."""
    return float(table["upper"].max() - table["lower"].min()) * 1.12


def _title(table: pd.DataFrame) -> str:
    mean = table.groupby(["resolution", "stage"], sort=False)["share"].mean()
    order = resolution_order(table["resolution"])
    ends = [f"{100 * mean[(one, 'traffic')]:.0f}%" for one in (order[0], order[-1])]
    words = "Bandwidth and cache take"
    if len(order) == 1:
        return f"{words} {ends[0]} of a typical card's frame at {order[0]}"
    return f"{words} {ends[0]} of a typical card's frame at {order[0]}, {ends[1]} at {order[-1]}"


def _lines() -> list[str]:
    return [
        "Shares of the time of a frame on the mean of the tested cards, without the ceiling. "
        "Lines: 80% ranges."
    ]


def _key(shown: list[str], size: Size) -> Key:
    return make_key([Line2D([], [], label=one, **_look(shown, one)) for one in shown], size)


def _look(shown: list[str], resolution: str) -> dict[str, Any]:
    """Give the look of a resolution: hollow the smallest, filled the largest, grey between."""
    last = resolution == shown[-1]
    fill = PLUM if last else PAPER if resolution == shown[0] else CONTEXT
    return {
        "linestyle": "none",
        "marker": "o" if last or resolution == shown[0] else "s",
        "markersize": 4.6,
        "markerfacecolor": fill,
        "markeredgecolor": PLUM if fill != CONTEXT else CONTEXT,
        "markeredgewidth": 1.1,
    }


def _panel(
    axes: Axes,
    table: pd.DataFrame,
    scenes: list[tuple[str, str]],
    shown: list[str],
    span: float,
) -> None:
    low = float(table["lower"].min()) - 0.05 * span
    axes.set_xlim(max(low, 0.0), max(low, 0.0) + span)
    axes.set_ylim(len(scenes) - 0.4, -0.6)
    inches = axes.bbox.width / axes.figure.dpi
    step = next((one for one in STEPS if one / span * inches >= TICK), STEPS[-1])
    axes.xaxis.set_major_locator(MultipleLocator(step))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.10g}%"))
    aside = 0.62 / max(len(shown), 2)
    for row in rows_of(table):
        scene = (row.game, row.preset)
        if scene not in scenes:
            continue
        look = _look(shown, row.resolution)
        y = scenes.index(scene) + aside * (shown.index(row.resolution) - (len(shown) - 1) / 2)
        axes.plot([row.lower, row.upper], [y, y], color=look["markeredgecolor"], linewidth=1.2)
        axes.plot([row.share], [y], zorder=3, **look)
