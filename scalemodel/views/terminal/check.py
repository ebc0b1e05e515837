"""Whether a bench is sound, and what was found in it."""

from collections.abc import Mapping, Sequence

import pandas as pd
from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from scalemodel.data.bench import CheckReport, FileReading, Problem
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import count_words

PROBLEM_COLUMNS = ("file", "row", "column", "value", "severity", "what", "allowed", "fix")


def problems_table(problems: Sequence[Problem]) -> pd.DataFrame:
    """Give problems as a table: file, row, column, value, severity, what, allowed, fix."""
    rows = [[getattr(problem, name) for name in PROBLEM_COLUMNS] for problem in problems]
    return pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS), dtype=object)


def check_sentence(report: CheckReport) -> str:
    """Say in a sentence whether the bench is sound."""
    errors = sum(problem.severity == "error" for problem in report.problems)
    warnings = len(report.problems) - errors
    if not report.ok:
        also = f" and {count_words(warnings, 'warning')}" if warnings else ""
        return f"Not sound: {count_words(errors, 'problem')}{also}; correct them and check again."
    found = f"{count_words(warnings, 'warning')} to look at" if warnings else "no warnings"
    return f"Sound: {_counted(report.counts)}; {found}."


def check_view(report: CheckReport) -> RenderableType:
    """Show the verdict, how the files were read, every problem, and what was left out."""
    parts: list[RenderableType] = [sentence(check_sentence(report))]
    columns = ["file", ">rows", "encoding", "separated by", "decimals"]
    rows = [_reading(one) for one in report.reading]
    parts += [heading("check", report.source), Text(), grid(columns, rows, "No file was read.")]
    for one in report.reading:
        parts += [Text(), *map(note, one.shape)] if one.shape else []
    if report.problems:
        parts += [Text(), *(problem_view(problem) for problem in report.problems)]
    drafts = [problem.draft for problem in report.problems if problem.draft]
    parts += [Padding(Text(f"\n{draft}"), (0, 2)) for draft in drafts]
    if not report.excluded.empty:
        parts += [Text(), note("Runs left out:"), *reasons(report.excluded["reason"], "run")]
    return stack(*parts)


def _counted(counts: Mapping[str, int]) -> str:
    kinds = ("card", "chart", "cell", "run", *(("shot",) if counts.get("shots") else ()))
    return ", ".join(count_words(counts[f"{one}s"], one) for one in kinds)


def _reading(file: FileReading) -> list[str]:
    separator = {",": "comma", ";": "semicolon", "\t": "tab"}.get(file.delimiter, file.delimiter)
    decimal = {".": "point", ",": "comma"}.get(file.decimal, file.decimal)
    return [file.name, f"{file.rows:,}", file.encoding, separator, decimal]


def problem_view(problem: Problem) -> RenderableType:
    """Show one problem."""
    style = "bold" if problem.severity == "error" else "dim"
    return Padding(Text.assemble((problem.severity, style), f"  {problem}"), (0, 2))
