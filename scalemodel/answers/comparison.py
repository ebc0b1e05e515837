"""Is the difference of two cards, drivers, game versions or dates within test error?"""

from collections.abc import Hashable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import numpy as np
import pandas as pd

from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.margins import check_margin, share
from scalemodel.answers.runs import Runs, runs_of
from scalemodel.answers.same_cells import differences, settled
from scalemodel.answers.spread import ALL
from scalemodel.data.bench import Bench
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray
from scalemodel.model.equivalence import ALPHA, Tested, mean_difference, tested

KINDS = ("card", "driver", "game_version", "date")
"""What A and B may be, in the order in which a name is looked for."""

KIND_WORDS = {"card": "card", "driver": "driver", "game_version": "game version", "date": "date"}
TIED, DIFFERENT, OPEN = "tied", "different", "open"
NO_TEST_ERROR = "no cell has repeated runs: the test error is not known"
COLUMNS = (
    "a",
    "b",
    "kind",
    "card",
    *CHART_COLUMNS,
    "lead",
    "lower",
    "upper",
    "p_different",
    "p_equal",
    "verdict",
    "reason",
    "row_kind",
    "charts_used",
)


@dataclass(frozen=True)
class Comparison:
    """How far `a` is ahead of `b`, and whether they are tied.

    Attributes:
        table: one row for all that share a chart (of cards) or a cell (of drivers, game versions
            and dates), then a summary row a platform (row_kind "summary"). A verdict is "tied"
            (a true lead as large as the margin would show so small a one with a chance below
            ALPHA), "different" (a lead of 0 would show so large a one likewise), or "open". A
            difference that is surely there and surely within the margin is "tied".
        a, b: the names.
        kind: "card", "driver", "game_version" or "date".
        margin: the smallest lead that matters.
        level: level of the ranges.
    """

    table: pd.DataFrame
    a: str
    b: str
    kind: str
    margin: float
    level: float

    def __str__(self) -> str:
        summaries = self.table[self.table["row_kind"] == "summary"]
        return " ".join(self._words(row) for row in summaries.to_dict(orient="records"))

    def _words(self, row: dict[Hashable, Any]) -> str:
        platform = row["platform"]
        what = "" if self.kind == "card" else f"{KIND_WORDS[self.kind]} "
        if row["reason"] and not np.isfinite(row["lead"]):
            return (
                f"On {platform} {what}{self.a} cannot be compared with {self.b}: {row['reason']}."
            )
        here = self.table[
            (self.table["row_kind"] == "chart") & (self.table["platform"] == platform)
        ]
        counts = here["verdict"].value_counts()
        unit = "chart" if self.kind == "card" else "cell"
        parts = [f"{word} on {counts[word]}" for word in (TIED, DIFFERENT, OPEN) if word in counts]
        way = "ahead of" if row["lead"] >= 0 else "behind"
        return (
            f"On {platform} {what}{self.a} is {abs(row['lead']):.2%} {way} {self.b} over "
            f"{counted(row['charts_used'], unit)} "
            f"({row['lower']:+.2%} to {row['upper']:+.2%}): "
            f"{_meaning(row['verdict'], self.margin)}. One by one: {', '.join(parts)}."
        )


def _meaning(verdict: str, margin: float) -> str:
    return {
        TIED: f"tied, surely within {share(margin)}",
        DIFFERENT: "different",
        OPEN: f"open, neither surely apart nor surely within {share(margin)}",
    }[verdict]


def compare(
    bench: Bench, a: str, b: str, margin: float = 0.02, level: float = 0.8, metric: str = "average"
) -> Comparison:
    """Compare two cards chart by chart, or two drivers, game versions or dates cell by cell.

    Raises:
        ScalemodelError: a name is none of these, both are the same, no run has the metric, or the
            margin or level is not possible.
    """
    check_level(level)
    check_margin(margin)
    runs = runs_of(bench, metric)
    kind = _kind(runs, a, b)
    rows = _rows(runs, kind, a, b, margin, level)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return Comparison(table, a, b, kind, margin, level)


def _kind(runs: Runs, a: str, b: str) -> str:
    if a == b:
        raise ScalemodelError(f'A and B are both "{a}". Name two different ones.')
    names = {kind: set(runs.table[kind]) - {""} for kind in KINDS}
    for kind in KINDS:
        if a in names[kind] and b in names[kind]:
            return kind
    known = {name: [kind for kind in KINDS if name in names[kind]] for name in (a, b)}
    strange = [name for name in (a, b) if not known[name]]
    if not strange:
        what = " and ".join(f'"{name}" is a {KIND_WORDS[known[name][0]]}' for name in (a, b))
        raise ScalemodelError(f"{what}. Name two of the same kind.")
    every = sorted(set().union(*names.values()))
    told = []
    for name in strange:
        near = get_close_matches(name, every, n=3, cutoff=0.5)
        more = f"; near it: {', '.join(near)}" if near else ""
        told.append(f'No run has the card, driver, game version or date "{name}"{more}.')
    counts = ", ".join(
        f"{counted(len(names[kind]), KIND_WORDS[kind])}" for kind in KINDS if names[kind]
    )
    raise ScalemodelError(f"{' '.join(told)} The bench has {counts} to choose from.")


