"""How repeatable the lab is: by metric and level of rate, and by scene."""

from typing import Any

import numpy as np

from scalemodel.answers.runs import FEWEST_SESSIONS, Runs
from scalemodel.data.repeats import SMALLEST_SD, index_by
from scalemodel.model.arrays import BoolArray
from scalemodel.model.repeatability import LIMIT, MOST_RUNS, Precision, runs_needed

ALL = "(all)"
SCENE = ("platform", "game", "preset")
THIRDS = ("low third", "middle third", "high third")
FEWEST_CELLS = 9
"""Cells with repeats from which levels of rate are told apart."""

NOISY = 0.05
"""A scene is noisy if the lab's own spread would show so much with less than this chance, over all
scenes together."""

TABLE_COLUMNS = (
    "metric",
    "rates",
    "rate_from",
    "rate_to",
    "cells",
    "runs",
    "s_r",
    "s_r_lower",
    "s_r_upper",
    "dof_r",
    "s_r_flagged",
    "limit_r",
    "s_session",
    "s_R",
    "dof_session",
    "p_session",
    "limit_R",
    "runs_needed",
    "reason",
)
SCENE_COLUMNS = (
    "metric",
    "platform",
    "game",
    "preset",
    "cells",
    "runs",
    "s_r",
    "s_r_lower",
    "s_r_upper",
    "dof_r",
    "times_lab",
    "noisy",
    "runs_needed",
    "reason",
)
NO_REPEATS = "no two runs of a cell share date, driver and game version"
ONE_SESSION = "s_R not known: sessions repeat in too few cells"
NOT_SEEN = "sessions differ too much for more runs in one of them to show it"


def no_metric(metric: str, reason: str) -> dict[str, object]:
    """Return the row of a metric that no run has."""
    empty = dict.fromkeys(TABLE_COLUMNS, np.nan)
    counts = dict.fromkeys(("cells", "runs", "dof_r", "dof_session"), 0)
    return {**empty, **counts, "metric": metric, "rates": ALL, "reason": reason}


def spread_rows(
    runs: Runs, metric: str, flagged: BoolArray, margin: float, level: float
) -> list[dict[str, object]]:
    """Return the rows of a metric: all rates, then thirds of the cells by rate."""
    rate = np.exp(runs.agreed.location)
    whole = np.ones(len(rate), dtype=bool)
    rows = [_row(runs, metric, ALL, whole, flagged, margin, level)]
    if (np.bincount(runs.cell) > 1).sum() >= FEWEST_CELLS:
        ends = np.quantile(rate, [1 / 3, 2 / 3])
        third = np.searchsorted(ends, rate)
        # Where many rates are the same, a third may have no cell.
        rows += [
            _row(runs, metric, name, third == i, flagged, margin, level)
            for i, name in enumerate(THIRDS)
            if (third == i).any()
        ]
    return rows


def _row(
    runs: Runs,
    metric: str,
    name: str,
    cells: BoolArray,
    flagged: BoolArray,
    margin: float,
    level: float,
) -> dict[str, object]:
    here = cells[runs.cell]
    rate = np.exp(runs.agreed.location)[cells]
    found = runs.spread(here & ~flagged)
    every = runs.spread(here) if flagged[here].any() else found
    known = found.dof_session >= FEWEST_SESSIONS
    low, high = found.repeatability_range(level)
    needed, why_not = needed_runs(found, margin)
    reason = NO_REPEATS if not found.dof_r else why_not or ("" if known else ONE_SESSION)
    return {
        "metric": metric,
        "rates": name,
        "rate_from": rate.min(),
        "rate_to": rate.max(),
        "cells": int(cells.sum()),
        "runs": int(here.sum()),
        "s_r": found.s_r,
        "s_r_lower": low,
        "s_r_upper": high,
        "dof_r": found.dof_r,
        "s_r_flagged": every.s_r,
        "limit_r": LIMIT * found.s_r,
        "s_session": found.s_session if known else np.nan,
        "s_R": found.s_R if known else np.nan,
        "dof_session": found.dof_session,
        "p_session": found.p_session,
        "limit_R": LIMIT * found.s_R if known else np.nan,
        "runs_needed": needed,
        "reason": reason,
    }


def needed_runs(found: Precision, margin: float) -> tuple[float, str]:
    """Return the whole number of runs a cell that shows a lead, or NaN and why there is none."""
    if not found.dof_r:
        return np.nan, NO_REPEATS
    session = found.s_session if found.dof_session >= FEWEST_SESSIONS else 0.0
    needed = runs_needed(float(np.log1p(margin)), found.s_r, session)
    if np.isfinite(needed):
        return float(np.ceil(needed)), ""
    return np.nan, NOT_SEEN if session else f"more than {MOST_RUNS:,.0f} runs a cell"


def scene_rows(
    runs: Runs, metric: str, flagged: BoolArray, margin: float, level: float
) -> list[dict[str, object]]:
    """Return one row a scene and platform, the noisiest first."""
    lab = runs.spread(~flagged)
    index = index_by(runs.table, SCENE)
    scenes = int(index.max()) + 1
    rows = [
        _scene(runs, metric, index == i, flagged, lab, scenes, margin, level) for i in range(scenes)
    ]
    return sorted(rows, key=_loudness)


def _loudness(row: dict[str, Any]) -> float:
    return -row["s_r"] if np.isfinite(row["s_r"]) else 1.0


def _scene(
    runs: Runs,
    metric: str,
    here: BoolArray,
    flagged: BoolArray,
    lab: Precision,
    scenes: int,
    margin: float,
    level: float,
) -> dict[str, object]:
    first = runs.table.iloc[int(np.flatnonzero(here)[0])]
    found = runs.spread(here & ~flagged) if (here & ~flagged).any() else runs.spread(here)
    low, high = found.repeatability_range(level)
    surely = found.repeatability_range(1 - 2 * NOISY / scenes)[0]
    needed, reason = needed_runs(found, margin)
    return {
        "metric": metric,
        **{name: first[name] for name in SCENE},
        "cells": len(np.unique(runs.cell[here])),
        "runs": int(here.sum()),
        "s_r": found.s_r,
        "s_r_lower": low,
        "s_r_upper": high,
        "dof_r": found.dof_r,
        "times_lab": found.s_r / lab.s_r if lab.s_r else np.nan,
        "noisy": bool(surely > max(lab.s_r, SMALLEST_SD)),
        "runs_needed": needed,
        "reason": reason,
    }
