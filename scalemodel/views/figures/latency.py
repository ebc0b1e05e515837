"""Latency against frame time, scene by scene: the line, its range, what it cannot be below."""

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from scalemodel.answers.latency import Latency
from scalemodel.answers.spread import ALL
from scalemodel.model.waiting import least_latency
from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    footnote,
    footnote_room,
    headline,
    letters,
    make_key,
    new_figure,
    place,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import AMBER, CONTEXT, INK, PLUM, QUIET, TINT, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    level_words,
    short_scene,
    shortened,
    signed_ms_words,
)

COLUMNS, GAP, LEFT = 3, 0.62, 0.35
"""Panels side by side; inches between them, and for the numbers beside the first."""

TALL, LOWEST, TOP, BOTTOM = 2.9, 1.5, 0.42, 0.62
"""Inches of a panel, of one where room is limited, above and below it."""

LETTER = 0.085
"""Inches of a letter of a name, on average."""


def latency_figure(answer: Latency, platform: str, size: Size = PAGE) -> Figure:
    """Draw the cells of a platform with the lines of their scenes.

    Args:
        answer: what is drawn.
        platform: of which.
        size: of the figure; for want of room the scenes of most cells are drawn.

    Raises:
        FigureError: the platform has no line.
    """
    lines = answer.lines[(answer.lines["platform"] == platform) & (answer.lines["reason"] == "")]
    cells = answer.table[(answer.table["platform"] == platform) & (answer.table["reason"] == "")]
    scenes = lines[lines["game"] != ALL]
    if scenes.empty:
        raise FigureError(f"There is no line of latency on {platform}; there is nothing to draw.")
    cards = answer.cards[answer.cards["platform"] == platform]
    broken = cards[cards["breaks"].astype(bool)]
    head = headline(_title(lines, broken), _lines(answer, lines, cells, platform), size)
    signs = _key(answer.level, size)
    taken = head.height + signs.height + footnote_room(size)
    most = max(int((size.tallest - taken) / (TOP + LOWEST + BOTTOM)), 1)
    drawn = _kept(scenes, COLUMNS * most)
    rows = math.ceil(len(drawn) / COLUMNS)
    tall = min(TALL, (size.tallest - taken) / rows - TOP - BOTTOM)
    wide = (size.width - 2 * MARGIN - GAP * (COLUMNS - 1) - LEFT) / COLUMNS
    with house_style():
        figure = new_figure(taken + rows * (TOP + tall + BOTTOM), head, size)
        signs.draw(figure, head.height)
        for number, scene in enumerate(rows_of(drawn)):
            row, column = divmod(number, COLUMNS)
            left = MARGIN + LEFT + column * (wide + GAP)
            down = head.height + signs.height + row * (TOP + tall + BOTTOM) + TOP
            axes = place(figure, left, down, wide, tall)
            here = (cells["game"] == scene.game) & (cells["preset"] == scene.preset)
            _panel(axes, scene, cells[here], set(broken["card"]), letters(size, 34))
            axes.set_ylabel("latency, ms" if column == 0 else "")
        gone = len(scenes) - len(drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'scene')} not drawn.")
    return figure


