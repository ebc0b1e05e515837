"""A bench read from where it lies: cards, platforms and runs, checked, with what was left out."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd

from scalemodel.data import checks, schema, specs
from scalemodel.data.logs.listing import check_logs, has_folder
from scalemodel.data.places import Place, bench_folder, open_place, read_alone
from scalemodel.data.problems import BenchError, Problem, ProblemLog
from scalemodel.data.shots import read_shots
from scalemodel.data.tables import FileReading, TypedTable
from scalemodel.data.urls import BenchPath, shown_place

__all__ = [
    "Bench",
    "BenchError",
    "CheckReport",
    "FileReading",
    "Problem",
    "check_bench",
    "read_bench",
    "read_specs",
]

EXCLUDED_COLUMNS = (
    "row",
    *schema.ID_COLUMNS,
    "avg_fps",
    "reason",
    "low_1pct_fps",
    "low_01pct_fps",
)


@dataclass(frozen=True)
class Bench:
    """A sound bench.

    Attributes:
        source: the path as given, or the address of a database without its password.
        cards: one row a card: the columns of cards.csv (numbers NaN and texts empty where the
            file has none), then unknown columns as text, then ``bandwidth_gbs``,
            ``shader_rate`` (millions of shader-clocks per second) and ``raster_rate``
            (millions of pixels per second, NaN without rops).
        platforms: one row a platform named in platforms.csv or in the results.
        results: one row a run that can be used: ``row`` (as a spreadsheet shows it), the columns
            of results.csv, unknown columns as text, then ``scene`` ("game | preset"), ``width``,
            ``height`` and ``pixels`` of the resolution.
        excluded: runs left out: row, ids, avg_fps, the reason, low_1pct_fps and low_01pct_fps.
        limited: of these the runs at a power limit that is not the card's own, with the columns of
            ``results``.
        latency: one row a shot: ``row``, the columns of latency.csv, unknown columns as text, then
            ``reason``, why it is left out, or "". Empty without that file.
        problems: the warnings.
        reading: how each file was read.
        digest: sha256 of the content of the files that a fit rests on, whatever their path and
            time; the list of frame logs and the shots are not among them. What a `Filter` asks for
            is.
        chosen: which part of the runs a `Filter` took, in words; empty for all of them.
    """

    source: str
    cards: pd.DataFrame
    platforms: pd.DataFrame
    results: pd.DataFrame
    excluded: pd.DataFrame
    limited: pd.DataFrame
    latency: pd.DataFrame
    problems: tuple[Problem, ...]
    reading: tuple[FileReading, ...]
    digest: str
    chosen: str = ""

    @property
    def folder(self) -> Path:
        """Where fits of the bench are kept: beside it, or in the user's cache."""
        return bench_folder(self.source)


@dataclass(frozen=True)
class CheckReport:
    """Whether a bench is sound, and everything that was found.

    Attributes:
        source: the path as given, or the address of a database without its password.
        problems: errors, then warnings.
        reading: how each file was read, of those that could be.
        counts: number of cards, platforms, games, scenes, charts, cells, runs, excluded runs and
            shots; empty for a bench with errors.
        excluded: as in Bench; empty for a bench with errors.
        tested: one row a cell: card, platform, game, preset, resolution, runs used and left_out;
            empty for a bench with errors.
        ok: there are no errors.
    """

    source: str
    problems: tuple[Problem, ...]
    reading: tuple[FileReading, ...]
    counts: Mapping[str, int]
    excluded: pd.DataFrame
    tested: pd.DataFrame
    ok: bool


def read_bench(path: BenchPath) -> Bench:
    """Read the bench in a folder, a workbook, or a database given by its address.

    Raises:
        BenchError: it cannot be used; lists every problem found.
        AddressError: it looks like the address of a database and is none.
    """
    log = ProblemLog()
    with open_place(path, log) as place:
        tables = read_tables(place, log) if place else None
    bench = _bench(path, tables, log) if tables is not None else None
    if bench is None:
        raise BenchError(shown_place(path), log.problems(), (log.errors(), log.warnings()))
    return bench


