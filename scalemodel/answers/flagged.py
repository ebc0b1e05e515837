"""Which runs are outliers, by which test, and what each does to its cell."""

import numpy as np
import pandas as pd

from scalemodel.answers.runs import METRIC_COLUMNS, Runs, compact
from scalemodel.data.bench import Bench
from scalemodel.data.repeats import settle
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.outlying import (
    apart_from_others,
    chance_of_farthest,
    generalized_esd,
    level_chance,
    level_ratio,
    spread_ratio,
)

ALPHA = 0.01
"""Chance that a test flags anything at all in a bench with normal errors."""

FEWEST_FOR_OWN = 5
"""Runs a cell needs to be judged by itself: of fewer, the most that Grubbs' statistic can be is
hardly above its critical value."""

FEWEST_FOR_H = 3
"""Sessions a cell needs for one of them to be odd."""

MARKED = "marked exclude"
COLUMNS = (
    "row",
    *CELL_COLUMNS,
    "run",
    "rate",
    "apart",
    "sds",
    "p",
    "k",
    "h",
    "found_by",
    "weight",
    "cell_rate",
    "mean_with",
    "mean_without",
    "reason",
)


def tested_runs(runs: Runs, metric: str) -> pd.DataFrame:
    """Return every run with its tests, what they found, and what it does to its cell."""
    column = METRIC_COLUMNS[metric]
    table = runs.table.assign(rate=runs.table[column])
    table = table[["row", *CELL_COLUMNS, "run", "rate"]].reset_index(drop=True)
    found = statistics(runs)
    apart = np.expm1(np.asarray(found["apart"]))
    table = table.assign(**found | {"apart": apart}, **_effects(runs), reason="")
    return table[list(COLUMNS)]


def flagged_runs(bench: Bench, every_run: pd.DataFrame, metric: str) -> pd.DataFrame:
    """Return the runs that a test flags, the farthest first, then those the user excluded."""
    flagged = every_run[every_run["found_by"] != ""]
    flagged = flagged.sort_values("sds", key=abs, ascending=False, kind="stable")
    parts = [flagged, _excluded(bench, every_run, metric)]
    return pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)[list(COLUMNS)]


def statistics(runs: Runs) -> dict[str, FloatArray | list[str]]:
    """Return how far each run is apart from its repeats, on the scale of `runs`, and its tests."""
    agreed, mates = runs.agreed, runs.agreed.together
    if agreed.run_sd is None:
        nothing = np.full(len(mates), np.nan)
        none = dict.fromkeys(("apart", "sds", "p", "k", "h"), nothing)
        return {**none, "found_by": [""] * len(mates)}
    count = np.bincount(mates)
    alpha = ALPHA / max(int((count > 1).sum()), 1)
    found = settle(runs.log_rate, mates, agreed.scale, agreed.scale)
    apart = runs.log_rate - found.location[mates]
    sds = apart_from_others(runs.log_rate, mates, found.weight, agreed.scale)
    p = chance_of_farthest(sds, agreed.scale_dof, count[mates])
    k, p_k = spread_ratio(runs.log_rate, mates, runs.alike)
    h, p_h = _sessions(runs)
    hits = {
        "lab": p < alpha,
        "own cell": _by_itself(runs, alpha),
        "spread (k)": (p_k < alpha)[mates] & _farthest(mates, sds),
        "session (h)": p_h < alpha,
    }
    names = [", ".join(name for name, hit in hits.items() if hit[i]) for i in range(len(mates))]
    return {"apart": apart, "sds": sds, "p": p, "k": k[mates], "h": h, "found_by": names}


def _by_itself(runs: Runs, alpha: float) -> BoolArray:
    """Mark runs that the generalized ESD test finds among their repeats."""
    mates = runs.agreed.together
    found = np.zeros(len(mates), dtype=bool)
    order = np.argsort(mates, kind="stable")
    for part in np.split(order, np.cumsum(np.bincount(mates))[:-1]):
        if len(part) >= FEWEST_FOR_OWN:
            test = generalized_esd(runs.log_rate[part], (len(part) - 1) // 2, alpha)
            found[part[test.index[: test.count]]] = True
    return found


def _farthest(mates: IntArray, sds: FloatArray) -> BoolArray:
    away = np.nan_to_num(np.abs(sds))
    largest = np.zeros(int(mates.max()) + 1)
    np.maximum.at(largest, mates, away)
    return np.asarray(away >= largest[mates])


def _sessions(runs: Runs) -> tuple[FloatArray, FloatArray]:
    """Return h of the session of each run, and its chance; NaN with too few sessions."""
    h, chance = np.full((2, len(runs.cell)), np.nan)
    mean = np.bincount(runs.session, runs.log_rate) / np.bincount(runs.session)
    first = np.unique(runs.session, return_index=True)[1]
    of_session, version = runs.version[first], compact(runs.version)
    for one in np.flatnonzero(np.bincount(of_session) >= FEWEST_FOR_H):
        sessions = np.flatnonzero(of_session == one)
        ratios = level_ratio(mean[sessions])
        chances = level_chance(ratios, len(sessions)) * len(sessions)
        for session, ratio, p in zip(sessions, ratios, chances, strict=True):
            here = (runs.session == session) & (version == one)
            h[here], chance[here] = ratio, p
    return h, chance


def _effects(runs: Runs) -> dict[str, FloatArray]:
    """Return what each run counts, what its cell shows, and its mean with and without the run."""
    cell, values = runs.cell, runs.log_rate
    count = np.bincount(cell)[cell]
    total = np.bincount(cell, values)[cell]
    alone = count == 1
    without = np.where(alone, np.nan, (total - values) / np.where(alone, 1, count - 1))
    return {
        "weight": np.where(runs.agreed.agreed[cell], runs.agreed.weight, np.nan),
        "cell_rate": np.exp(runs.agreed.location)[cell],
        "mean_with": np.exp(total / count),
        "mean_without": np.exp(without),
    }


def _excluded(bench: Bench, table: pd.DataFrame, metric: str) -> pd.DataFrame:
    """Return the runs the user excluded, beside the cells they belong to."""
    out = bench.excluded[bench.excluded["reason"].str.startswith(MARKED)]
    rate = out[METRIC_COLUMNS[metric]].to_numpy(dtype=float)
    cells = table.drop_duplicates(list(CELL_COLUMNS)).set_index(list(CELL_COLUMNS))
    keys = pd.MultiIndex.from_frame(out[list(CELL_COLUMNS)])
    beside = cells.reindex(keys)[["cell_rate", "mean_with"]].reset_index(drop=True)
    counts = table.groupby(list(CELL_COLUMNS)).size().reindex(keys).to_numpy(dtype=float)
    out = out.drop(columns=list(METRIC_COLUMNS.values())).reset_index(drop=True).assign(rate=rate)
    mean = np.log(beside["mean_with"])
    with_it = np.exp((mean * counts + np.log(out["rate"].astype(float))) / (counts + 1))
    return out.assign(
        apart=out["rate"] / beside["cell_rate"] - 1,
        **dict.fromkeys(("sds", "p", "k", "h"), np.nan),
        found_by="you",
        weight=0.0,
        cell_rate=beside["cell_rate"],
        mean_with=with_it,
        mean_without=beside["mean_with"],
    )