def _kept(scenes: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many scenes in their order, those of most cells."""
    first = scenes["cells"].sort_values(ascending=False, kind="stable").index[:most]
    return scenes.loc[sorted(first)]


def _title(lines: pd.DataFrame, broken: pd.DataFrame) -> str:
    whole = lines[lines["game"] == ALL].iloc[0]
    words = f"Latency is {whole['constant_ms']:.0f} ms and {whole['frames']:.1f} frames"
    if broken.empty:
        return f"{words}; no card breaks from the line"
    names = ", ".join(
        f"{shortened(row.card, 24)} {signed_ms_words(row.apart_ms)}" for row in rows_of(broken)
    )
    return f"{words}; off the line: {names}"


def _lines(answer: Latency, lines: pd.DataFrame, cells: pd.DataFrame, platform: str) -> list[str]:
    whole = lines[lines["game"] == ALL].iloc[0]
    what = "from click to photon" if answer.source == "shots" else "as the runs have it"
    return [
        f"Platform: {platform}. {count_words(len(cells), 'cell')}, latency {what}. From "
        f"{whole['from_fps']:g} to {whole['to_fps']:g} fps buys {whole['bought_ms']:.1f} ms.",
        "Cards at the ceiling lie below the line: fewer of their frames wait. The dashed line is "
        "half a frame, the GPU's work and half a refresh.",
    ]


def _key(level: float, size: Size) -> Key:
    def point(fill: str, name: str, marker: str) -> Line2D:
        return Line2D([], [], label=name, **_look(fill, marker))

    handles: list[Line2D | Patch] = [
        point(CONTEXT, "card on a chart", "o"),
        point(PLUM, "of a card that breaks from the line", "D"),
        point(AMBER, "single cell off the line", "s"),
        Line2D([], [], color=INK, linewidth=1.4, label="line of the scene"),
        Patch(facecolor=TINT, alpha=0.55, label=f"{level_words(level)} range of a card"),
        Line2D([], [], color=QUIET, linewidth=1.2, linestyle=(0, (4, 3)), label="at least"),
    ]
    return make_key(handles, size)


def _look(fill: str, marker: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": marker,
        "markersize": 5.5,
        "markerfacecolor": fill,
        "markeredgecolor": fill,
    }


def _panel(axes: Axes, scene: Any, cells: pd.DataFrame, broken: set[str], longest: int) -> None:
    frame = cells["frame_ms"].to_numpy(dtype=float)
    x = np.linspace(0, frame.max() * 1.06, 60)
    axes.grid(visible=True, axis="both")
    axes.set_xlim(0, x[-1])
    line = scene.constant_ms + scene.frames * x
    reach = _reach(cells, x)
    axes.fill_between(x, line - reach, line + reach, color=TINT, alpha=0.55, linewidth=0)
    axes.plot(x, line, color=INK, linewidth=1.4)
    refresh = np.full(len(x), cells["refresh_hz"].median())
    least = least_latency(x, x, refresh)
    axes.plot(x, least, color=QUIET, linewidth=1.2, linestyle=(0, (4, 3)))
    for cell in rows_of(cells):
        out = cell.card in broken
        fill, marker = (PLUM, "D") if out else (AMBER, "s") if cell.off_line else (CONTEXT, "o")
        ends = [cell.lower_ms, cell.upper_ms]
        axes.plot([cell.frame_ms] * 2, ends, color=fill, linewidth=1.2, zorder=2)
        axes.plot([cell.frame_ms], [cell.latency_ms], zorder=3, **_look(fill, marker))
    _label(axes, cells, broken)
    axes.set_ylim(0, max(cells["latency_ms"].max(), line[-1]) * 1.08)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.set_xlabel("frame time, ms", loc="left")
    name = short_scene(scene.game, scene.preset, longest)
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(name, (0, 1), (0, 18), fontweight="bold", fontsize=10.5, **above)
    words = f"{scene.constant_ms:.1f} ms and {scene.frames:.2f} frames"
    span = f" ({scene.frames_lower:.2f}–{scene.frames_upper:.2f})"
    axes.annotate(words + span, (0, 1), (0, 5), color=QUIET, fontsize=9, **above)


def _reach(cells: pd.DataFrame, x: "np.ndarray[Any, Any]") -> "np.ndarray[Any, Any]":
    """Return the half width of the range at some frame times, from those of the cells."""
    ordered = cells.sort_values("frame_ms")
    half = (ordered["expected_upper_ms"] - ordered["expected_lower_ms"]) / 2
    return np.asarray(np.interp(x, ordered["frame_ms"].to_numpy(), half.to_numpy()))


def _label(axes: Axes, cells: pd.DataFrame, broken: set[str]) -> None:
    """Name each broken card once, and every single cell off the line."""
    for card, part in cells[cells["card"].isin(broken)].groupby("card", sort=False):
        cell = part.sort_values("frame_ms").iloc[-1]
        _name(axes, str(card), cell["frame_ms"], cell["latency_ms"], PLUM)
    for cell in rows_of(cells[cells["off_line"].astype(bool) & ~cells["card"].isin(broken)]):
        _name(axes, f"{cell.card}, {cell.resolution}", cell.frame_ms, cell.latency_ms, AMBER)


def _name(axes: Axes, words: str, x: float, y: float, colour: str) -> None:
    """Write a name to the left of its point; from the axis on where it is too long for that."""
    words = shortened(words, 26)
    span = axes.get_window_extent().width / axes.get_figure(root=True).dpi  # type: ignore[union-attr]
    fits = LETTER * len(words) < span * x / axes.get_xlim()[1]
    axes.annotate(
        words,
        (x if fits else 0, y),
        (-4 if fits else 3, 6),
        textcoords="offset points",
        ha="right" if fits else "left",
        fontsize=8.5,
        fontweight="bold",
        color=colour,
    )