def _rows(
    runs: Runs, kind: str, a: str, b: str, margin: float, level: float
) -> list[dict[str, object]]:
    unit = runs.chart if kind == "card" else runs.cell
    is_a, is_b = ((runs.table[kind] == name).to_numpy() for name in (a, b))
    pairs = differences(settled(runs, is_a, unit), settled(runs, is_b, unit))
    first = dict(zip(*np.unique(unit, return_index=True), strict=True))
    fixed: dict[str, object] = {"a": a, "b": b, "kind": kind, "row_kind": "chart", "charts_used": 1}
    cells = list(runs.table[list(CELL_COLUMNS)].itertuples(index=False, name=None))
    rows: list[dict[str, object]] = []
    for pair in pairs.to_dict(orient="records"):
        place = dict(zip(CELL_COLUMNS, cells[first[pair["unit"]]], strict=True)) | (
            {"card": ""} if kind == "card" else {}
        )
        rows.append({**fixed, **place, **_numbers(pair, margin, level)})
    if kind == "card":
        rows += _one_sided(runs, a, b, is_a, is_b, fixed)
    platforms = dict.fromkeys(runs.table.loc[is_a | is_b, "platform"])
    scene = runs.table["platform"].to_numpy()
    place_of = {u: scene[i] for u, i in first.items()}
    for platform in platforms:
        here = pairs[[place_of[u] == platform for u in pairs["unit"]]]
        rows.append({**fixed, **_summary(here, kind, str(platform), margin, level)})
    return rows


def _one_sided(
    runs: Runs,
    a: str,
    b: str,
    is_a: BoolArray,
    is_b: BoolArray,
    fixed: dict[str, object],
) -> list[dict[str, object]]:
    """Return a row with its reason for each chart that only one of two cards was tested on."""
    rows: list[dict[str, object]] = []
    empty: dict[str, object] = {**dict.fromkeys(COLUMNS, np.nan), **fixed, "card": ""}
    empty |= {"verdict": "", "charts_used": 0}
    for other, mine, theirs in ((b, is_a, is_b), (a, is_b, is_a)):
        only = mine & ~np.isin(runs.chart, runs.chart[theirs])
        charts = runs.table[only].drop_duplicates(list(CHART_COLUMNS))
        for chart in charts[list(CHART_COLUMNS)].itertuples(index=False, name=None):
            place = dict(zip(CHART_COLUMNS, chart, strict=True))
            rows.append({**empty, **place, "reason": f"no result of {other}"})
    return rows


def _numbers(pair: dict[Hashable, Any], margin: float, level: float) -> dict[str, object]:
    if np.isnan(pair["se"]):
        unknown = dict.fromkeys(("lower", "upper", "p_different", "p_equal"), np.nan)
        lead = float(np.expm1(pair["difference"]))
        return {"lead": lead, **unknown, "verdict": OPEN, "reason": NO_TEST_ERROR}
    return judged(tested(pair["difference"], pair["se"], pair["dof"], np.log1p(margin)), level)


def judged(found: Tested, level: float) -> dict[str, object]:
    """Return the columns that say what a tested difference of log rates means."""
    low, high = np.expm1(found.range(level))
    return {
        "lead": float(np.expm1(found.difference)),
        "lower": float(low),
        "upper": float(high),
        "p_different": found.p_different,
        "p_equal": found.p_equal,
        "verdict": verdict_of(found),
        "reason": "",
    }


def verdict_of(found: Tested) -> str:
    """Say whether a tested difference is tied, different or open."""
    if found.p_equal < ALPHA:
        return TIED
    return DIFFERENT if found.p_different < ALPHA else OPEN


def _summary(
    pairs: pd.DataFrame, kind: str, platform: str, margin: float, level: float
) -> dict[str, object]:
    place = {"card": "" if kind == "card" else ALL, "platform": platform}
    place |= dict.fromkeys(("game", "preset", "resolution"), ALL)
    out = {**place, "row_kind": "summary", "charts_used": len(pairs)}
    if pairs.empty:
        unit = "chart has both" if kind == "card" else "cell was tested with both"
        numbers = dict.fromkeys(("lead", "lower", "upper", "p_different", "p_equal"), np.nan)
        return {**out, **numbers, "verdict": "", "reason": f"no {unit}"}
    values, ses = (pairs[name].to_numpy(dtype=float) for name in ("difference", "se"))
    mean, se, dof = mean_difference(values, np.nan_to_num(ses))
    if np.isnan(ses).any() and len(pairs) == 1:
        return {**out, **_numbers({"difference": mean, "se": np.nan, "dof": dof}, margin, level)}
    return {**out, **judged(tested(mean, se, dof, float(np.log1p(margin))), level)}
