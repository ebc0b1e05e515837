"""How far one card is ahead of another, chart by chart."""

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.answers.groups import NATIVE, UPSCALED
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
    most_panels,
    new_figure,
    place,
    spread_out,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    CONTEXT,
    INK,
    PAPER,
    PLUM,
    QUIET,
    TINT,
    house_style,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    resolution_order,
    short_name,
    short_scene,
    shortened,
)

ROW, TOP, GAP = 0.215, 0.3, 0.24  # inches: a chart, the heading of a panel, between panels
LABELS, RIGHT = 2.75, 3.35  # inches beside the axes of a page
BELOW = 0.45  # inches, for the name of the axis


def lead_figure(table: pd.DataFrame, level: float, size: Size = PAGE) -> Figure:
    """Draw every lead of card a over card b with its range, one panel a resolution.

    The typical band is the shortest interval that holds half of the charts used.

    Args:
        table: the columns of ``lead``, one row a chart, then the summaries.
        level: of the ranges.
        size: of the figure; for want of room odd ones out and charts used are kept first.

    Raises:
        FigureError: the two cards share no chart.
    """
    every = table[table["row_kind"] == "chart"]
    summaries = table[table["row_kind"] == "summary"]
    charts = every[every["lead"].notna()]
    if charts.empty:
        raise FigureError("The two cards share no chart; there is nothing to draw.")
    panels = _panels(charts, size)
    apart = summaries["upscaling"].nunique() > 1
    lines = _lines(charts, len(every) - len(charts), level, apart=apart)
    head = headline(_title(charts, summaries, list(panels)), lines, size)
    signs = _key(size)
    top = head.height + signs.height
    taken = top + BELOW + footnote_room(size)
    panels = dict(list(panels.items())[: most_panels(size, taken, TOP + GAP, ROW)])
    rows = fitted_rows([len(one) for one in panels.values()], size, taken, TOP + GAP, ROW)
    drawn = {
        name: _kept(panel, most)
        for (name, panel), most in zip(panels.items(), rows.drawn, strict=True)
    }
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        wide, down = size.width - 2 * MARGIN - across(size, LABELS + RIGHT), top
        several = charts["platform"].nunique() > 1
        for where, panel in drawn.items():
            tall = len(panel) * rows.height
            axes = place(figure, MARGIN + across(size, LABELS), down + TOP, wide, tall)
            _limits(axes, pd.concat(drawn), last=where == list(drawn)[-1])
            name = f"{where[1]}, {shortened(where[0], 20)}" if several else where[1]
            _panel(axes, name, panel, _summary(summaries, where), size)
            down += tall + TOP + GAP
        names = [short_name(_name(table, column), letters(size, 34)) for column in ("a", "b")]
        axes.set_xlabel(f"lead of {names[0]} over {names[1]}", loc="left")
        gone = len(charts) - sum(map(len, drawn.values()))
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'chart')} not drawn.")
    return figure


def _name(table: pd.DataFrame, column: str) -> str:
    return str(table[column].iloc[0])


def _panels(charts: pd.DataFrame, size: Size) -> dict[tuple[str, str], pd.DataFrame]:
    """Give the charts of each platform and resolution, the largest resolution first.

    Where room is limited only those of the first platform.
    """
    panels = {}
    platforms = list(dict.fromkeys(charts["platform"]))
    for platform in platforms[:1] if size.limited else platforms:
        here = charts[charts["platform"] == platform]
        for resolution in resolution_order(here["resolution"])[::-1]:
            panels[str(platform), resolution] = _sorted(here[here["resolution"] == resolution])
    return panels


