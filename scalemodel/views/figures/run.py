"""One run: its frame times along the way and how they spread, with both lows marked."""

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from scalemodel.views.figures.layout import (
    MARGIN,
    across,
    headline,
    make_key,
    new_figure,
    place,
    round_rates,
)
from scalemodel.views.sizes import PAGE, Size
from scalemodel.views.style import (
    AMBER,
    CONTEXT,
    INK,
    LINE,
    PLUM,
    QUIET,
    TINT,
    house_style,
)
from scalemodel.views.words import count_words, level_words, rate_words, scene_words

TALL, LEFT, SPREAD, RIGHT, GAP, BELOW = 4.2, 0.55, 1.7, 2.1, 0.12, 0.55  # inches

LABEL = 0.2
"""Inches between the names of two marks, at least."""

DEFINITIONS = ("quantile", "slowest_mean")
LOWS = {"low_1pct": "1% low", "low_01pct": "0.1% low"}


def run_figure(run: Any, along: pd.DataFrame, spread: pd.DataFrame, size: Size = PAGE) -> Figure:
    """Draw one run.

    Args:
        run: its row of ``reduce``.
        along: seconds, fastest_ms, slowest_ms, running_median_ms and spikes, one row a step.
        spread: from_ms, to_ms and share, one row a bar.
        size: of the figure.
    """
    head, signs = headline(_title(run), _lines(run), size), make_key(_signs(along), size)
    top = head.height + signs.height
    tall = min(TALL, size.tallest - top - BELOW)
    with house_style():
        figure = new_figure(top + tall + BELOW, head, size)
        signs.draw(figure, head.height)
        beside = across(size, SPREAD)
        wide = size.width - 2 * MARGIN - LEFT - beside - RIGHT - GAP
        way = place(figure, MARGIN + LEFT, top, wide, tall)
        side = place(figure, MARGIN + LEFT + wide + GAP, top, beside, tall)
        _time_axis(way, side, along)
        _along(way, along)
        _spread(side, spread)
        _marks(way, side, run)
        way.set_xlabel("seconds of the run", loc="left")
        way.set_ylabel("frame time, ms", loc="top")
        side.set_xlabel("share of the frames", loc="left")
    return figure


def _title(run: Any) -> str:
    where = f"{scene_words(run.game, run.preset)} at {run.resolution}, run {run.run}"
    return f"{run.card}, {where}: {rate_words(run.avg_fps)} frames per second on average"


def _lines(run: Any) -> list[str]:
    words = f"{run.platform}. {count_words(int(run.frames), 'frame')} in {run.seconds:,.1f} s"
    if not math.isnan(run.avg_upper):
        span = f"{rate_words(run.avg_lower)} to {rate_words(run.avg_upper)}"
        words += f"; {level_words(run.level)} range of the average {span}"
    share = f"{100 * run.spike_share:.1f}% of the time"
    words += f". {count_words(int(run.spikes), 'spike')} ({share}): over twice the running median."
    lines = [words]
    if not math.isnan(run.held_at_fps):
        held = rate_words(run.held_at_fps)
        lines.append(f"Held at {held} frames per second by a cap or a refresh interval.")
    if run.reason:
        lines.append(f"{run.reason[0].upper()}{run.reason[1:]}.")
    return lines


def _signs(along: pd.DataFrame) -> list[Line2D]:
    one = bool((along["fastest_ms"] == along["slowest_ms"]).all())
    signs = [
        Line2D(
            [],
            [],
            color=CONTEXT,
            linewidth=1.2 if one else 4,
            label="frame time" if one else "fastest to slowest frame of a step",
        ),
        Line2D([], [], color=INK, linewidth=1.4, label="running median"),
        Line2D([], [], label="spike", **_SPIKE),
    ]
    for definition, look in _LOOKS.items():
        signs.append(Line2D([], [], label=f"low, {definition}", **look))
    return signs


_SPIKE: dict[str, Any] = {
    "linestyle": "none",
    "marker": "v",
    "markersize": 5,
    "markerfacecolor": AMBER,
    "markeredgecolor": AMBER,
}
_LOOKS: dict[str, dict[str, Any]] = {
    "quantile": {"color": PLUM, "linewidth": 1.3, "linestyle": "-"},
    "slowest_mean": {"color": PLUM, "linewidth": 1.3, "linestyle": (0, (4, 2))},
}


