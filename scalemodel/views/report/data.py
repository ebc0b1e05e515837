"""How good the data is: repeats, runs that stray, results that went stale, what was left out."""

import math
from typing import Any

import pandas as pd

from scalemodel.answers.repeatability import Repeatability
from scalemodel.answers.report import Report
from scalemodel.views.figures.repeat import repeat_figure
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Heading,
    Part,
    Section,
    Table,
    Words,
    drawing,
    number,
    table,
)
from scalemodel.views.terminal.check import problems_table
from scalemodel.views.words import (
    METRIC_WORDS,
    count_words,
    lead_words,
    level_words,
    rate_words,
    scene_words,
    short_range_words,
)

SCENE = ["platform", "game", "preset"]
MOST_DRAWN = 6
"""Scenes whose runs are drawn: a mark for each of thousands would make a heavy file."""

STANDS_SIGNS = {"yes": "●", "no": "○", "not known": "?"}


def section(report: Report) -> Section:
    """Show the spread of runs, those to look at, older results, rows left out, warnings."""
    answer, bench = report.repeatability, report.fit.bench
    problems = problems_table(bench.problems)
    left_out = report.fit.left_out
    parts: list[Part] = [
        _spread(answer),
        _figure(answer),
        *_or_none("Runs to look at", _runs(answer.runs), "No run strays too far."),
        *_or_none("Older results", _stale(answer), "No update or new date matters."),
        *_or_none("Rows left out", _left_out(left_out), "Nothing was left out."),
        *_or_none("Warnings of the check", _problems(problems), "No warnings."),
    ]
    return Section(
        key="data",
        title="How good is the data?",
        gist=_gist(answer, len(left_out), len(problems)),
        words=str(answer),
        parts=tuple(parts),
        tables={
            "repeat": answer.table,
            "repeat-scenes": answer.scenes,
            "repeat-runs": answer.runs,
            "repeat-stale": answer.stale,
            "left-out": left_out,
            "check": problems,
        },
    )


def _gist(answer: Repeatability, left_out: int, warnings: int) -> str:
    row = answer.table[answer.table["metric"] == answer.metric].iloc[0]
    words = ["how repeatable runs are is not known"]
    if math.isfinite(row["s_r"]):
        flagged = int((answer.runs["found_by"] != "you").sum())
        words = [f"a run strays {row['s_r']:.2%}", f"{count_words(flagged, 'run')} too far"]
    gone = answer.stale[(answer.stale["stands"] == "no") & (answer.stale["results"] > 0)]
    words.append(f"{count_words(int(gone['results'].sum()), 'older result')} no longer usable")
    words.append(f"{count_words(left_out, 'row')} left out")
    words.append(count_words(warnings, "warning"))
    text = ", ".join(words)
    return f"{text[0].upper()}{text[1:]}."


def _or_none(title: str, shown: Table, nothing: str) -> list[Part]:
    return [Heading(title), shown if shown.rows else Words(nothing)]


def _spread(answer: Repeatability) -> Table:
    margin = level_words(answer.margin)
    columns = [
        Column("metric", lambda row: METRIC_WORDS[row.metric]),
        Column("rates", _rates),
        Column("cells", lambda row: f"{row.cells:,}", number=True),
        Column("s_r", lambda row: _percent(row.s_r), number=True),
        Column("range", lambda row: _span(row.s_r_lower, row.s_r_upper), number=True),
        Column("limit r", lambda row: _percent(row.limit_r, 1), number=True),
        Column("s_R", lambda row: _percent(row.s_R), number=True),
        Column(f"runs to see {margin}", _needed, number=True),
        Column("reason", lambda row: row.reason or "–"),
    ]
    caption = (
        "How far a run strays within a session (s_r), and with sessions apart (s_R), by metric and "
        "level of rate. Two runs of one session differ by more than limit r once in twenty times."
    )
    return table(caption, columns, answer.table, heads=2)


def _figure(answer: Repeatability) -> Part:
    """Draw the runs of the scenes with flagged runs, then the noisiest; all would be too many."""
    scenes = answer.scenes[answer.scenes["metric"] == answer.metric]
    runs = answer.every_run
    flagged = runs.loc[runs["found_by"] != "", SCENE].drop_duplicates()
    both = pd.concat([flagged, scenes[SCENE]]).drop_duplicates().head(MOST_DRAWN)
    title = "How far runs are from their repeats"
    title += f", in {count_words(len(both), 'scene')} to look at" if len(scenes) > len(both) else ""
    return drawing(
        lambda: repeat_figure(runs.merge(both), scenes.merge(both), answer.metric),
        title,
        "One mark a run, by scene and platform; flagged runs stand out.",
        folded=f"{title} (figure)",
    )


