"""Lows against averages, scene by scene: how far each is from what the average says."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.answers.lows import LOW_WORDS, Lows
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    across,
    fitted_rows,
    footnote,
    footnote_room,
    headline,
    lead_tick_words,
    letters,
    make_key,
    new_figure,
    place,
    spread_out,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, CONTEXT, INK, PLUM, QUIET, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_words,
    level_words,
    short_scene,
    shortened,
)

SCENE = ["game", "preset"]
ROW, SMALLEST_ROW = 0.46, 0.33
LABELS, RIGHT = 2.75, 3.3  # inches beside the axes of a page
BELOW = 0.6  # inches, for the name of the axis
NAMED = 3
"""Cards in scenes named in the title."""

LEAST_REACH = 0.03
"""The axis spans at least this either way."""


def lows_figure(answer: Lows, platform: str, size: Size = PAGE) -> Figure:
    """Draw how far the low of every cell is from what its average says, a row a scene.

    Args:
        answer: what is drawn.
        platform: of which.
        size: of the figure; for want of room scenes with something out of step are kept first.

    Raises:
        FigureError: no low of the platform can be judged.
    """
    cells = answer.table[(answer.table["platform"] == platform) & (answer.table["reason"] == "")]
    scenes = answer.scenes[answer.scenes["platform"] == platform]
    if cells.empty:
        raise FigureError(f"No low on {platform} can be judged; there is nothing to draw.")
    places = answer.places[answer.places["platform"] == platform]
    out = places[places["out_of_step"].astype(bool)]
    head = headline(_title(answer, out), _lines(answer, cells, platform), size)
    signs = _key(answer.level, size)
    top = head.height + signs.height
    taken = top + BELOW + footnote_room(size)
    rows = fitted_rows([len(scenes)], size, taken, 0.0, SMALLEST_ROW if size.limited else ROW)
    single = cells[cells["out_of_step"].astype(bool)]
    drawn = _kept(scenes, pd.concat([out[SCENE], single[SCENE]]), rows.drawn[0])
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        left = across(size, LABELS)
        wide = size.width - 2 * MARGIN - left - across(size, RIGHT)
        axes = place(figure, MARGIN + left, top, wide, rows.inches)
        _axis(axes, cells, drawn, letters(size, 36))
        for row, scene in enumerate(rows_of(drawn)):
            here = (cells["game"] == scene.game) & (cells["preset"] == scene.preset)
            mine = (out["game"] == scene.game) & (out["preset"] == scene.preset)
            _scene(axes, row, scene, cells[here], out[mine], letters(size, 36))
        axes.set_xlabel(f"{LOW_WORDS[answer.metric]} against what its average says", loc="left")
        gone = len(scenes) - len(drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'scene')} not drawn.")
    return figure


def _kept(scenes: pd.DataFrame, told: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many scenes in their order, those first of which something is told."""
    found = pd.MultiIndex.from_frame(scenes[SCENE]).isin(pd.MultiIndex.from_frame(told))
    with_news, others = np.flatnonzero(found), np.flatnonzero(~found)
    chosen = [int(with_news[n]) for n in spread_out(len(with_news), most)]
    chosen += [int(others[n]) for n in spread_out(len(others), most - len(chosen))]
    return scenes.iloc[sorted(chosen)]


def _title(answer: Lows, out: pd.DataFrame) -> str:
    low = LOW_WORDS[answer.metric]
    if out.empty:
        return f"The {low} of every card is in step with its average in every scene"
    names = []
    for card, rows in out.head(NAMED).groupby("card", sort=False):
        where = [f"{shortened(row.game, 24)} ({lead_words(row.apart)})" for row in rows_of(rows)]
        names.append(f"{shortened(str(card), 20)} in {' and '.join(where)}")
    more = f" and {len(out) - NAMED} more" if len(out) > NAMED else ""
    return f"{low} out of step: {', '.join(names)}{more}"


def _lines(answer: Lows, cells: pd.DataFrame, platform: str) -> list[str]:
    return [
        f"Platform: {platform}. {count_words(len(cells), 'cell')}. Beside a scene: low over "
        "average, from which and the distance to the ceiling the expected low is made.",
        f"Named is what is surely out of step, by {level_words(answer.margin)} or more.",
    ]


def _key(level: float, size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label="cell", **_look(CONTEXT, "o", 4.0)),
        Line2D([], [], label="of a card out of step in this scene", **_look(PLUM, "D", 5.5)),
        Line2D([], [], label="single cell out of step", **_look(AMBER, "s", 5.5)),
        Patch(facecolor=TINT, alpha=0.7, label=f"{level_words(level)} range of a cell"),
    ]
    return make_key(handles, size)


def _look(fill: str, marker: str, size: float) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": marker,
        "markersize": size,
        "markerfacecolor": fill,
        "markeredgecolor": fill,
    }


def _axis(axes: Axes, cells: pd.DataFrame, scenes: pd.DataFrame, longest: int) -> None:
    axes.set_ylim(len(scenes) - 0.4, -0.6)
    names = [short_scene(scene.game, scene.preset, longest) for scene in rows_of(scenes)]
    axes.set_yticks(range(len(names)), names)
    reach = max(float(cells["apart"].abs().max()), LEAST_REACH) * 1.08
    axes.set_xlim(-reach, reach)
    axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: lead_tick_words(x)))
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _scene(
    axes: Axes, row: int, scene: Any, cells: pd.DataFrame, out: pd.DataFrame, longest: int
) -> None:
    half = float((cells["expected_upper_fps"] / cells["expected_fps"] - 1).median())
    axes.barh(row, 2 * half, left=-half, height=0.6, color=TINT, alpha=0.7, linewidth=0, zorder=0.6)
    named = cells["card"].isin(set(out["card"]))
    single = cells["out_of_step"].astype(bool) & ~named
    for mask, look in (
        (~named & ~single, _look(CONTEXT, "o", 4.0)),
        (single, _look(AMBER, "s", 5.5)),
        (named, _look(PLUM, "D", 5.5)),
    ):
        x = cells.loc[mask, "apart"].to_numpy(dtype=float)
        # Spread a little, in the order of the cards, so that cells do not hide each other.
        y = row + 0.4 * (np.arange(len(cells))[mask.to_numpy()] / max(len(cells) - 1, 1) - 0.5)
        axes.plot(x, y, alpha=0.75, zorder=3, **look)
    words = f"{scene.low_share:.2f}"
    if np.isfinite(scene.low_share_at_ceiling):
        words += f" ({scene.low_share_at_ceiling:.2f} at the ceiling)"
    told = [(one.card, f" {lead_words(one.apart)}") for one in rows_of(out)]
    told += [
        (one.card, f", {one.resolution} {lead_words(one.apart)}") for one in rows_of(cells[single])
    ]
    label = ""
    if told:
        (card, rest), more = told[0], len(told) - 1
        rest += f" and {more} more" if more else ""
        label = f"{shortened(card, max(longest - len(rest), 8))}{rest}"
    beside: dict[str, Any] = {
        "transform": axes.get_yaxis_transform(),
        "va": "center",
        "fontsize": 8.5,
    }
    if label:
        axes.text(1.015, row - 0.2, label, color=INK, fontweight="bold", **beside)
    axes.text(1.015, row + (0.2 if label else 0), words, color=QUIET, **beside)
