"""From frame-time logs to runs: one row a log, with what it took to get there."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd
from joblib import Parallel, cpu_count, delayed

from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.reduced_rows import (
    COLUMNS,
    DEFINITIONS,
    columns_of,
    failed_row,
    is_row,
    run_row,
)
from scalemodel.data.logs.judging import judge
from scalemodel.data.logs.kept import has_kept, key_of, load_kept, save_kept, tidy
from scalemodel.data.logs.listing import LogEntry, list_logs
from scalemodel.data.logs.opening import digest_of
from scalemodel.data.logs.reading import Log, read_log
from scalemodel.data.places import bench_folder
from scalemodel.data.problems import BenchError, Problem, ProblemLog
from scalemodel.data.rows import UnreadableError
from scalemodel.data.store import code_digest
from scalemodel.data.urls import BenchPath, shown_place
from scalemodel.errors import ScalemodelError
from scalemodel.model.frames.source import Part, cut
from scalemodel.model.frames.summary import summarise

Row = dict[str, object]


@dataclass(frozen=True)
class Reduced:
    """The runs that the logs of a bench come to.

    Attributes:
        table: one row a row of frames.csv; a log that could not be reduced has its reason.
        problems: what is wrong with the logs and their list: errors, then warnings.
        lows: definition of the lows in the columns of the bench: "quantile" or "slowest_mean".
        level: level of the ranges.
        kept: logs that were not read again, because they had not changed.
    """

    table: pd.DataFrame
    problems: tuple[Problem, ...]
    lows: str
    level: float
    kept: int

    def __str__(self) -> str:
        done = int(self.table["avg_fps"].notna().sum())
        words = f"Reduced {done} of {counted(len(self.table), 'log')} to runs"
        if self.kept:
            words += f" ({self.kept} unchanged since they were last reduced)"
        words += f". Lows are by the definition {self.lows}: {DEFINITIONS[self.lows]}."
        failed = len(self.table) - done
        if failed:
            verb = "was" if failed == 1 else "were"
            words += f" {counted(failed, 'log')} {verb} not reduced, each with its reason."
        return words


def reduce_logs(
    bench: BenchPath,
    lows: str = "quantile",
    level: float = 0.8,
    only: Sequence[str] = (),
    *,
    workers: int | None = None,
    done: Callable[[int, int], None] | None = None,
) -> Reduced:
    """Reduce the frame-time logs of a bench to runs.

    Args:
        bench: folder with frames.csv and the folder frames.
        lows: definition that the columns of the bench hold; the other has columns of its own.
        level: of the ranges.
        only: logs to reduce, as named in frames.csv; empty: all.
        workers: logs read at the same time; None: one a processor.
        done: is told how many logs of how many are done.

    Raises:
        BenchError: frames.csv cannot be used, or none of the logs can.
        ScalemodelError: the level is not in (0, 1), or there is no such definition or log.
    """
    check_level(level)
    if lows not in DEFINITIONS:
        allowed = " or ".join(DEFINITIONS)
        raise ScalemodelError(f'There is no definition "{lows}" of a low. Allowed: {allowed}.')
    entries, log = list_logs(bench)
    entries = _chosen(entries, only)
    job = _Job(bench_folder(bench), level, code_digest())
    threads = min(workers or cpu_count(), len(entries))
    results: list[_Result] = []
    for result in Parallel(n_jobs=threads, prefer="threads", return_as="generator")(
        delayed(job.reduce)(entry) for entry in entries
    ):
        results.append(result)
        if done is not None:
            done(len(results), len(entries))
    tidy(bench_folder(bench), len(entries))
    problems = _sorted([*log.problems(), *(p for result in results for p in result.problems)])
    table = pd.DataFrame([result.row for result in results], columns=list(COLUMNS))
    if table["avg_fps"].isna().all():
        errors = sum(problem.severity == "error" for problem in problems)
        raise BenchError(shown_place(bench), problems, (errors, len(problems) - errors))
    kept = sum(result.kept for result in results)
    return Reduced(columns_of(table, lows), problems, lows, level, kept)


def _chosen(entries: list[LogEntry], only: Sequence[str]) -> list[LogEntry]:
    unknown = [file for file in only if file not in {entry.file for entry in entries}]
    if unknown:
        listed = ", ".join(entry.file for entry in entries[:8])
        raise ScalemodelError(
            f'frames.csv names no log "{unknown[0]}". Fix: choose one of those it names ({listed}'
            f"{', ...' if len(entries) > 8 else ''})."
        )
    return [entry for entry in entries if not only or entry.file in only]


def _sorted(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(problems, key=lambda problem: problem.severity != "error"))


@dataclass(frozen=True)
class _Result:
    row: Row
    problems: tuple[Problem, ...]
    kept: bool


@dataclass(frozen=True)
class _Job:
    """What all logs of a call have in common."""

    folder: Path
    level: float
    code: str

    def reduce(self, entry: LogEntry) -> _Result:
        """Reduce a log, or take what is kept of it."""
        key = key_of(self._settings(entry))
        if has_kept(self.folder, key):
            kept = load_kept(self.folder, key, digest_of(entry.path))
            found = None if kept is None else _unpacked(kept)
            if found is not None:
                return found
        try:
            log, part = open_run(entry)
        except UnreadableError as error:
            return _failed(entry, error.what, error.allowed, error.fix, error.row)
        except OSError as error:
            what = f"the log cannot be read ({error.strerror or error})"
            return _failed(entry, what, "a readable file", "check the file", None)
        with log:
            problems = log.faults.log.problems()
            if log.faults.fatal:
                row = failed_row(entry, problems, log.decision)
            else:
                row = run_row(entry, summarise(part, self.level), log.decision, self.level)
        answer = {"row": row, "problems": [asdict(problem) for problem in problems]}
        save_kept(self.folder, key, log.digest, answer)
        return _Result(row, problems, kept=False)

    def _settings(self, entry: LogEntry) -> dict[str, object]:
        told = {name: str(value) for name, value in asdict(entry).items() if name != "path"}
        return {**told, "level": self.level, "code": self.code}


def open_run(entry: LogEntry) -> tuple[Log, Part]:
    """Read a log and cut out the run; faults are noted in the log.

    Raises:
        UnreadableError: it cannot be read, or no frame is left.
        OSError: the file cannot be opened.
    """
    log = read_log(entry.path, entry.shown, entry.column, entry.unit)
    part = cut(log.times, 1000 * entry.skip_s, 1000 * entry.length_s)
    if log.faults.fatal:
        return log, part
    if not part.count:
        what = "no frame is left after skip_s and length_s" if log.times.count else "no frames"
        log.times.close()
        raise UnreadableError(what, "at least one frame", "correct frames.csv or the log")
    judge(log, part.first, part.last)
    return log, part


def _failed(entry: LogEntry, what: str, allowed: str, fix: str, row: int | None) -> _Result:
    log = ProblemLog()
    log.error(f"{entry.shown} (frames.csv, row {entry.row})", what, allowed, fix, row=row)
    return _Result(failed_row(entry, log.problems(), None), log.problems(), kept=False)


def _unpacked(kept: Mapping[str, object]) -> _Result | None:
    """Give what is kept of a log; None if that is not what a log comes to."""
    row, problems = kept.get("row"), kept.get("problems")
    if not is_row(row) or not isinstance(problems, list):
        return None
    try:
        return _Result(dict(row), tuple(Problem(**problem) for problem in problems), kept=True)
    except TypeError:
        return None