def _time_axis(way: Axes, side: Axes, along: pd.DataFrame) -> None:
    """Give both panels the same axis of times, slow frames up, on a log scale."""
    low, high = float(along["fastest_ms"].min()), float(along["slowest_ms"].max())
    low, high = low / 1.08, max(high, low * 1.5) * 1.12
    ticks = round_rates(low, high, 9)
    for axes in (way, side):
        axes.set_yscale("log")
        axes.set_ylim(low, high)
        axes.yaxis.set_major_locator(FixedLocator(ticks))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:.10g}"))
        axes.yaxis.set_minor_locator(NullLocator())
        axes.grid(visible=True, axis="y", color=LINE)
        axes.grid(visible=False, axis="x")
    side.tick_params(labelleft=False)


def _along(axes: Axes, along: pd.DataFrame) -> None:
    ends = along["seconds"].to_numpy(dtype=float)
    fastest, slowest = (along[f"{end}_ms"].to_numpy(dtype=float) for end in ("fastest", "slowest"))
    axes.set_xlim(0, ends[-1])
    axes.xaxis.set_major_locator(MaxNLocator(9, prune="upper"))
    if (fastest == slowest).all():
        axes.plot(ends, slowest, color=CONTEXT, linewidth=0.7, zorder=1.5)
    else:
        axes.fill_between(ends, fastest, slowest, color=CONTEXT, linewidth=0.4, zorder=1.5)
    axes.plot(ends, along["running_median_ms"], color=INK, linewidth=1.2, zorder=2.5)
    slow = along["spikes"].to_numpy() > 0
    axes.plot(ends[slow], slowest[slow] * 1.03, zorder=3, **_SPIKE)


def _spread(axes: Axes, spread: pd.DataFrame) -> None:
    begins, ends = (spread[name].to_numpy(dtype=float) for name in ("from_ms", "to_ms"))
    share = spread["share"].to_numpy(dtype=float)
    axes.barh(begins, share, ends - begins, align="edge", color=TINT, linewidth=0, zorder=1.5)
    axes.set_xlim(0, share.max() * 1.05)
    axes.xaxis.set_major_locator(FixedLocator([0, round(float(share.max()), 2)]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{100 * x:.0f}%"))


def _marks(way: Axes, side: Axes, run: Any) -> None:
    """Mark both lows by both definitions, with their rates at the right edge."""
    marks = []
    for low, name in LOWS.items():
        for definition in DEFINITIONS:
            own = "" if run.lows == definition else f"_{definition}"
            rate = getattr(run, f"{low}{own}_fps")
            if not math.isnan(rate):
                for axes in (way, side):
                    axes.axhline(1000 / rate, zorder=2, **_LOOKS[definition])
                marks.append((1000 / rate, f"{name}, {definition}: {rate_words(rate)}"))
    marks.append((1000 / run.avg_fps, f"average: {rate_words(run.avg_fps)}"))
    marks.sort()
    bottom, top = np.log(side.get_ylim())
    heights = np.array([(math.log(ms) - bottom) / (top - bottom) for ms, _ in marks])
    least = LABEL / (side.bbox.height / side.figure.dpi)
    for height, (ms, words) in zip(_apart(heights, least), marks, strict=True):
        side.annotate(
            words,
            (1, (math.log(ms) - bottom) / (top - bottom)),
            (1.08, height),
            xycoords="axes fraction",
            textcoords="axes fraction",
            color=QUIET if words.startswith("average") else INK,
            fontsize=9,
            va="center",
            arrowprops={
                "arrowstyle": "-",
                "color": QUIET,
                "linewidth": 0.6,
                "relpos": (0, 0.5),
                "shrinkA": 1,
                "shrinkB": 1,
            },
        )


def _apart(heights: np.ndarray[tuple[int], np.dtype[np.float64]], least: float) -> list[float]:
    """Push labels at least so far apart, from the lowest up."""
    placed = list[float]()
    for height in heights:
        placed.append(max(height, placed[-1] + least) if placed else float(height))
    over = placed[-1] - 1
    for k in range(len(placed) - 1, -1, -1):
        if over > 0:
            placed[k] = min(placed[k], 1 - least * (len(placed) - 1 - k))
    return placed
