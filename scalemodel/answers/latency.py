"""Latency from click to photon: its line against frame time, and which cards break from it."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from scalemodel.answers.comparison import DIFFERENT, OPEN, TIED
from scalemodel.answers.latency_ahead import AHEAD_COLUMNS, latency_ahead
from scalemodel.answers.latency_cells import LatencyCells, latency_cells, of_platform
from scalemodel.answers.latency_lines import (
    CARD_COLUMNS,
    LINE_COLUMNS,
    PlatformLine,
    card_rows,
    cell_columns,
    cell_key,
    fit_platform,
    least_ms,
    line_rows,
)
from scalemodel.answers.latency_pairs import compare_pair, pair_rows
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.spread import ALL
from scalemodel.data.bench import Bench
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

MARGIN_MS = 1.0
"""Smallest difference that matters, in ms."""

BETWEEN = (200.0, 300.0)
"""Rates between which the gain is told."""

CELL_TABLE_COLUMNS = (
    *CELL_COLUMNS,
    "source",
    "shots",
    "latency_ms",
    "lower_ms",
    "upper_ms",
    "refresh_hz",
    "frame_ms",
    "gpu_ms",
    "least_ms",
    "expected_ms",
    "expected_lower_ms",
    "expected_upper_ms",
    "apart_ms",
    "p",
    "off_line",
    "reason",
)


@dataclass(frozen=True)
class Latency:
    """Latencies in ms, and their line against frame time.

    Attributes:
        table: one row a cell: what was measured with the range of its test error, the frame time,
            what latency cannot be below, and what the line of its scene gives.
        lines: one row a platform and scene, then one of all its scenes: constant, frames, what a
            change of the rate buys.
        cards: one row a platform and card: how far it is from the line of the others. `mean_ms` is
            over the charts that all cards of the platform have.
        pairs: one row a platform and pair of cards: difference and verdict.
        shots: every shot with the tests of its cell.
        ahead: of cards that were asked for by their spec sheets: a range a chart.
        source: "shots" of latency.csv, or "runs".
        margin_ms: the smallest difference that matters.
        level: level of the ranges.
        note: what is missing for want of a fit, or "".
        cells: what all of it was computed from.
    """

    table: pd.DataFrame
    lines: pd.DataFrame
    cards: pd.DataFrame
    pairs: pd.DataFrame
    shots: pd.DataFrame
    ahead: pd.DataFrame
    source: str
    margin_ms: float
    level: float
    note: str
    cells: LatencyCells

    def compare(self, a: str, b: str) -> pd.DataFrame:
        """Return the difference of two cards, chart by chart, then one row a platform.

        Raises:
            ScalemodelError: a card has no latency, or both are the same.
        """
        return compare_pair(self.cells.runs, a, b, self.margin_ms, self.level)

    def __str__(self) -> str:
        every = self.lines[self.lines["game"] == ALL]
        words = [
            f"On {row['platform']} {self._line_words(row)}"
            for row in every.to_dict(orient="records")
        ]
        counts = self.pairs["verdict"].value_counts()
        if len(self.pairs):
            parts = [f"{counts.get(w, 0)} {w}" for w in (TIED, DIFFERENT, OPEN)]
            words.append(
                f"Of {counted(len(self.pairs), 'pair')} of cards {', '.join(parts)} "
                f"(margin {self.margin_ms:g} ms)."
            )
        flagged = int((self.shots["found_by"] != "").sum())
        noun = counted(flagged, self.source.removesuffix("s"))
        if flagged:
            words.append(f"{noun} {'strays' if flagged == 1 else 'stray'} too far.")
        return " ".join([*words, self.note] if self.note else words)

    def _line_words(self, row: dict[Hashable, Any]) -> str:
        here = self.table[self.table["platform"] == row["platform"]]
        if row["reason"]:
            return f"there is no line of latency: {row['reason']}."
        words = (
            f"latency is {row['constant_ms']:.1f} ms ({row['constant_lower_ms']:.1f} to "
            f"{row['constant_upper_ms']:.1f}) and {row['frames']:.2f} frames "
            f"({row['frames_lower']:.2f} to {row['frames_upper']:.2f}) over "
            f"{counted(row['cells'], 'cell')} of {counted(row['cards'], 'card')}; from "
            f"{row['from_fps']:g} to {row['to_fps']:g} fps it falls by {row['bought_ms']:.1f} ms."
        )
        cards = self.cards[self.cards["platform"] == row["platform"]]
        broken = cards[cards["breaks"].astype(bool)]
        for one in broken.to_dict(orient="records"):
            words += (
                f" {one['card']} breaks from the line: {one['apart_ms']:+.1f} ms "
                f"({one['apart_lower_ms']:+.1f} to {one['apart_upper_ms']:+.1f})."
            )
        if broken.empty and not cards["p"].isna().any():
            words += " No card breaks from the line."
        own = ~here["card"].isin(set(broken["card"]))
        off = int(here.loc[own, "off_line"].astype(bool).sum())
        return words + (
            f" {counted(off, 'cell')} {'is' if off == 1 else 'are'} off it." * (off > 0)
        )


def latency(
    bench: Bench,
    *,
    source: str = "",
    margin_ms: float = MARGIN_MS,
    level: float = 0.8,
    between: tuple[float, float] = BETWEEN,
    fit: "Fit | None" = None,
    specs: pd.DataFrame | None = None,
    seed: int = 0,
) -> Latency:
    """Fit the line of latency against frame time, platform by platform.

    Args:
        bench: as `read_bench` gives it.
        source: "shots" of latency.csv or "runs" of results; without it shots if there are any.
        margin_ms: the smallest difference that matters.
        level: level of the ranges.
        between: two rates in fps, to say what going from one to the other buys.
        fit: of this bench's average rates; without it nobody knows what waits for the ceiling.
        specs: spec sheets of cards to predict, as `read_specs` gives them; needs a fit.
        seed: of the draws.

    Raises:
        ScalemodelError: there is no latency, or an argument is not possible.
    """
    check_level(level)
    _check(margin_ms, between)
    if specs is not None and fit is None:
        raise ScalemodelError("To predict a latency from a spec sheet takes a fit of the bench.")
    cells = latency_cells(bench, source, fit)
    tail = cells.runs.tail()
    lines: dict[str, PlatformLine | str] = {
        str(platform): fit_platform(part, tail, seed, cells.table["platform"].nunique())
        for platform, part in cells.table.groupby("platform", sort=False)
    }
    ahead = pd.DataFrame(columns=list(AHEAD_COLUMNS))
    if specs is not None and fit is not None:
        ahead = latency_ahead(fit, lines, specs, level)
    return Latency(
        table=_cell_table(cells, lines, margin_ms, level),
        lines=_line_table(lines, between, level),
        cards=_card_table(cells, lines, margin_ms, level),
        pairs=pair_rows(cells.runs, margin_ms, level),
        shots=cells.every_shot(),
        ahead=ahead,
        source=cells.source,
        margin_ms=margin_ms,
        level=level,
        note="" if fit is not None else NO_FIT,
        cells=cells,
    )


NO_FIT = "Without a fit the ceiling is not taken into account."


def _check(margin_ms: float, between: tuple[float, float]) -> None:
    if not 0 < margin_ms < np.inf:
        raise ScalemodelError(f"A margin of {margin_ms:g} ms cannot be tested. Allowed: above 0.")
    if not all(0 < rate < np.inf for rate in between) or between[0] == between[1]:
        raise ScalemodelError(
            f"{between[0]:g} and {between[1]:g} are not two different rates above 0."
        )


def _cell_table(
    cells: LatencyCells, lines: Mapping[str, PlatformLine | str], margin_ms: float, level: float
) -> pd.DataFrame:
    reach = float(norm.ppf((1 + level) / 2)) * cells.table["se_ms"]
    table = cells.table.assign(
        source=cells.source,
        lower_ms=cells.table["latency_ms"] - reach,
        upper_ms=cells.table["latency_ms"] + reach,
        least_ms=least_ms(cells.table),
    ).set_index(list(CELL_COLUMNS))
    table = table.assign(
        **dict.fromkeys(
            ("expected_ms", "expected_lower_ms", "expected_upper_ms", "apart_ms", "p"), np.nan
        ),
        off_line=False,
    )
    for platform, line in lines.items():
        if isinstance(line, str):
            here = (table.index.get_level_values("platform") == platform) & (table["reason"] == "")
            table.loc[here, "reason"] = line
            continue
        found = pd.DataFrame(cell_columns(line, margin_ms, level), index=cell_key(line.cells))
        table.loc[found.index, list(found.columns)] = found
    table["off_line"] = table["off_line"].astype(bool)
    return table.reset_index()[list(CELL_TABLE_COLUMNS)]


def _line_table(
    lines: Mapping[str, PlatformLine | str], between: tuple[float, float], level: float
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for platform, line in lines.items():
        if isinstance(line, str):
            rows.append({"platform": platform, "game": ALL, "preset": ALL, "reason": line})
        else:
            rows += line_rows(line, platform, between, level)
    return pd.DataFrame(rows, columns=list(LINE_COLUMNS))


def _card_table(
    cells: LatencyCells, lines: Mapping[str, PlatformLine | str], margin_ms: float, level: float
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for platform, line in lines.items():
        here = of_platform(cells, platform).table
        mean = _means(here)
        if isinstance(line, str):
            for card, part in here.groupby("card", sort=False):
                fixed = {"platform": platform, "card": card, "cells": len(part), "breaks": False}
                rows.append({**fixed, "shots": int(part["shots"].sum()), "reason": line})
        else:
            rows += card_rows(line, platform, margin_ms, level)
        for row in rows:
            if row["platform"] == platform:
                row["mean_ms"] = mean.get(str(row["card"]), np.nan)
    return pd.DataFrame(rows, columns=list(CARD_COLUMNS))


def _means(cells: pd.DataFrame) -> dict[str, float]:
    """Return the mean latency of each card over the charts that all cards have; none without."""
    wide = cells.pivot_table(
        index=["game", "preset", "resolution"], columns="card", values="latency_ms"
    )
    shared = wide.dropna()
    return {} if shared.empty else {str(card): float(v) for card, v in shared.mean().items()}