def _kept(charts: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many charts in their order: odd ones out, then others that are used."""
    if len(charts) <= most:
        return charts
    used, odd = charts["used"].astype(bool), charts["odd_one_out"].astype(bool)
    weight = 2 * odd.astype(int) + used.astype(int)
    chosen: list[int] = []
    for value in sorted(set(weight), reverse=True):
        those = np.flatnonzero(weight == value)
        chosen += [int(those[n]) for n in spread_out(len(those), most - len(chosen))]
        if len(chosen) >= most:
            break
    return charts.iloc[sorted(chosen)]


def _sorted(charts: pd.DataFrame) -> pd.DataFrame:
    """Order the charts by lead, the used ones first."""
    ordered = charts.sort_values("lead", ascending=False, kind="stable")
    used = ordered["used"].astype(bool)
    return pd.concat([ordered[used], ordered[~used]])


def _summary(summaries: pd.DataFrame, key: tuple[str, str]) -> Any:
    of_key = (summaries["platform"] == key[0]) & (summaries["resolution"] == key[1])
    found = summaries[of_key]
    used = found[found["charts_used"] > 0]
    return next(rows_of(used if len(used) else found), None)


def _title(charts: pd.DataFrame, summaries: pd.DataFrame, keys: list[tuple[str, str]]) -> str:
    """Give the typical lead at each resolution of the first platform that has one."""
    a, b = _name(charts, "a"), _name(charts, "b")
    for platform in dict.fromkeys(key[0] for key in keys):
        parts = []
        for key in keys:
            summary = _summary(summaries, key) if key[0] == platform else None
            if summary is not None and math.isfinite(summary.typical_lower):
                span = lead_range_words(summary.typical_lower, summary.typical_upper)
                parts.append(f"{span} at {key[1]}")
        if parts:
            where = f" on {platform}" if charts["platform"].nunique() > 1 else ""
            return f"{a} against {b}, typical lead{where}: {', '.join(parts)}"
    return f"{a} against {b}: no typical lead, for want of charts that can be used"


def _lines(charts: pd.DataFrame, absent: int, level: float, *, apart: bool) -> list[str]:
    platforms = ", ".join(dict.fromkeys(charts["platform"]))
    used = charts["used"].astype(bool)
    even = charts.loc[used, "within_test_error"].astype(bool)
    words = (
        f"Platform: {platforms}. {count_words(int(used.sum()), 'chart')} used, "
        f"{int((~used).sum())} left out; within test error on {int(even.sum())} of those used."
    )
    lines = [f"{words} Lines are {level_words(level)} ranges from test error."]
    if apart:
        lines.append("Typical leads and means are of native charts; upscaled ones are marked.")
    if absent:
        lines.append(f"Not drawn: {count_words(absent, 'chart')} without a result of both cards.")
    return lines


def _key(size: Size) -> Key:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label="lead", **_look(PLUM, PLUM)),
        Line2D([], [], label="within test error", **_look(CONTEXT, CONTEXT)),
        Line2D([], [], label="left out, with the reason", **_look(PAPER, CONTEXT)),
        Patch(facecolor=TINT, alpha=0.55, label="typical: half of the charts used"),
    ]
    return make_key(handles, size)


def _look(fill: str, edge: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": "o",
        "markersize": 5.8,
        "markerfacecolor": fill,
        "markeredgecolor": edge,
        "markeredgewidth": 1.2,
    }


def _limits(axes: Axes, charts: pd.DataFrame, *, last: bool) -> None:
    ends = charts[["lead", "lower", "upper"]].to_numpy(dtype=float).ravel()
    ends = np.concatenate([ends[np.isfinite(ends)], [0.0]])
    pad = 0.04 * max(float(np.ptp(ends)), 0.02)
    axes.set_xlim(ends.min() - pad, ends.max() + pad)
    axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: lead_tick_words(x)))
    axes.tick_params(labelbottom=last)
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _panel(axes: Axes, name: str, charts: pd.DataFrame, summary: Any, size: Size) -> None:
    axes.set_ylim(len(charts) - 0.4, -0.6)
    longest = letters(size, 38)
    names = [short_scene(chart.game, chart.preset, longest) for chart in rows_of(charts)]
    axes.set_yticks(range(len(names)), names)
    left = -across(size, LABELS) / (size.width - 2 * MARGIN - across(size, LABELS + RIGHT))
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(name, (left, 1), (0, 6), fontweight="bold", fontsize=11, **above)
    axes.annotate(_panel_words(summary), (0, 1), (0, 6), color=INK, **above)
    if summary is not None and math.isfinite(summary.typical_lower):
        low, high = summary.typical_lower, summary.typical_upper
        axes.axvspan(low, high, facecolor=TINT, alpha=0.55, linewidth=0, zorder=0.5)
    for row, chart in enumerate(rows_of(charts)):
        native = summary is not None and summary.upscaling == NATIVE
        _chart(axes, row, chart, size, apart=native and chart.upscaling == UPSCALED)


def _panel_words(summary: Any) -> str:
    if summary is None or not math.isfinite(summary.lead):
        return "no chart that can be used"
    words = f"geometric mean {lead_words(summary.lead)}"
    if math.isfinite(summary.typical_lower):
        span = lead_range_words(summary.typical_lower, summary.typical_upper)
        words = f"typical {span}, {words}"
    return words


def _chart(axes: Axes, row: int, chart: Any, size: Size, *, apart: bool) -> None:
    used = bool(chart.used)
    even = used and bool(chart.within_test_error)
    line = CONTEXT if even or not used else PLUM
    axes.plot([chart.lower, chart.upper], [row, row], color=line, linewidth=1.6, zorder=2)
    axes.plot([chart.lead], [row], zorder=3, **_look(line if used else PAPER, line))
    words, weight, colour = lead_words(chart.lead), "normal", QUIET
    if not used:
        words = shortened(f"{words}  {chart.reason}", letters(size, 51))
    elif apart:
        words = f"{words}  upscaled: not in the mean"
    elif chart.odd_one_out:
        words, weight, colour = f"{words}  odd one out", "bold", INK
    axes.text(
        1.015,
        row,
        words,
        transform=axes.get_yaxis_transform(),
        color=colour,
        fontweight=weight,
        fontsize=8.5,
        va="center",
    )
