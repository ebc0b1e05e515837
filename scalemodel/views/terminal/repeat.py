"""How repeatable the runs of a lab are, which stray, and which results are stale."""

import math
from typing import Any

from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.repeatability import Repeatability
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, sentence, stack
from scalemodel.views.words import (
    METRIC_WORDS,
    count_words,
    lead_words,
    level_words,
    rate_words,
    scene_words,
    short_range_words,
    short_scene,
    shortened,
)

MOST_SCENES, MOST_RUNS, MOST_STALE = 10, 20, 20
"""Rows shown of each table; the rest are counted."""

SPREAD_COLUMNS = ("metric", "rates", ">cells", ">s_r", "range", ">limit r", ">s_R", ">runs for")
SCENE_COLUMNS = ("scene", "platform", ">s_r", "range", ">of lab", ">runs for")
RUN_COLUMNS = (
    ">row",
    "card",
    "scene",
    "resolution",
    ">run",
    ">rate",
    ">apart",
    "cell",
    ">counts",
)
STALE_COLUMNS = ("scene", "platform", "made with", "now", ">since", "range", "stands", "results")


def repeat_view(answer: Repeatability) -> RenderableType:
    """Show the spread, the noisiest scenes, the runs to look at, and older results."""
    metric = METRIC_WORDS[answer.metric]
    scenes = answer.scenes[answer.scenes["metric"] == answer.metric]
    parts: list[RenderableType] = [sentence(str(answer)), heading("repeatability", "all metrics")]
    margin = level_words(answer.margin)
    rows = [_spread(row) for row in rows_of(answer.table)]
    columns = [*SPREAD_COLUMNS[:-1], f"{SPREAD_COLUMNS[-1]} {margin}"]
    parts += [Text(), grid(columns, rows, "There are no runs.")]
    why = answer.table[answer.table["s_r"].isna()]
    parts += [note(f"{METRIC_WORDS[row.metric]}: {row.reason}.") for row in rows_of(why)] + [Text()]
    rows = [_scene(row) for row in rows_of(scenes.head(MOST_SCENES))]
    columns = [*SCENE_COLUMNS[:-1], f"{SCENE_COLUMNS[-1]} {margin}"]
    parts += [heading("noisiest scenes", metric), Text(), grid(columns, rows, "No scene.")]
    parts += [*_more(len(scenes) - MOST_SCENES, "scenes"), Text()]
    rows = [_run(row) for row in rows_of(answer.runs.head(MOST_RUNS))]
    parts += [heading("runs to look at", metric), Text(), grid(RUN_COLUMNS, rows, "None.")]
    parts += [*_more(len(answer.runs) - MOST_RUNS, "runs"), Text()]
    parts += [heading("older results", metric), Text(), *_older(answer), Text()]
    legend = (
        f"s_r: spread of a run within a session, flagged runs aside ({level_words(answer.level)} "
        "ranges).  s_R: with sessions apart.  limit r: 2.8 s_r.\n"
        "apart: from its repeats.  cell: what counts (plain mean of all).  ○ excluded by you\n"
        "× flagged, still counts so much; ? no majority agrees, so the median counts"
    )
    return stack(*parts, note(legend))


def _more(count: int, rows: str) -> list[RenderableType]:
    return [note(f"and {count:,} more: see --rows {rows} --format csv")] if count > 0 else []


def _percent(share: float, decimals: int = 2) -> str:
    return "–" if math.isnan(share) else f"{100 * share:.{decimals}f}%"


def _range(lower: float, upper: float) -> str:
    return "" if math.isnan(lower) else f"{100 * lower:.2f}…{100 * upper:.2f}"


def _needed(runs: float) -> str:
    return "–" if math.isnan(runs) else f"{runs:,.0f}"


def _spread(row: Any) -> list[str | Text]:
    metric = METRIC_WORDS[row.metric]
    if math.isnan(row.s_r):
        return [metric, str(row.rates), f"{row.cells}", "–", "", "–", "–", "–"]
    rates = str(row.rates)
    if not rates.startswith("("):
        rates, metric = f"{rate_words(row.rate_from)} to {rate_words(row.rate_to)}", ""
    return [
        metric,
        rates,
        f"{row.cells:,}",
        Text(_percent(row.s_r), style="bold"),
        _range(row.s_r_lower, row.s_r_upper),
        _percent(row.limit_r, 1),
        _percent(row.s_R),
        _needed(row.runs_needed),
    ]


def _scene(row: Any) -> list[str | Text]:
    return [
        scene_words(row.game, row.preset),
        str(row.platform),
        Text(_percent(row.s_r), style="bold" if row.noisy else ""),
        _range(row.s_r_lower, row.s_r_upper),
        "–" if math.isnan(row.times_lab) else f"{row.times_lab:.2f}×",
        _needed(row.runs_needed),
    ]


def _cell(row: Any) -> str:
    if math.isnan(row.cell_rate):
        return "–"
    mean = "" if math.isnan(row.mean_with) else f" ({rate_words(row.mean_with)})"
    return rate_words(row.cell_rate) + mean


def _counts(weight: float) -> str:
    return "× ?" if math.isnan(weight) else f"× {weight:.2g}"


def _run(row: Any) -> list[str | Text]:
    yours = row.found_by == "you"
    return [
        f"{row.row}",
        shortened(str(row.card), 14),
        short_scene(row.game, row.preset, 26),
        str(row.resolution),
        str(row.run),
        "–" if math.isnan(row.rate) else rate_words(row.rate),
        "–" if math.isnan(row.apart) else lead_words(row.apart),
        _cell(row),
        Text("○ 0", style="dim") if yours else _counts(row.weight),
    ]


def _stale(row: Any) -> list[str | Text]:
    shift = "–" if math.isnan(row.shift) else lead_words(row.shift)
    span = "" if math.isnan(row.lower) else short_range_words(row.lower, row.upper)
    marks = {"yes": "● yes", "no": "○ no", "not known": "? not known"}
    left = count_words(row.results, "result") if row.results else "all tested again"
    return [
        short_scene(row.game, row.preset, 22),
        str(row.platform),
        str(row.was),
        str(row.now),
        Text(shift, style="bold"),
        span,
        marks[row.stands],
        left,
    ]


def _older(answer: Repeatability) -> list[RenderableType]:
    """Show the changes that matter: a shift, or results that were not tested again."""
    stale = answer.stale
    quiet = (stale["stands"] == "yes") & (stale["results"] == 0)
    shown = stale[~quiet].head(MOST_STALE)
    empty = "No change of game version, driver or date matters."
    parts = [grid(STALE_COLUMNS, [_stale(row) for row in rows_of(shown)], empty)]
    words = []
    for row in rows_of(shown):
        where = scene_words(row.game, row.preset)
        if row.moved and row.moved != "all alike":
            words.append(f"{where}: not all shifted alike; {row.moved}.")
        if row.basis == "model":
            words.append(f"{where}: {row.reason}; the shift is against the fit of all else.")
        elif row.reason:
            words.append(f"{where}: {row.reason}.")
    if quiet.any():
        many = count_words(int(quiet.sum()), "change")
        words.append(
            f"{many} tested again in full shifted nothing by {level_words(answer.margin)}."
        )
    parts += [note(text) for text in dict.fromkeys(words)]
    return parts + _more(len(stale) - int(quiet.sum()) - MOST_STALE, "stale")
