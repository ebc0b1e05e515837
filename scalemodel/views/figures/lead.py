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

from scalemodel.views.figures.layout import MARGIN, FigureError, headline, new_figure, place
from scalemodel.views.style import (
    CONTEXT,
    INK,
    PAPER,
    PLUM,
    QUIET,
    TINT,
    WIDTH_INCHES,
    house_style,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    resolution_order,
    short_scene,
    shortened,
)

ROW, TOP, GAP = 0.215, 0.3, 0.24  # inches: a chart, the heading of a panel, between panels
LABELS, RIGHT = 2.75, 3.35  # inches beside the axes


def lead_figure(table: pd.DataFrame, level: float) -> Figure:
    """Draw every lead of card a over card b with its range, one panel a resolution.

    The typical band is the shortest interval that holds half of the charts used.

    Args:
        table: the columns of ``lead``, one row a chart, then the summaries.
        level: of the ranges.

    Raises:
        FigureError: the two cards share no chart.
    """
    charts = table[table["row_kind"] == "chart"]
    summaries = table[table["row_kind"] == "summary"]
    if charts.empty:
        raise FigureError("The two cards share no chart; there is nothing to draw.")
    resolutions = resolution_order(charts["resolution"])[::-1]
    head = headline(_title(charts, summaries, resolutions), _lines(charts, level))
    panels = [_sorted(charts[charts["resolution"] == one]) for one in resolutions]
    top = head.height + 0.42
    tall = sum(len(panel) * ROW + TOP + GAP for panel in panels)
    with house_style():
        figure = new_figure(top + tall + 0.45, head)
        _legend(figure, head.height)
        wide, down = WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT, top
        several = charts["platform"].nunique() > 1
        for resolution, panel in zip(resolutions, panels, strict=True):
            axes = place(figure, MARGIN + LABELS, down + TOP, wide, len(panel) * ROW)
            _limits(axes, charts, last=resolution == resolutions[-1])
            _panel(axes, resolution, panel, _summary(summaries, resolution), several)
            down += len(panel) * ROW + TOP + GAP
        axes.set_xlabel(f"lead of {shortened(_name(table, 'a'), 40)} in frame rate", loc="left")
    return figure


def _name(table: pd.DataFrame, column: str) -> str:
    return str(table[column].iloc[0])


def _sorted(charts: pd.DataFrame) -> pd.DataFrame:
    """Order the charts by lead, the used ones first."""
    ordered = charts.sort_values("lead", ascending=False, kind="stable", na_position="last")
    return pd.concat([ordered[ordered["used"]], ordered[~ordered["used"]]])


def _summary(summaries: pd.DataFrame, resolution: str) -> Any:
    chosen = summaries[summaries["resolution"] == resolution]
    return next(rows_of(chosen), None)


def _title(charts: pd.DataFrame, summaries: pd.DataFrame, resolutions: list[str]) -> str:
    a, b = _name(charts, "a"), _name(charts, "b")
    parts = []
    for resolution in resolutions:
        summary = _summary(summaries, resolution)
        if summary is not None and math.isfinite(summary.typical_lower):
            span = lead_range_words(summary.typical_lower, summary.typical_upper)
            parts.append(f"{span} at {resolution}")
    if not parts:
        return f"{a} against {b}: no chart can compare them"
    return f"{a} against {b}, typical lead: {', '.join(parts)}"


def _lines(charts: pd.DataFrame, level: float) -> list[str]:
    platforms = ", ".join(dict.fromkeys(charts["platform"]))
    used, even = charts["used"], charts["used"] & charts["within_test_error"]
    words = (
        f"Platform: {platforms}. {count_words(int(used.sum()), 'chart')} used, "
        f"{int((~used).sum())} left out; within test error on {int(even.sum())} of those used."
    )
    return [f"{words} Lines are {level_words(level)} ranges from test error."]


def _legend(figure: Figure, down: float) -> None:
    handles: list[Line2D | Patch] = [
        Line2D([], [], label="lead", **_look(PLUM, PLUM)),
        Line2D([], [], label="within test error", **_look(CONTEXT, CONTEXT)),
        Line2D([], [], label="left out, with the reason", **_look(PAPER, CONTEXT)),
        Patch(facecolor=TINT, alpha=0.55, label="typical: half of the charts used lie within"),
    ]
    figure.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=(MARGIN / WIDTH_INCHES, 1 - (down + 0.06) / figure.get_figheight()),
        ncols=len(handles),
        borderpad=0,
        borderaxespad=0,
        handletextpad=0.5,
        columnspacing=1.6,
    )


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
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: _percent(x)))
    axes.tick_params(labelbottom=last)
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _percent(lead: float) -> str:
    return f"{100 * lead + 0.0:+.10g}%".replace("-", "−") if abs(lead) > 1e-9 else "0"


def _panel(
    axes: Axes, resolution: str, charts: pd.DataFrame, summary: Any, name_platform: bool
) -> None:
    axes.set_ylim(len(charts) - 0.4, -0.6)
    names = [_chart_name(chart, name_platform) for chart in rows_of(charts)]
    axes.set_yticks(range(len(names)), names)
    left = -LABELS / (WIDTH_INCHES - 2 * MARGIN - LABELS - RIGHT)
    above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(resolution, (left, 1), (0, 6), fontweight="bold", fontsize=11, **above)
    if summary is None or not math.isfinite(summary.typical_lower):
        axes.annotate("no chart that can be used", (0, 1), (0, 6), color=QUIET, **above)
    else:
        low, high = summary.typical_lower, summary.typical_upper
        axes.axvspan(low, high, facecolor=TINT, alpha=0.55, linewidth=0, zorder=0.5)
        words = f"typical {lead_range_words(low, high)}, geometric mean {lead_words(summary.lead)}"
        axes.annotate(words, (0, 1), (0, 6), color=INK, **above)
    for row, chart in enumerate(rows_of(charts)):
        _chart(axes, row, chart)


def _chart_name(chart: Any, name_platform: bool) -> str:
    if not name_platform:
        return short_scene(chart.game, chart.preset, 38)
    return f"{short_scene(chart.game, chart.preset, 26)} | {shortened(chart.platform, 10)}"


def _chart(axes: Axes, row: int, chart: Any) -> None:
    used, even = bool(chart.used), bool(chart.within_test_error)
    line = CONTEXT if even or not used else PLUM
    if math.isfinite(chart.lower) and math.isfinite(chart.upper):
        axes.plot([chart.lower, chart.upper], [row, row], color=line, linewidth=1.6, zorder=2)
    fill = PAPER if not used else line
    if math.isfinite(chart.lead):
        axes.plot([chart.lead], [row], zorder=3, **_look(fill, line))
    words = lead_words(chart.lead) if math.isfinite(chart.lead) else ""
    weight, colour = "normal", QUIET
    if not used:
        words = shortened(f"{words}  {chart.reason}".strip(), 50)
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