def check_bench(path: BenchPath) -> CheckReport:
    """Read the bench in a folder, a workbook or a database; report what was found, good or bad.

    Raises:
        BenchError: there is no such folder, workbook or database, or it cannot be opened.
        AddressError: it looks like the address of a database and is none.
    """
    log = ProblemLog()
    with open_place(path, log) as place:
        if place is None:
            raise BenchError(shown_place(path), log.problems(), (log.errors(), log.warnings()))
        tables = read_tables(place, log)
    logs = tables.get(schema.FRAMES.name)
    if logs is not None and not log.errors(logs.reading.name):
        _warn_of_logs(logs, place.folder, log)
    bench = _bench(path, tables, log)
    return CheckReport(
        shown_place(path),
        log.problems(),
        tuple(table.reading for table in tables.values()),
        MappingProxyType(_counts(bench) if bench else {}),
        bench.excluded if bench else pd.DataFrame(columns=list(EXCLUDED_COLUMNS)),
        _tested(bench)
        if bench
        else pd.DataFrame(columns=[*schema.CELL_COLUMNS, "runs", "left_out"]),
        bench is not None,
    )


def _warn_of_logs(table: TypedTable, folder: Path | None, log: ProblemLog) -> None:
    """Note what stands in the way of reducing the frame logs; nothing else needs them."""
    found = ProblemLog()
    if has_folder(folder, table.reading.name, found):
        check_logs(table, folder, found)
    for p in found.problems():
        log.warning(p.file, p.what, p.allowed, p.fix, row=p.row, column=p.column, value=p.value)


def _tested(bench: Bench) -> pd.DataFrame:
    """Count the runs of every cell, used and left out, in the order of the cards' sheets."""
    cell = list(schema.CELL_COLUMNS)
    used, gone = (part.groupby(cell, sort=False).size() for part in (bench.results, bench.excluded))
    counts = pd.concat({"runs": used, "left_out": gone}, axis=1).fillna(0).astype(int).reset_index()
    place = {card: n for n, card in enumerate(bench.cards["card"])}
    order = counts["card"].map(place).sort_values(kind="stable").index
    return counts.loc[order].reset_index(drop=True)


def read_specs(path: BenchPath) -> pd.DataFrame:
    """Read spec sheets for prediction: a file, the only sheet of a workbook or the one named cards,
    or the table cards of a database, with the columns of cards.csv.

    Gives the columns of ``Bench.cards``.

    Raises:
        BenchError: it cannot be used; lists every problem found.
    """
    log = ProblemLog()
    table = read_alone(path, schema.CARDS, log)
    cards = _cards(table, log) if table else None
    if cards is None or log.errors():
        raise BenchError(shown_place(path), log.problems(), (log.errors(), log.warnings()))
    return cards.drop(columns="row")


def read_tables(place: Place, log: ProblemLog) -> dict[str, TypedTable]:
    """Read the tables of a bench that are there and can be read; the log says what is wrong."""
    read = {table.name: place.read(table, log) for table in schema.TABLES}
    return {name: table for name, table in read.items() if table is not None}


def _bench(path: BenchPath, tables: Mapping[str, TypedTable], log: ProblemLog) -> Bench | None:
    """Give the bench of these tables, or None with errors in the log."""
    cards = _cards(tables["cards"], log) if "cards" in tables else None
    platforms = tables.get("platforms")
    if platforms:
        checks.check_listed_once(platforms.frame, "platform", platforms.reading.name, log)
    if log.errors() or cards is None:
        return None
    results, excluded, limited = _runs(tables["results"], cards, log)
    bench = Bench(
        shown_place(path),
        cards.drop(columns="row"),
        _platforms(platforms, tables["results"], log),
        results,
        excluded,
        limited,
        read_shots(tables.get("latency"), cards, log),
        log.problems(),
        tuple(table.reading for table in tables.values()),
        _digest(tables),
    )
    return None if log.errors() else bench


