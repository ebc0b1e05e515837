"""Where one card that nobody has tested should land among its measured neighbours."""

import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyBboxPatch, Patch

from scalemodel.views.figures.layout import (
    MARGIN,
    FigureError,
    Key,
    across,
    fitted_rows,
    footnote,
    headline,
    letters,
    make_key,
    new_figure,
    place,
    rate_axis,
    spread_out,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    AMBER,
    INK,
    LINE,
    PAPER,
    PLUM,
    QUIET,
    TINT,
    house_style,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    AT_CEILING,
    CAUTION,
    METRIC_WORDS,
    count_words,
    level_words,
    rate_words,
    resolution_order,
    scene_words,
    short_name,
    shortened,
)

SCENE = ["game", "preset"]
NEIGHBOURS = 4
"""Neighbours drawn at most: the nearest in rate, over all charts."""

ROW, LABELS, RANGES, GAP = 0.44, 2.05, 0.66, 0.12  # inches: a scene, names, ranges, between
ABOVE, BETWEEN = 0.2, 0.95  # inches: above the panels, between and below rows of them
ABOVE_ROW = "AC"
"""Letters of the neighbours whose ticks stand above the row; the others stand below."""

Tick = tuple[int, str, float]
"""A neighbour's tick: row, letter and rate."""

PANELS = 3
"""Resolutions side by side at most; more go below."""