def _rates(row: Any) -> str:
    if str(row.rates).startswith("("):
        return "all"
    return f"{rate_words(row.rate_from)} to {rate_words(row.rate_to)}"


def _needed(row: Any) -> Cell:
    return number(row.runs_needed, f"{row.runs_needed:,.0f}")


def _percent(share: float, decimals: int = 2) -> Cell:
    return number(share, f"{100 * share:.{decimals}f}%")


def _span(lower: float, upper: float) -> str:
    return "–" if math.isnan(lower) else f"{100 * lower:.2f}…{100 * upper:.2f}%"


def _runs(runs: pd.DataFrame) -> Table:
    columns = [
        Column("row", lambda row: Cell(f"{row.row}"), number=True),
        Column("card", lambda row: row.card),
        Column("platform", lambda row: row.platform),
        Column("scene", lambda row: scene_words(row.game, row.preset)),
        Column("resolution", lambda row: row.resolution),
        Column("run", lambda row: row.run),
        Column("rate", lambda row: number(row.rate, rate_words(row.rate)), number=True),
        Column("apart", lambda row: number(row.apart, lead_words(row.apart)), number=True),
        Column("its cell", lambda row: number(row.cell_rate, rate_words(row.cell_rate)), True),
        Column("counts", lambda row: number(row.weight, f"{row.weight:.2g}"), number=True),
        Column("found by", lambda row: "you" if row.found_by == "you" else f"test: {row.found_by}"),
        Column("reason", lambda row: row.reason or "–"),
    ]
    caption = (
        "Runs that stray further than chance allows, then those you excluded. Apart: from its "
        "repeats. Counts: weight in its cell, 1 for a run like any other."
    )
    return table(caption, columns, runs)


def _found_by(row: Any) -> str:
    return "you" if row.found_by == "you" else f"test: {row.found_by}"


def _stale(answer: Repeatability) -> Table:
    columns = [
        Column("scene", lambda row: scene_words(row.game, row.preset)),
        Column("platform", lambda row: row.platform),
        Column("made with", lambda row: row.was),
        Column("now", lambda row: row.now),
        Column("shift since", lambda row: number(row.shift, lead_words(row.shift)), number=True),
        Column("range", _shift_range, number=True),
        Column("still usable", lambda row: Cell(row.stands, STANDS_SIGNS[row.stands])),
        Column("results", lambda row: f"{row.results} of {row.cards}" if row.results else "none"),
        Column("because", _because),
    ]
    caption = (
        "What changed since older results were made, and whether they still stand beside the "
        f"others: shifts of {level_words(answer.margin)} or more matter. Results: those that were "
        "not tested again."
    )
    return table(caption, columns, answer.stale)


def _shift_range(row: Any) -> str:
    return "–" if math.isnan(row.lower) else f"{short_range_words(row.lower, row.upper)}%"


def _because(row: Any) -> str:
    words = [row.reason] if row.reason else []
    if row.basis == "model":
        words.append("the shift is against the fit of all else")
    if row.moved and row.moved != "all alike":
        words.append(f"not all shifted alike: {row.moved}")
    return "; ".join(words) or "cells tested before and after"


def _left_out(left_out: pd.DataFrame) -> Table:
    """Count what was left out by card, platform and reason; the CSV has every row."""
    columns = [
        Column("card", lambda rows: rows["card"].iloc[0]),
        Column("platform", lambda rows: rows["platform"].iloc[0]),
        Column("charts", _charts_words),
        Column("rows", lambda rows: f"{len(rows)}", number=True),
        Column("reason", lambda rows: rows["reason"].iloc[0]),
    ]
    keys = ["card", "platform", "reason"]
    groups = (rows for _, rows in left_out.groupby(keys, sort=False, dropna=False))
    return table("Runs and cells that the fit does not use, or hardly.", columns, groups)


def _charts_words(rows: pd.DataFrame) -> str:
    charts = rows[["game", "preset", "resolution"]].drop_duplicates()
    if len(charts) > 1:
        return count_words(len(charts), "chart")
    return f"{scene_words(charts['game'].iloc[0], charts['preset'].iloc[0])}, " + str(
        charts["resolution"].iloc[0]
    )


def _problems(problems: pd.DataFrame) -> Table:
    columns = [
        Column("file", lambda row: row.file),
        Column("row", lambda row: "–" if row.row is None else f"{row.row:.0f}", number=True),
        Column("column", lambda row: row.column or "–"),
        Column("what", lambda row: row.what),
        Column("allowed", lambda row: row.allowed or "–"),
        Column("fix", lambda row: row.fix),
    ]
    return table("What scalemodel check says of the files.", columns, problems)
