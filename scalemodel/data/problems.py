"""What is wrong with a bench: where, what, what is allowed, how to fix it; all of it at once."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scalemodel.errors import ScalemodelError

Severity = Literal["error", "warning"]

LISTED = 20
"""Problems of one severity listed for a file; the rest are counted."""

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
    """

    file: str
    row: int | None
    column: str | None
    value: str | None
    severity: Severity
    what: str
    allowed: str
    fix: str

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

        The counts may exceed what is listed: a file lists its first 20 of each.
        """
        self.problems = tuple(problems)
        errors, warnings = counts
        head = f"{errors} problem{'s' if errors != 1 else ''}"
        if warnings:
            head += f" and {warnings} warning{'s' if warnings != 1 else ''}"
        lines = [f"{head} in {source}; nothing was read."]
        for problem in self.problems:
            mark = "warning: " if problem.severity == "warning" else ""
            lines.append(f"{mark}{problem}")
        super().__init__("\n".join(lines))


class ProblemLog:
    """Collects problems while a bench is read; lists the first few of a file and counts all."""

    def __init__(self) -> None:
        """Start empty."""
        self._listed: list[Problem] = []
        self._counts: Counter[tuple[str, Severity]] = Counter()
        self._stopped: dict[str, int] = {}

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
    ) -> None:
        """Note something that stops the reading."""
        self._add(Problem(file, row, column, value, "error", what, allowed, fix))

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
        self._add(Problem(file, row, column, value, "warning", what, allowed, fix))

    def stopped(self, file: str, row: int) -> None:
        """Note that a file was read only up to this row."""
        self._stopped[file] = row

    def hopeless(self, file: str) -> bool:
        """Say whether a file has so many errors that reading on is of no use."""
        return self._counts[file, "error"] >= STOP

    def errors(self, file: str | None = None) -> int:
        """Count the errors, of one file or of all."""
        return self._count("error", file)

    def warnings(self) -> int:
        """Count the warnings."""
        return self._count("warning", None)

    def problems(self) -> tuple[Problem, ...]:
        """Give the listed problems: errors, then warnings, in the order of files and rows.

        A file with more than the listed number ends with a line that says how many more.
        """
        files = list(dict.fromkeys(file for file, _ in self._counts))
        result: list[Problem] = []
        for severity in ("error", "warning"):
            for file in files:
                chosen = [p for p in self._listed if (p.file, p.severity) == (file, severity)]
                result += sorted(chosen, key=lambda p: p.row or 0)
                more = self._counts[file, severity] - len(chosen)
                if more:
                    result.append(self._more(file, severity, more))
        return tuple(result)

    def _add(self, problem: Problem) -> None:
        key = (problem.file, problem.severity)
        self._counts[key] += 1
        if self._counts[key] <= LISTED:
            self._listed.append(problem)

    def _count(self, severity: Severity, file: str | None) -> int:
        return sum(
            n
            for (name, kind), n in self._counts.items()
            if kind == severity and file in (None, name)
        )

    def _more(self, file: str, severity: Severity, more: int) -> Problem:
        what = f"and {more:,} more {severity}{'s' if more != 1 else ''}"
        row = self._stopped.get(file) if severity == "error" else None
        if row is not None:
            what += f" up to row {row:,}, where reading stopped"
        fix = "see to the ones listed and check again"
        return Problem(file, None, None, None, severity, what, "", fix)


def shown(value: str, longest: int = 40) -> str:
    """Quote a cell for a message: in one line, without control characters, not too long."""
    text = value if len(value) <= longest else value[: longest - 3] + "..."
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return f'"{safe}"'
