"""Whether a lead depends on the kind of chart: ray tracing, upscaling, the lab's own columns."""

from collections.abc import Sequence
from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.comparison import DIFFERENT, OPEN, TIED
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.report import Report
from scalemodel.model.equivalence import ALPHA
from scalemodel.views.figures.groups import groups_figure
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Part,
    Section,
    Table,
    detail,
    drawing,
    folded_if_long,
    number,
    table,
)
from scalemodel.views.words import count_words, lead_range_words, lead_words, level_words

KEY, TITLE = "groups", "Does a lead depend on the kind of chart?"
SIGNS = {TIED: "≈", DIFFERENT: "◆", OPEN: "?"}


def section(report: Report) -> Section:
    """Show the lead of the newest card over its nearest neighbour by each column of kinds."""
    if report.groups is None:
        words = f"Not known. {report.missing['groups']}"
        return Section(KEY, TITLE, "Not known: there are no kinds of charts to compare.", words)
    answers = sorted(report.groups, key=lambda answer: bool(_unknown(answer)))
    parts: list[Part] = []
    for n, answer in enumerate(answers):
        title = f"Lead of {answer.a} over {answer.b} by {answer.by}"
        parts.append(
            drawing(
                partial(groups_figure, answer),
                title,
                "Every chart of each kind, and the lead over the charts of the kind with its "
                "range. The numbers are in the table below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
    rows = pd.concat([answer.table for answer in answers], ignore_index=True)
    charts = pd.concat([answer.charts for answer in answers], ignore_index=True)
    parts += [_kinds(answers[0], rows), detail("In words", " ".join(map(str, answers)))]
    words = _sentence(answers)
    return Section(
        KEY, TITLE, words, words, tuple(parts), {"groups": rows, "groups-charts": charts}
    )


def _sentence(answers: Sequence[LeadGroups]) -> str:
    """Say by which columns the lead differs, or why nobody can tell."""
    first = answers[0]
    known = [answer for answer in answers if not _unknown(answer)]
    told = "; it ".join(_told(answer) for answer in known)
    told = told or f"cannot be told apart by {first.by}: {_unknown(first)}"
    return f"The lead of {first.a} over {first.b}, the card nearest to it, {told}."


def _first_platform(answer: LeadGroups, kind: str) -> pd.DataFrame:
    first = answer.table["platform"] == answer.table["platform"].iloc[0]
    rows: pd.DataFrame = answer.table[first & (answer.table["row_kind"] == kind)]
    return rows


def _unknown(answer: LeadGroups) -> str:
    """Say why groups cannot be held against each other on the first platform, or ""."""
    pairs = _first_platform(answer, "difference")
    reasons = [*_first_platform(answer, "all")["reason"], *pairs["reason"]]
    return str(reasons[0]) if reasons[0] or len(pairs) != 1 else str(reasons[1])


def _told(answer: LeadGroups) -> str:
    """Say whether the lead differs between groups, with the ends."""
    pairs = _first_platform(answer, "difference")
    verdict = pairs["verdict"].iloc[0] if len(pairs) == 1 else ""
    if verdict == TIED:
        return f"is the same by {answer.by}, surely within {level_words(answer.margin)}"
    sure = float(_first_platform(answer, "all")["p_different"].iloc[0]) < ALPHA
    differs = verdict == DIFFERENT if verdict else sure
    groups = _first_platform(answer, "group").sort_values("lead")
    low, high = groups.iloc[0], groups.iloc[-1]
    ends = ", ".join(f"{row['group']} {lead_words(row['lead'])}" for row in (low, high))
    return f"{'differs' if differs else 'does not surely differ'} by {answer.by} ({ends})"


def _kinds(answer: LeadGroups, rows: pd.DataFrame) -> Table:
    tested = rows["platform"].isin(rows.loc[rows["row_kind"] == "group", "platform"])
    shown = rows[(rows["row_kind"] != "all") | (tested & (rows["reason"] != ""))]
    several = shown["platform"].nunique() > 1
    platform = [Column("platform", lambda row: row.platform)] if several else []
    columns = [
        Column("by", lambda row: row.by),
        Column("kind", _kind),
        *platform,
        Column("charts", lambda row: f"{row.charts_used}", number=True),
        Column("scenes", lambda row: f"{row.scenes}", number=True),
        Column("lead", _lead, number=True),
        Column("range", _range, number=True),
        Column("verdict", _verdict),
    ]
    caption = (
        f"Lead of {answer.a} over {answer.b} by kind of chart, with {level_words(answer.level)} "
        "ranges, and the lead in one kind over that in another. Of the cards the first is the "
        "newest by its sheet, or the fastest of several. Games with charts of several kinds "
        "are compared within themselves, so a lead may lie beside the mean of its charts."
    )
    folded = folded_if_long(shown, f"Leads by {count_words(len(shown), 'kind and pair')}")
    return table(caption, columns, shown, heads=2, folded=folded)


def _kind(row: Any) -> str:
    if row.row_kind == "all":
        return "all of them"
    return f"{row.group} over {row.other}" if row.row_kind == "difference" else str(row.group)


def _range(row: Any) -> Cell:
    return number(row.lead, lead_range_words(row.lower, row.upper))


def _lead(row: Any) -> Cell:
    return number(row.lead, lead_words(row.lead), strong=row.row_kind == "group")


def _verdict(row: Any) -> Cell:
    if row.reason:
        return Cell(str(row.reason))
    return Cell(str(row.verdict), SIGNS[row.verdict]) if row.verdict else Cell("–")
