"""Draw the figures of docs/measured.md: ``python docs/figures/draw_measured.py``."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "docs" / "benchmarks")]

from frameloop import CELL, SIZES, case_of, measured_truth, names, read_bench, splits  # noqa: E402

import scalemodel as sm  # noqa: E402
from scalemodel.cli.figure_file import write_figure  # noqa: E402
from scalemodel.views.style import (  # noqa: E402
    AMBER,
    CONTEXT,
    INK,
    LINE,
    PAPER,
    PLUM,
    QUIET,
    Figure,
    house_style,
)

LEVEL = 0.8
SCENE = ["game", "preset"]
#: Ratios of CPU to GPU time that are drawn, and how far the axes of errors reach, in %.
RATIO, REACH = (0.3, 3.4), 10.0


def knee_figure(cells: pd.DataFrame, sharpness: float) -> Figure:
    """Draw how much longer frames took than the larger of CPU and GPU time, cell by cell.

    `cells` as `measured_truth` gives them; `sharpness` of the smooth minimum that was fitted.
    """
    ratio = cells["cpu_ms"] / cells["gpu_ms"]
    larger = np.maximum(cells["cpu_ms"], cells["gpu_ms"])
    with house_style():
        figure = Figure(figsize=(12.0, 5.4))
        title(
            figure,
            "The slower of CPU and GPU sets the pace of every frame",
            f"{len(cells):,} cells: how much longer a frame took than the larger time, in %. Of "
            "means over a pass the knee is soft, because the slower side changes within it.",
        )
        left, right = figure.subplots(1, 2, sharex=True, sharey=True)
        figure.subplots_adjust(left=0.06, right=0.97, top=0.78, bottom=0.13, wspace=0.06)
        dots(left, ratio, cells["frame_ms"] / larger)
        dots(right, ratio, cells["frame_ms"] / cells["larger_ms"])
        at = np.geomspace(*RATIO, 200)
        soft = (1.0 + np.minimum(at, 1.0 / at) ** sharpness) ** (1.0 / sharpness)
        left.plot(at, 100 * (soft - 1.0), color=AMBER, linewidth=2.0)
        label = f"smooth minimum, p = {sharpness:.1f},\nas fitted to rates alone"
        left.text(1.3, 4.6, label, color=AMBER)
        left.set_title("over the larger of the two means", loc="left", fontsize=10, color=INK)
        right.set_title("over the mean of each frame's larger", loc="left", fontsize=10, color=INK)
        for axes in (left, right):
            axes.set_xscale("log")
            axes.set_xlim(*RATIO)
            axes.set_xticks([0.33, 0.5, 1.0, 2.0, 3.0], ["1/3", "1/2", "1", "2", "3"])
            axes.set_xlabel("CPU time of a frame / GPU time of a frame")
            axes.minorticks_off()
            axes.grid(axis="y")
    return figure


def dots(axes: Axes, ratio: pd.Series, longer: pd.Series) -> None:
    """Draw a dot for each cell."""
    axes.scatter(ratio, 100 * (longer - 1.0), s=9, color=PLUM, alpha=0.45, linewidths=0)


def title(figure: Figure, words: str, line: str) -> None:
    """Write the headline and the line below it."""
    tall = figure.get_figheight()
    figure.text(0.03, 1.0 - 0.35 / tall, words, fontsize=15, color=INK, weight="bold", va="center")
    figure.text(0.03, 1.0 - 0.68 / tall, line, fontsize=10, color=QUIET, va="center")


def held_out(bench: sm.Bench, truth: pd.DataFrame) -> pd.DataFrame:
    """Return the errors of parts held out one by one, the largest too; log rate."""
    parts = []
    for split in splits():
        if split.kind in ("inside", "beyond, largest 1"):
            case = case_of(bench, split, truth)
            table = sm.fit(case.bench).predict(case.specs, LEVEL).table
            parts.append(table.merge(truth, on=CELL))
    rows = pd.concat(parts)
    chip, size = rows["card"].str[5], rows["card"].str[6:].astype(int)
    return rows.assign(error=np.log(rows["median"] / rows["true_fps"]), chip=chip, size=size)


def errors_figure(rows: pd.DataFrame) -> Figure:
    """Draw the error of GPU-bound cells over the size of the part, a panel a scene."""
    rows = rows[~rows["at_ceiling"]]
    scenes = rows[SCENE].drop_duplicates().to_dict("records")
    with house_style():
        figure = Figure(figsize=(12.0, 8.2))
        title(
            figure,
            "Where the stages hold and where not: parts held out one by one",
            "GPU-bound cells: predicted over measured rate, in %, against the multiprocessors of "
            "the part that was held out.",
        )
        panels = figure.subplots(3, 5, sharex=True, sharey=True).ravel()
        figure.subplots_adjust(
            left=0.05, right=0.98, top=0.85, bottom=0.06, wspace=0.1, hspace=0.28
        )
        for axes, scene in zip(panels, scenes, strict=False):
            own = rows[(rows[SCENE] == pd.Series(scene)).all(axis=1)]
            error_panel(axes, own, f"{scene['game']}, {scene['preset']}")
        for axes in panels[len(scenes) :]:
            axes.set_axis_off()
        chips = (("N", "o", PLUM, "narrow memory"), ("W", "^", AMBER, "wide memory"))
        for k, (_, marker, color, words) in enumerate(chips):
            panels[-2].scatter(30, 4 - 5 * k, marker=marker, s=30, color=color)
            panels[-2].text(40, 4 - 5 * k, words, color=color, va="center")
    return figure


def error_panel(axes: Axes, own: pd.DataFrame, words: str) -> None:
    """Draw one scene."""
    axes.axhline(0.0, color=CONTEXT, linewidth=1.0)
    for chip, marker, color in (("N", "o", PLUM), ("W", "^", AMBER)):
        part = own[own["chip"] == chip]
        off = 100 * np.expm1(part["error"])
        axes.scatter(part["size"], off, marker=marker, s=13, color=color, alpha=0.7, linewidths=0)
    axes.set_title(words, loc="left", fontsize=10, color=INK)
    axes.set_ylim(-REACH, REACH)
    axes.set_xlim(12, 140)
    axes.set_xticks([20, 46, 72, 104, 132])
    axes.grid(axis="y")


def refresh_figure(bench: sm.Bench, truth: pd.DataFrame) -> Figure:
    """Draw what more bandwidth was predicted to bring to the whole chip, and what it brought."""
    small, large = names("narrow", SIZES[-1:])[0], names("wide", SIZES[-1:])[0]
    split = next(s for s in splits() if s.kind.startswith("refresh, none"))
    case = case_of(bench, split, truth)
    sheets = case.specs[case.specs["card"] == large].reset_index(drop=True)
    answer = sm.fit(case.bench).predict(sheets, LEVEL, (small,)).against
    rates = truth.set_index(CELL)["true_fps"].unstack("card")
    measured = (rates[large] / rates[small] - 1.0).rename("measured").reset_index()
    rows = answer.merge(measured, on=CELL[1:]).sort_values(["platform", "measured"])
    with house_style():
        figure = Figure(figsize=(12.0, 6.6))
        title(
            figure,
            f"{large}, which has 44% more bandwidth, over {small}: foreseen and measured",
            f"Lead in %. Bars: {LEVEL:.0%} ranges of a fit that knew no part with wide memory. "
            "Dots: measured afterwards. An estimate, not a measurement, until then.",
        )
        panels = figure.subplots(1, 3, sharex=True, sharey=True)
        figure.subplots_adjust(left=0.20, right=0.98, top=0.80, bottom=0.09, wspace=0.06)
        for axes, size in zip(panels, ("1920x1080", "2560x1440", "3840x2160"), strict=True):
            lead_panel(axes, rows[(rows["resolution"] == size) & (rows["platform"] == "far desk")])
            axes.set_title(f"{size}, far desk", loc="left", fontsize=10, color=INK)
    return figure


def lead_panel(axes: Axes, rows: pd.DataFrame) -> None:
    """Draw one resolution: a line a scene."""
    rows = rows.sort_values(SCENE, ascending=False).reset_index(drop=True)
    low, high = 100 * rows["lead_lower"], 100 * rows["lead_upper"]
    axes.barh(rows.index, high - low, left=low, height=0.5, color="#d3c1e3", edgecolor="none")
    middle = 100 * rows["lead_median"]
    axes.scatter(middle, rows.index, marker="|", s=120, color=PLUM, linewidths=1.6)
    axes.scatter(
        100 * rows["measured"], rows.index, s=30, color=AMBER, edgecolors=PAPER, linewidths=0.8
    )
    axes.axvline(0.0, color=CONTEXT, linewidth=1.0)
    axes.set_yticks(rows.index, rows["game"] + ", " + rows["preset"])
    axes.set_xlabel("lead, %")
    axes.tick_params(axis="y", color=LINE)


def main() -> None:
    """Draw the figures beside this file."""
    truth, bench = measured_truth(), read_bench()
    learned = sm.fit(bench).table.set_index("quantity")["value"]
    sharpness = float(learned["sharpness of the knee, p"])
    write_figure(HERE / "measured-knee.png", knee_figure(truth, sharpness))
    write_figure(HERE / "measured-errors.png", errors_figure(held_out(bench, truth)))
    write_figure(HERE / "measured-refresh.png", refresh_figure(bench, truth))


if __name__ == "__main__":
    main()