def _cards(table: TypedTable, log: ProblemLog) -> pd.DataFrame:
    """Derive and check the spec sheets; the checks of values wait until all cells are sound."""
    cards = specs.with_derived(table.frame)
    name = table.reading.name
    sound = not log.errors(name)
    checks.check_cards(cards, name, log)
    if sound:
        specs.check_specs(cards, name, log)
    return cards


def _runs(
    table: TypedTable, cards: pd.DataFrame, log: ProblemLog
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Split the runs into those to use, those left out, and of these those at a power limit."""
    frame, name = table.frame, table.reading.name
    index, names = pd.factorize(frame["resolution"])
    width, height = np.array([text.split("x") for text in names], dtype=float)[index].T
    frame = frame.assign(
        scene=frame["game"] + " | " + frame["preset"],
        width=width,
        height=height,
        pixels=width * height,
    )
    checks.check_scene_names(frame, name, log)
    reasons = checks.reasons_to_leave_out(frame, cards, name, log)
    excluded = frame.assign(reason=reasons)[reasons != ""][list(EXCLUDED_COLUMNS)]
    results = frame[reasons == ""].reset_index(drop=True)
    limited = frame[reasons == checks.LIMITED].reset_index(drop=True)
    if results.empty:
        what, allowed = "no run is left after those to be left out", "at least one usable run"
        log.error(name, what, allowed, "see the reasons above, or add runs")
    else:
        checks.check_results(results, name, log)
    checks.check_limits(limited, name, log)
    parts = (results, excluded.reset_index(drop=True), limited)
    return tuple(_as_in_the_sheet(part, table) for part in parts)  # type: ignore[return-value]


def _as_in_the_sheet(runs: pd.DataFrame, table: TypedTable) -> pd.DataFrame:
    """Number runs by the rows of the sheet they stand in."""
    return runs.assign(row=runs["row"].map(dict(table.rows))) if table.rows else runs


def _platforms(platforms: TypedTable | None, results: TypedTable, log: ProblemLog) -> pd.DataFrame:
    """List the platforms of the file, then those only the results name."""
    used = results.frame.drop_duplicates("platform")[["row", "platform"]]
    if platforms is None:
        return used[["platform"]].reset_index(drop=True)
    listed = platforms.frame.drop(columns="row")
    extra = used[~used["platform"].isin(set(listed["platform"]))]
    for row, name in zip(extra["row"], extra["platform"], strict=True):
        what = f'the platform "{name}" is not in the table of platforms'
        allowed, fix = "a platform of that table", "add it there or correct the name"
        log.warning(
            results.reading.name, what, allowed, fix, row=row, column="platform", value=name
        )
    return pd.concat([listed, extra[["platform"]]], ignore_index=True).fillna("")


def _digest(tables: Mapping[str, TypedTable]) -> str:
    used = sorted(set(tables) - {schema.FRAMES.name, schema.LATENCY.name})
    text = "".join(f"{name} {tables[name].digest}\n" for name in used)
    return hashlib.sha256(text.encode()).hexdigest()


def _counts(bench: Bench) -> dict[str, int]:
    runs = bench.results
    return {
        "cards": len(bench.cards),
        "platforms": len(bench.platforms),
        "games": runs["game"].nunique(),
        "scenes": runs["scene"].nunique(),
        "charts": len(runs.drop_duplicates(list(schema.CHART_COLUMNS))),
        "cells": len(runs.drop_duplicates(list(schema.CELL_COLUMNS))),
        "runs": len(runs),
        "excluded": len(bench.excluded),
        "shots": int((bench.latency["reason"] == "").sum()),
    }
