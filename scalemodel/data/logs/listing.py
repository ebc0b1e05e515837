"""The logs of a bench: the rows of frames.csv, and the files they name."""

from collections.abc import Hashable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TypeGuard

import pandas as pd

from scalemodel.data.places import open_place
from scalemodel.data.problems import BenchError, ProblemLog, shown
from scalemodel.data.schema import FRAMES, ID_COLUMNS
from scalemodel.data.tables import TypedTable
from scalemodel.data.urls import BenchPath, shown_place

FOLDER = "frames"
"""Folder of the bench that holds the logs."""

LONGEST_NAME = 255
"""Bytes of the name of a file on usual file systems; the check of longer ones raises."""

PUT_THERE = "put it into the folder frames of the bench, under a path inside it"


@dataclass(frozen=True)
class LogEntry:
    """A row of frames.csv.

    Attributes:
        row: its row.
        file: the log, as written there.
        path: where it is.
        ids: card, platform, game, preset, resolution and run.
        column, unit: as given, or empty.
        skip_s, length_s: as given; 0 and infinite where the cells are empty.
    """

    row: int
    file: str
    path: Path
    ids: tuple[str, ...]
    column: str
    unit: str
    skip_s: float
    length_s: float

    @property
    def shown(self) -> str:
        """The log's path in the bench."""
        return f"{FOLDER}/{self.file}"


def list_logs(bench: BenchPath) -> tuple[list[LogEntry], ProblemLog]:
    """Read frames.csv and find its files; give the rows, and the warnings.

    Raises:
        BenchError: something there cannot be used; lists every problem found.
    """
    log = ProblemLog()
    with open_place(bench, log) as place:
        table = place.read(replace(FRAMES, required=True), log) if place else None
    entries: list[LogEntry] = []
    if place is not None and table is not None and not log.errors():
        folder = place.folder
        if has_folder(folder, table.reading.name, log):
            entries = check_logs(table, folder, log)
    if log.errors():
        raise BenchError(shown_place(bench), log.problems(), (log.errors(), log.warnings()))
    return entries, log


def has_folder(folder: Path | None, name: str, log: ProblemLog) -> TypeGuard[Path]:
    """Say whether there is a folder that logs can lie in."""
    if folder is None:
        what = "frame-time logs are files, and a database on a server has no folder for them"
        fix = "export the bench to a folder, and put the folder frames into it"
        log.error(name, what, "a bench in a folder, a workbook or a database file", fix)
    return folder is not None


def check_logs(table: TypedTable, folder: Path, log: ProblemLog) -> list[LogEntry]:
    """Check the rows of frames.csv and that their files are there; give the rows."""
    name = table.reading.name
    entries = [_entry(row, folder) for row in table.frame.to_dict(orient="records")]
    for entry in entries:
        _check_path(entry, folder, name, log)
    _check_runs(table.frame, name, log)
    _note_others(entries, folder, log)
    return entries


def _entry(row: dict[Hashable, object], folder: Path) -> LogEntry:
    file = str(row["file"])
    skip, length = float(str(row["skip_s"])), float(str(row["length_s"]))
    return LogEntry(
        int(str(row["row"])),
        file,
        folder / FOLDER / PurePosixPath(file),
        tuple(str(row[name]) for name in ID_COLUMNS),
        str(row["column"]),
        str(row["unit"]),
        0.0 if pd.isna(skip) else skip,
        float("inf") if pd.isna(length) else length,
    )


def _check_path(entry: LogEntry, folder: Path, name: str, log: ProblemLog) -> None:
    """Refuse files outside the folder of logs, links, and what is no file."""
    parts = PurePosixPath(entry.file).parts
    what = ""
    if PurePosixPath(entry.file).is_absolute() or Path(entry.file).is_absolute():
        what = "is an absolute path"
    elif ".." in parts or "\\" in entry.file:
        what = "leads out of the folder frames"
    elif any(len(part.encode()) > LONGEST_NAME for part in parts):
        what = f"has a longer name than a file can have ({LONGEST_NAME} bytes)"
    elif any(path.is_symlink() for path in _steps(folder / FOLDER, parts)):
        what = "is a link, or lies behind one"
    elif not entry.path.exists():
        what = "is not there"
    elif not entry.path.is_file():
        what = "is not a file"
    if what:
        log.error(
            name,
            f"the log {shown(entry.file, 80)} {what}",
            "a file in the folder frames of the bench",
            PUT_THERE,
            row=entry.row,
            column="file",
            value=entry.file,
        )


def _steps(folder: Path, parts: tuple[str, ...]) -> list[Path]:
    """Give the folder of logs and everything on the way from it to a log."""
    steps = [folder]
    for part in parts:
        steps.append(steps[-1] / part)
    return steps


def _check_runs(frame: pd.DataFrame, name: str, log: ProblemLog) -> None:
    """Refuse a run named twice."""
    first: dict[tuple[str, ...], int] = {}
    for row in frame.to_dict(orient="records"):
        run = tuple(str(row[column]) for column in ID_COLUMNS)
        if run in first:
            what = f"the run is there already in row {first[run]}"
            fix = "number the runs of a cell 1, 2, ..."
            log.error(name, what, "each run once", fix, row=int(row["row"]), column="run")
        first.setdefault(run, int(row["row"]))


def _note_others(entries: list[LogEntry], folder: Path, log: ProblemLog) -> None:
    """List files in the folder of logs that no row names."""
    named = {entry.path for entry in entries}
    found = sorted(path for path in (folder / FOLDER).rglob("*") if path.is_file())
    for path in found:
        if path not in named and not path.name.startswith("."):
            where = path.relative_to(folder).as_posix()
            fix = "add a row for it, or take it out of the folder"
            log.warning(where, "no row of frames.csv names this file", "a row a run", fix)
