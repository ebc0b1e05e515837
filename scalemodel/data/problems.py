"""What is wrong with a bench: where, what, what is allowed, how to fix it; all of it at once."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Literal

from scalemodel.errors import ScalemodelError

Severity = Literal["error", "warning"]

LISTED = 20
"""Problems of one kind listed for a file; the rest are counted."""

STOP = 1000
"""Errors in one file after which the rest of it is not read."""


@dataclass(frozen=True)
class Problem:
    """One problem of a bench.

    Attributes:
        file: name of the file, or the path as given where the bench itself is the problem.
        row: row number as a spreadsheet shows it (the header of a plain file is row 1).
        column: name of the column.
        value: the text of the cell.
        severity: "error" stops the reading, "warning" does not.
        what: what is wrong.
        allowed: what would be right.
        fix: what to do.
        draft: lines of a file that would say what is missing; mostly empty.
    """

    file: str
    row: int | None
    column: str | None
    value: str | None
    severity: Severity
    what: str
    allowed: str
    fix: str
    draft: str = ""

    def __str__(self) -> str:
        """Give the whole message in one line."""
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", column {self.column}"
        allowed = f" Allowed: {self.allowed}." if self.allowed else ""
        return f"{where}: {self.what}.{allowed} Fix: {self.fix}."


class BenchError(ScalemodelError):
    """A bench or spec sheet that cannot be used; its text lists every problem found.

    Attributes:
        problems: errors first, then warnings, each in the order of the files and rows.
    """

    def __init__(self, source: str, problems: Sequence[Problem], counts: tuple[int, int]) -> None:
        """Take the path as given, the listed problems and how many errors and warnings there are.

        The counts may exceed what is listed: a file lists its first 20 of each kind.
        """
        self.problems = tuple(problems)
        errors, warnings = counts
        head = f"{errors:,} problem{'s' if errors != 1 else ''}"
        if warnings:
            head += f" and {warnings:,} warning{'s' if warnings != 1 else ''}"
        lines = [f"{head} in {source}; nothing was read."]
        for problem in self.problems:
            mark = "warning: " if problem.severity == "warning" else ""
            lines.append(f"{mark}{problem}")
        lines += [f"\n{problem.draft}" for problem in self.problems if problem.draft]
        super().__init__("\n".join(lines))


_Cells = Mapping[tuple[int, str], tuple[str, int, str]]
"""File, row and column letter of the cell that stands for a row and a column of a table."""

_Kind = tuple[str, Severity, str | None, str]
"""File, severity, column and what is allowed there: problems alike in these are of one kind."""


class ProblemLog:
    """Collects problems while a bench is read; lists the first few of a kind and counts all."""

    def __init__(self) -> None:
        """Start empty."""
        self._listed: list[Problem] = []
        self._counts: Counter[_Kind] = Counter()
        self._stopped: dict[str, int] = {}
        self._cells: dict[str, _Cells] = {}
        self._fixes: tuple[tuple[str, str], ...] = ()

    def error(
        self,
        file: str,
        what: str,
        allowed: str,
        fix: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
        draft: str = "",
    ) -> None:
        """Note something that stops the reading."""
        self.add(Problem(file, row, column, value, "error", what, allowed, fix, draft))

    def warning(
        self,
        file: str,
        what: str,
        allowed: str,
        fix: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> None:
        """Note something the user should look at."""
        self.add(Problem(file, row, column, value, "warning", what, allowed, fix))

    def place(
        self, files: Iterable[str], cells: _Cells, fixes: tuple[tuple[str, str], ...]
    ) -> None:
        """Say where the cells stand of a table that is not in its files as it was read.

        Args:
            files: what the table is called in its problems.
            cells: the cell of a row and a column of the table.
            fixes: words of a fix, and what to say in their place.
        """
        self._cells |= dict.fromkeys(files, cells)
        self._fixes = fixes

    def stopped(self, file: str, row: int) -> None:
        """Note that a file was read only up to this row."""
        self._stopped[file] = row

    def hopeless(self, file: str) -> bool:
        """Say whether a file has so many errors that reading on is of no use."""
        return self.errors(file) >= STOP

    def errors(self, file: str | None = None) -> int:
        """Count the errors, of one file or of all."""
        return self._count("error", file)

    def warnings(self) -> int:
        """Count the warnings."""
        return self._count("warning", None)

    def problems(self) -> tuple[Problem, ...]:
        """Give the listed problems: errors, then warnings, in the order of files and rows.

        Kinds of which more were found than are listed follow at the end of their file, with
        the number not listed.
        """
        files = list(dict.fromkeys(kind[0] for kind in self._counts))
        result: list[Problem] = []
        severities: tuple[Severity, ...] = ("error", "warning")
        for severity in severities:
            for file in files:
                chosen = [p for p in self._listed if (p.file, p.severity) == (file, severity)]
                result += sorted(chosen, key=lambda p: p.row or 0)
                result += self._unlisted(file, severity)
        return tuple(self._placed(problem) for problem in result)

    def _placed(self, problem: Problem) -> Problem:
        """Point a problem to the cell that the user sees."""
        key = (problem.row or 0, problem.column or "")
        cell = self._cells.get(problem.file, {}).get(key)
        if cell is None:
            return problem
        fix = problem.fix
        for words, others in self._fixes:
            fix = fix.replace(words, others)
        return replace(problem, file=cell[0], row=cell[1], column=cell[2], fix=fix)

    def add(self, problem: Problem) -> None:
        """Note a problem."""
        kind = (problem.file, problem.severity, problem.column, problem.allowed)
        self._counts[kind] += 1
        if self._counts[kind] <= LISTED:
            self._listed.append(problem)

    def _count(self, severity: Severity, file: str | None) -> int:
        return sum(
            count
            for (name, kind, _, _), count in self._counts.items()
            if kind == severity and file in (None, name)
        )

    def _unlisted(self, file: str, severity: Severity) -> list[Problem]:
        result = []
        for (name, kind, column, _), count in self._counts.items():
            if (name, kind) == (file, severity) and count > LISTED:
                what = f"and {count - LISTED:,} more like the {LISTED} listed"
                if severity == "error" and file in self._stopped:
                    what += f", up to row {self._stopped[file]:,} where reading stopped"
                fix = "see to the ones listed and check again"
                result.append(Problem(file, None, column, None, severity, what, "", fix))
        return result


def shown(value: str, longest: int = 40) -> str:
    """Quote a cell for a message: in one line, without control characters, not too long."""
    text = value if len(value) <= longest else value[: longest - 3] + "..."
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return f'"{safe}"'


def near_names(name: str, known: Sequence[str]) -> str:
    """Return the known names most like one that is not known, in quotes; else the first few."""
    near = get_close_matches(name, known, n=3, cutoff=0.5) or list(known[:5])
    return ", ".join(f'"{one}"' for one in near)
