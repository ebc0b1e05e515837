"""What was tested: a mark for every cell of a bench, with gaps and left-out runs in sight."""

from typing import Any

import numpy as np
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
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, CONTEXT, LINE, PAPER, PLUM, QUIET, house_style
from scalemodel.views.words import (
    count_words,
    resolution_order,
    short_name,
    short_scene,
    shortened,
)

ROW, SMALLEST_ROW, LABELS, BELOW, GAP = 0.19, 0.13, 1.75, 0.35, 0.3  # inches, on a page
SLANT, LETTER = 0.72, 0.072
"""Of the names above the columns: sine of their slope, and inches of a letter."""

LONGEST = 22
"""Letters of the name of a scene."""

SCENE = ["game", "preset"]


def bench_figure(table: pd.DataFrame, size: Size = PAGE) -> Figure:
    """Draw a mark for each cell, a row a card and a column a chart, a panel a platform.

    Args:
        table: one row a cell: card, platform, game, preset, resolution, runs, left_out.
        size: of the figure; for want of room the first platform and its first cards are drawn.

    Raises:
        FigureError: nothing was tested.
    """
    if table.empty:
        raise FigureError("Nothing was tested; there is nothing to draw.")
    platforms = list(dict.fromkeys(table["platform"]))
    platforms = platforms[:1] if size.limited else platforms
    parts = [table[table["platform"] == platform] for platform in platforms]
    head, signs = headline(_title(table), _lines(table), size), _key(table, size)
    names = max(len(short_scene(*scene, LONGEST)) for part in parts for scene in _scenes(part))
    above = 0.35 + names * LETTER * SLANT
    taken = head.height + signs.height + BELOW + footnote_room(size)
    cards = [list(dict.fromkeys(part["card"])) for part in parts]
    row = SMALLEST_ROW if size.limited else ROW
    rows = fitted_rows([len(one) for one in cards], size, taken, above + GAP, row)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        down, labels = head.height + signs.height, across(size, LABELS)
        wide = size.width - 2 * MARGIN - labels - 0.9
        for platform, part, own, count in zip(platforms, parts, cards, rows.drawn, strict=True):
            tall = count * rows.height
            axes = place(figure, MARGIN + labels, down + above, wide, tall)
            _panel(axes, part, own[:count], letters(size, 22))
            title = shortened(platform, 24) if table["platform"].nunique() > 1 else ""
            figure.text(
                MARGIN / size.width, 1 - (down + above - 0.12) / figure.get_figheight(), title,
                fontweight="bold", fontsize=11, va="bottom",
            )  # fmt: skip
            down += above + tall + GAP
        footnote(figure, _small_print(table, platforms, sum(map(len, cards)) - sum(rows.drawn)))
    return figure


def _scenes(part: pd.DataFrame) -> list[tuple[str, str]]:
    return sorted({(str(g), str(p)) for g, p in zip(part["game"], part["preset"], strict=True)})


def _title(table: pd.DataFrame) -> str:
    cards = table.groupby("platform", sort=False)["card"].nunique()
    chart = ["platform", "game", "preset", "resolution"]
    charts = table[chart].drop_duplicates().groupby("platform", sort=False).size()
    whole = int((cards * charts).sum())
    tested = int((table["runs"] > 0).sum())
    words = f"{tested:,} of {count_words(whole, 'cell')} are tested"
    gone = int(table["left_out"].sum())
    return f"{words}, {count_words(gone, 'run')} left out" if gone else words


def _lines(table: pd.DataFrame) -> list[str]:
    resolutions = ", ".join(resolution_order(table["resolution"]))
    return [f"Columns: scenes, each at {resolutions} from left to right where it was tested."]