def prediction_figure(table: pd.DataFrame, neighbours: pd.DataFrame, size: Size = PAGE) -> Figure:
    """Draw the range of one card on one platform, chart by chart, among measured neighbours.

    Args:
        table: the columns of ``predict``, one card and one platform.
        neighbours: measured rates: card, platform, game, preset, resolution, rate.
        size: of the figure; for want of room scenes are left out evenly along their rates.

    Raises:
        FigureError: there is no prediction, or there are several cards or platforms.
    """
    _check_one_card(table)
    near = _nearest(table, neighbours)
    letters_of = {card: "ABCD"[n] for n, card in enumerate(near)}
    resolutions = resolution_order(table["resolution"])[-PANELS if size.limited else 0 :]
    scenes = _scenes_by_rate(table, resolutions[-1])
    head = headline(_title(table, neighbours, near), _lines(table), size)
    signs = _key(letters_of, size)
    top = head.height + signs.height + ABOVE
    blocks = math.ceil(len(resolutions) / PANELS)
    rows = fitted_rows([len(scenes)] * blocks, size, top, BETWEEN, ROW)
    drawn = [scenes[n] for n in spread_out(len(scenes), rows.drawn[0])]
    with house_style():
        figure = new_figure(top + rows.inches, head, size)
        signs.draw(figure, head.height)
        count, tall = min(PANELS, len(resolutions)), rows.height * len(drawn)
        labels = across(size, LABELS)
        wide = (size.width - 2 * MARGIN - labels - GAP * (count - 1)) / count - RANGES
        for n, resolution in enumerate(resolutions):
            left = MARGIN + labels + (n % PANELS) * (wide + RANGES + GAP)
            down = top + (n // PANELS) * (tall + BETWEEN) + 0.25
            axes = place(figure, left, down, wide, tall)
            chosen = table[table["resolution"] == resolution]
            measured = neighbours[neighbours["resolution"] == resolution]
            axes.set_title(resolution, loc="left", fontweight="bold", fontsize=11, pad=7)
            _panel(axes, chosen, measured[measured["card"].isin(near)], drawn, letters_of)
            names = drawn if n % PANELS == 0 else [""] * len(drawn)
            _scene_names(axes, names, letters(size, 30))
        footnote(figure, _small_print(table, len(scenes) - len(drawn)))
    return figure


def _check_one_card(table: pd.DataFrame) -> None:
    if table.empty:
        raise FigureError("There is no prediction to draw.")
    if len(table[["card", "platform"]].drop_duplicates()) > 1:
        raise FigureError("A figure shows one predicted card on one platform.")


def _nearest(table: pd.DataFrame, neighbours: pd.DataFrame) -> list[str]:
    """Choose the neighbours nearest in rate over the charts both have, the slowest first."""
    chart = [*SCENE, "resolution"]
    both = neighbours.merge(table[[*chart, "median"]].dropna(), on=chart)
    ratio = (both["rate"] / both["median"]).groupby(both["card"]).median()
    if ratio.empty:
        return []
    nearest = ratio.map(math.log).abs().sort_values(kind="stable").index[:NEIGHBOURS]
    return [str(card) for card in ratio[nearest].sort_values(kind="stable").index]


def _scenes_by_rate(table: pd.DataFrame, resolution: str) -> list[tuple[str, str]]:
    """Order the scenes by predicted rate at the largest resolution, the fastest on top."""
    chosen = table[table["resolution"] == resolution]
    ordered = chosen.sort_values("median", ascending=False, kind="stable", na_position="last")
    both = pd.concat([ordered, table])[SCENE].drop_duplicates()
    return [(str(game), str(preset)) for game, preset in both.itertuples(index=False)]


def _title(table: pd.DataFrame, neighbours: pd.DataFrame, near: Sequence[str]) -> str:
    card = table["card"].iloc[0]
    chart = [*SCENE, "resolution"]
    ahead = []
    for name in near:
        both = table.dropna(subset="median").merge(
            neighbours[neighbours["card"] == name], on=chart, suffixes=("", "_of_neighbour")
        )
        ahead.append((name, int((both["median"] > both["rate"]).sum()), len(both)))
    above = [one for one in ahead if 2 * one[1] > one[2]]
    below = [one for one in ahead if 2 * one[1] <= one[2]]
    parts = [f"{name} on {won} of {count}" for name, won, count in [*above[-1:], *below[:1]]]
    if not parts:
        return f"{card}: where it should land"
    return f"{card} should be faster than {' and than '.join(parts)} charts"


def _lines(table: pd.DataFrame) -> list[str]:
    parts = []
    for resolution in resolution_order(table["resolution"]):
        chosen = table[(table["resolution"] == resolution) & table["median"].notna()]
        parts.append(f"{resolution} {(chosen['p_ceiling'] >= AT_CEILING).sum()} of {len(chosen)}")
    level = level_words(float(table["level"].iloc[0]))
    metric = METRIC_WORDS.get(str(table["metric"].iloc[0]), "rate")
    return [
        f"Platform: {table['platform'].iloc[0]}. Bars and numbers: {level} range of the {metric} "
        "in frames per second; dot: the median, which the title counts.",
        f"Charts on which it will likely sit at the ceiling: {', '.join(parts)}.",
    ]


def _key(letters_of: Mapping[str, str], size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D(
            [],
            [],
            color=TINT,
            linewidth=8,
            label="predicted range",
            solid_capstyle="butt",
            **_dot(at_ceiling=False),
        ),
        Patch(facecolor=PAPER, edgecolor=AMBER, linestyle=(0, (3, 2)), label="likely at ceiling"),
    ]
    tick: dict[str, Any] = {"linestyle": "none", "marker": "|", "color": INK, "markersize": 8}
    handles += [
        Line2D([], [], label=f"{letter}  {short_name(card, 24)}", **tick)
        for card, letter in letters_of.items()
    ]
    return make_key(handles, size)


def _dot(*, at_ceiling: bool) -> dict[str, Any]:
    colour = AMBER if at_ceiling else PLUM
    return {
        "marker": "o",
        "markersize": 6.5,
        "markeredgecolor": colour,
        "markeredgewidth": 1.4,
        "markerfacecolor": PAPER if at_ceiling else colour,
    }


def _panel(
    axes: Axes,
    table: pd.DataFrame,
    measured: pd.DataFrame,
    scenes: Sequence[tuple[str, str]],
    letters: Mapping[str, str],
) -> None:
    drawn = [
        *table["lower"].dropna(),
        *table["upper"].dropna(),
        *measured.merge(table[SCENE], on=SCENE)["rate"],
    ]
    if drawn:
        rate_axis(axes, min(drawn), max(drawn), room=0.05, ticks=7)
    axes.set_ylim(len(scenes) - 0.5, -0.5)
    for row in range(1, len(scenes)):
        axes.axhline(row - 0.5, color=LINE, linewidth=0.5, zorder=0.5)
    predicted, near = _by_scene(table), _by_scene(measured)
    ticks: list[Tick] = []
    for row, scene in enumerate(scenes):
        for prediction in predicted.get(scene, []):
            _prediction(axes, row, prediction)
        if any(not math.isnan(one.median) for one in predicted.get(scene, [])):
            ticks += [(row, letters[one.card], float(one.rate)) for one in near.get(scene, [])]
    _neighbours(axes, ticks)


def _by_scene(table: pd.DataFrame) -> dict[tuple[str, str], list[Any]]:
    found: dict[tuple[str, str], list[Any]] = {}
    for one in rows_of(table):
        found.setdefault((one.game, one.preset), []).append(one)
    return found


def _prediction(axes: Axes, row: int, prediction: Any) -> None:
    if math.isnan(prediction.median):
        words = "\n".join(textwrap.wrap(shortened(f"no estimate: {prediction.reason}", 78), 42))
        axes.text(
            0.02,
            row,
            words,
            transform=axes.get_yaxis_transform(),
            color=QUIET,
            fontsize=8.5,
            va="center",
        )
        return
    at_ceiling = prediction.p_ceiling >= AT_CEILING
    axes.add_patch(
        FancyBboxPatch(
            (prediction.lower, row - 0.17),
            prediction.upper - prediction.lower,
            0.34,
            boxstyle="square,pad=0",
            facecolor=PAPER if at_ceiling else TINT,
            edgecolor=AMBER if at_ceiling else TINT,
            linestyle=(0, (3, 2)) if at_ceiling else "solid",
            zorder=2,
        )
    )
    axes.plot([prediction.median], [row], linestyle="none", zorder=4, **_dot(at_ceiling=at_ceiling))
    words = f"{rate_words(prediction.lower)}–{rate_words(prediction.upper)}"
    beside: dict[str, Any] = {
        "transform": axes.get_yaxis_transform(),
        "va": "center",
        "fontsize": 8.5,
    }
    axes.text(1.02, row, words, color=AMBER if at_ceiling else PLUM, **beside)


def _neighbours(axes: Axes, ticks: Sequence[Tick]) -> None:
    """Draw ticks with letters, in turn above and below so that close ones stay readable."""
    lows = [row - 0.2 * (letter in ABOVE_ROW) for row, letter, _ in ticks]
    across = [x for _, _, rate in ticks for x in (rate, rate, math.nan)]
    down = [y for low in lows for y in (low, low + 0.2, math.nan)]
    axes.plot(across, down, color=INK, linewidth=1.1, zorder=3)
    sides: dict[tuple[int, bool], list[tuple[str, float]]] = {}
    for row, letter, rate in sorted(ticks):
        sides.setdefault((row, letter in ABOVE_ROW), []).append((letter, rate))
    low, high = axes.get_xlim()
    for (row, above), side in sides.items():
        rates = [rate for _, rate in side]
        # letters that would cover each other are written as one
        together = math.log(max(rates) / min(rates)) <= 0.04 * math.log(high / low)
        words = [("".join(letter for letter, _ in side), sum(rates) / len(rates))]
        for letter, rate in words if together else side:
            where = (rate, row - 0.21 if above else row + 0.21)
            va = "bottom" if above else "top"
            axes.text(*where, letter, fontsize=8.5, color=INK, ha="center", va=va, zorder=5)


def _scene_names(axes: Axes, scenes: Sequence[tuple[str, str] | str], longest: int) -> None:
    names = [
        one if isinstance(one, str) else "\n".join(_two_lines(*one, longest)) for one in scenes
    ]
    axes.set_yticks(range(len(names)), names)


def _two_lines(game: str, preset: str, longest: int) -> list[str]:
    lines = textwrap.wrap(scene_words(game, preset), longest)
    if len(lines) <= 2:
        return lines
    return [shortened(game, longest - 1), f"| {shortened(preset, longest - 3)}"]


def _small_print(table: pd.DataFrame, gone: int) -> str:
    refused = int(table["median"].isna().sum())
    words = CAUTION
    if refused:
        words += f" No estimate for {count_words(refused, 'chart')}."
    if gone:
        words += f" For want of room {count_words(gone, 'scene')} not drawn."
    return words
