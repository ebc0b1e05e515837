"""A lead by groups of charts: every chart, and the mean of each group with its range."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator

from scalemodel.answers.lead_groups import LeadGroups
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
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import CONTEXT, INK, PLUM, QUIET, house_style
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    lead_range_words,
    lead_words,
    level_words,
    probability_words,
    shortened,
)

ROW, SMALLEST_ROW, TOP, GAP = 0.5, 0.33, 0.34, 0.3
LABELS, RIGHT = 2.2, 3.3  # inches beside the axes of a page
BELOW = 0.45  # inches, for the name of the axis


def groups_figure(answer: LeadGroups, size: Size = PAGE) -> Figure:
    """Draw the charts of each group and the lead of the group, a panel a platform.

    Args:
        answer: what is drawn.
        size: of the figure; for want of room the groups of most charts are drawn.

    Raises:
        FigureError: no chart can be used.
    """
    groups = answer.table[answer.table["row_kind"] == "group"]
    if groups.empty:
        raise FigureError("No chart of the two cards can be grouped; there is nothing to draw.")
    charts = answer.charts[answer.charts["used"].astype(bool)]
    head, signs = headline(_title(answer), _lines(answer, charts), size), _key(answer.level, size)
    top = head.height + signs.height
    taken = top + BELOW + footnote_room(size)
    row = SMALLEST_ROW if size.limited else ROW
    panels = list(groups.groupby("platform", sort=False))[
        : most_panels(size, taken, TOP + GAP, row)
    ]
    rows = fitted_rows([len(part) for _, part in panels], size, taken, TOP + GAP, row)
    with house_style():
        figure = new_figure(taken + rows.inches, head, size)
        signs.draw(figure, head.height)
        left = across(size, LABELS)
        down, wide = top, size.width - 2 * MARGIN - left - across(size, RIGHT)
        for (platform, every), most in zip(panels, rows.drawn, strict=True):
            part, tall = _kept(every, most), most * rows.height
            axes = place(figure, MARGIN + left, down + TOP, wide, tall)
            _limits(axes, charts, part, last=platform == panels[-1][0])
            _panel(axes, part, charts[charts["platform"] == platform], letters(size, 28))
            above: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points"}
            name = shortened(str(platform), letters(size, 60))
            axes.annotate(name, (-left / wide, 1), (0, 6), fontweight="bold", fontsize=11, **above)
            down += tall + TOP + GAP
        names = [shortened(name, letters(size, 34)) for name in (answer.a, answer.b)]
        axes.set_xlabel(f"lead of {names[0]} over {names[1]}", loc="left")
        gone = len(groups) - sum(rows.drawn)
        if gone:
            footnote(figure, f"For want of room {count_words(gone, 'group')} not drawn.")
    return figure


def _kept(groups: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many groups in their order, those of most charts."""
    first = groups["charts_used"].sort_values(ascending=False, kind="stable").index[:most]
    return groups.loc[sorted(first)]


def _title(answer: LeadGroups) -> str:
    rows = answer.table[answer.table["row_kind"] == "group"]
    first = rows[rows["platform"] == rows["platform"].iloc[0]]
    told = [
        f"{lead_words(row.lead)} with {shortened(str(row.group), 24)}"
        for row in rows_of(first.head(3))
    ]
    a, b = (shortened(name, 34) for name in (answer.a, answer.b))
    more = f" and {len(first) - 3} more" if len(first) > 3 else ""
    return f"{a} against {b} by {shortened(answer.by, 24)}: {', '.join(told)}{more}"


def _lines(answer: LeadGroups, charts: pd.DataFrame) -> list[str]:
    whole = answer.table[answer.table["row_kind"] == "all"]
    told = [
        f"{row.platform}: {row.reason or _chance_words(row.p_different)}" for row in rows_of(whole)
    ]
    return [
        f"{count_words(len(charts), 'chart')} used. {'; '.join(told)}.",
        "A group's range counts that charts of one scene, and scenes of one game, are alike.",
    ]


def _chance_words(p: float) -> str:
    return f"groups that are alike would differ so much with a chance of {probability_words(p)}"


def _key(level: float, size: Size) -> Key:
    handles = [
        Line2D([], [], label="chart", **_look(CONTEXT, "o", 4.5)),
        Line2D([], [], label="group", **_look(PLUM, "D", 7.0)),
        Line2D([], [], color=PLUM, linewidth=2, label=f"{level_words(level)} range of the group"),
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


def _limits(axes: Axes, charts: pd.DataFrame, groups: pd.DataFrame, *, last: bool) -> None:
    leads = charts["lead"].to_numpy(dtype=float)
    ends = np.concatenate([leads, groups[["lower", "upper"]].to_numpy(dtype=float).ravel(), [0.0]])
    pad = 0.05 * max(float(np.ptp(ends)), 0.02)
    axes.set_xlim(ends.min() - pad, ends.max() + pad)
    axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: lead_tick_words(x)))
    axes.tick_params(labelbottom=last)
    axes.axvline(0, color=QUIET, linewidth=1, zorder=1)


def _panel(axes: Axes, groups: pd.DataFrame, charts: pd.DataFrame, longest: int) -> None:
    axes.set_ylim(len(groups) - 0.4, -0.6)
    axes.set_yticks(range(len(groups)), [shortened(str(one), longest) for one in groups["group"]])
    for row, group in enumerate(rows_of(groups)):
        leads = charts.loc[charts["group"] == group.group, "lead"].to_numpy(dtype=float)
        y = np.full(len(leads), row + 0.16)
        axes.plot(leads, y, alpha=0.8, zorder=2, **_look(CONTEXT, "o", 4.5))
        axes.plot([group.lower, group.upper], [row - 0.12] * 2, color=PLUM, linewidth=2, zorder=3)
        axes.plot([group.lead], [row - 0.12], zorder=4, **_look(PLUM, "D", 7.0))
        words = f"{lead_words(group.lead)} ({lead_range_words(group.lower, group.upper)})"
        axes.text(
            1.015,
            row,
            f"{words}, {count_words(group.charts_used, 'chart')}",
            transform=axes.get_yaxis_transform(),
            color=INK,
            fontsize=8.5,
            va="center",
        )