def _key(table: pd.DataFrame, size: Size) -> Key:
    runs = int(table.loc[table["runs"] > 0, "runs"].median()) if (table["runs"] > 0).any() else 1
    handles = [
        Line2D([], [], label=f"{count_words(runs, 'run')} or more", **_look(PLUM, PLUM)),
        Line2D([], [], label="fewer", **_look(PAPER, PLUM)),
        Line2D([], [], label="with runs left out", **_cross()),
        Line2D(
            [], [], linestyle="none", marker=".", markersize=2.5, color=CONTEXT, label="not tested"
        ),
    ]
    return make_key(handles, size)


def _look(fill: str, edge: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "o",
        "markersize": 4.4,
        "markerfacecolor": fill,
        "markeredgecolor": edge,
        "markeredgewidth": 1.0,
    }


def _cross() -> dict[str, Any]:
    return {"linestyle": "none", "marker": "x", "markersize": 6.5, "color": AMBER}


def _panel(axes: Axes, part: pd.DataFrame, cards: list[str], longest: int) -> None:
    order = {size: n for n, size in enumerate(resolution_order(part["resolution"]))}
    charts = sorted(
        set(zip(part["game"], part["preset"], part["resolution"], strict=True)),
        key=lambda chart: (chart[0], chart[1], order[chart[2]]),
    )
    columns = _columns(charts)
    axes.set_xlim(-0.8, max(columns.values()) + 0.8)
    axes.set_ylim(len(cards) - 0.4, -0.6)
    axes.grid(visible=False)
    axes.set_yticks(range(len(cards)), [short_name(card, longest) for card in cards], fontsize=8.5)
    axes.set_xticks([])
    axes.spines["bottom"].set_visible(False)
    usual = max(float(part.loc[part["runs"] > 0, "runs"].median()), 1.0)
    x, y = np.meshgrid(list(columns.values()), range(len(cards)))
    axes.plot(x.ravel(), y.ravel(), ".", color=CONTEXT, markersize=2.5, zorder=1)
    here = part[part["card"].isin(cards)]
    at = [
        columns[key] for key in zip(here["game"], here["preset"], here["resolution"], strict=True)
    ]
    points = here.assign(x=at, y=[cards.index(card) for card in here["card"]])
    for chosen, look in (
        (points["runs"] >= usual, _look(PLUM, PLUM)),
        ((points["runs"] > 0) & (points["runs"] < usual), _look(PAPER, PLUM)),
        (points["left_out"] > 0, _cross()),
    ):
        axes.plot(points.loc[chosen, "x"], points.loc[chosen, "y"], zorder=2, **look)
    _names(axes, columns)


def _columns(charts: list[tuple[str, str, str]]) -> dict[tuple[str, str, str], float]:
    """Give each chart its place across, with a gap between scenes."""
    places, at = {}, -1.0
    for n, chart in enumerate(charts):
        at += 1.0 if n == 0 or chart[:2] == charts[n - 1][:2] else 1.7
        places[chart] = at
    return places


def _names(axes: Axes, columns: dict[tuple[str, str, str], float]) -> None:
    scenes: dict[tuple[str, str], list[float]] = {}
    for (game, preset, _), at in columns.items():
        scenes.setdefault((game, preset), []).append(at)
    for scene, places in scenes.items():
        axes.annotate(
            short_scene(*scene, LONGEST),
            (sum(places) / len(places), 1),
            (0, 5),
            xycoords=axes.get_xaxis_transform(),
            textcoords="offset points",
            rotation=45,
            rotation_mode="anchor",
            color=QUIET,
            fontsize=8.5,
            ha="left",
            va="center",
        )
        edge = places[-1] + 0.85
        axes.axvline(edge, color=LINE, linewidth=0.7, zorder=0.5)


def _small_print(table: pd.DataFrame, platforms: list[str], gone: int) -> str:
    left = [one for one in dict.fromkeys(table["platform"]) if one not in platforms]
    parts = [f"platform {shortened(one, 24)}" for one in left]
    parts += [count_words(gone, "card")] if gone else []
    return f"For want of room not drawn: {', '.join(parts)}." if parts else ""
