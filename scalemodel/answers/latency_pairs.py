"""Are two cards' latencies within test error of each other?"""

from itertools import combinations

import numpy as np
import pandas as pd

from scalemodel.answers.comparison import NO_TEST_ERROR, OPEN, verdict_of
from scalemodel.answers.runs import Runs
from scalemodel.answers.same_cells import Settled, differences, settled
from scalemodel.answers.spread import ALL
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.equivalence import mean_difference, tested

PAIR_COLUMNS = (
    "a",
    "b",
    *CHART_COLUMNS,
    "difference_ms",
    "lower_ms",
    "upper_ms",
    "p_different",
    "p_equal",
    "verdict",
    "reason",
    "row_kind",
    "charts_used",
)


def pair_rows(runs: Runs, margin_ms: float, level: float) -> pd.DataFrame:
    """Return one row a platform and pair of cards, over the charts that both have."""
    of_card = {
        card: settled(runs, (runs.table["card"] == card).to_numpy(), runs.chart)
        for card in dict.fromkeys(runs.table["card"])
    }
    platform = _platforms(runs)
    rows = [
        {"a": a, "b": b, **row}
        for a, b in combinations(of_card, 2)
        for row in _summaries(of_card[a], of_card[b], platform, margin_ms, level)
        if row["charts_used"]
    ]
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def compare_pair(runs: Runs, a: str, b: str, margin_ms: float, level: float) -> pd.DataFrame:
    """Return one row a chart that both cards have, then one a platform.

    Raises:
        ScalemodelError: a card has no latency, or both are the same.
    """
    cards = list(dict.fromkeys(runs.table["card"]))
    if a == b:
        raise ScalemodelError(f'A and B are both "{a}". Name two different cards.')
    for card in (a, b):
        if card not in cards:
            raise ScalemodelError(
                f'No latency of the card "{card}" was measured. Allowed: {", ".join(cards)}.'
            )
    of_a, of_b = (
        settled(runs, (runs.table["card"] == card).to_numpy(), runs.chart) for card in (a, b)
    )
    first = np.unique(runs.chart, return_index=True)[1]
    charts = runs.table.iloc[first][list(CHART_COLUMNS)].reset_index(drop=True)
    rows: list[dict[str, object]] = []
    for pair in differences(of_a, of_b).to_dict(orient="records"):
        chart = {name: charts[name].iloc[int(pair["unit"])] for name in CHART_COLUMNS}
        numbers = _numbers(pair["difference"], pair["se"], pair["dof"], margin_ms, level)
        rows.append({**chart, **numbers, "row_kind": "chart", "charts_used": 1})
    rows += _summaries(of_a, of_b, _platforms(runs), margin_ms, level)
    return pd.DataFrame(rows).assign(a=a, b=b)[list(PAIR_COLUMNS)]


def _platforms(runs: Runs) -> "np.ndarray[tuple[int], np.dtype[np.object_]]":
    """Return (charts,) the platform of each chart."""
    first = np.unique(runs.chart, return_index=True)[1]
    return np.asarray(runs.table["platform"].to_numpy(dtype=object)[first])


def _summaries(
    a: Settled,
    b: Settled,
    platform: "np.ndarray[tuple[int], np.dtype[np.object_]]",
    margin_ms: float,
    level: float,
) -> list[dict[str, object]]:
    pairs = differences(a, b)
    there = platform[np.union1d(a.unit, b.unit)]
    rows = []
    for one in dict.fromkeys(there):
        here = pairs[platform[pairs["unit"].to_numpy()] == one]
        fixed: dict[str, object] = {"platform": one, "game": ALL, "preset": ALL, "resolution": ALL}
        fixed |= {"row_kind": "summary", "charts_used": len(here)}
        if here.empty:
            empty = dict.fromkeys(("difference_ms", "lower_ms", "upper_ms"), np.nan)
            reason = {"verdict": "", "reason": "no chart has both"}
            rows.append({**fixed, **empty, "p_different": np.nan, "p_equal": np.nan, **reason})
            continue
        values, ses = (here[name].to_numpy(dtype=float) for name in ("difference", "se"))
        known = not np.isnan(ses).any()
        mean, se, dof = mean_difference(values, np.nan_to_num(ses))
        if len(here) == 1:
            dof = float(here["dof"].iloc[0])
        lacks = len(here) == 1 and not known
        rows.append({**fixed, **_numbers(mean, np.nan if lacks else se, dof, margin_ms, level)})
    return rows


def _numbers(
    difference: float, se: float, dof: float, margin_ms: float, level: float
) -> dict[str, object]:
    out: dict[str, object] = {"difference_ms": difference}
    if np.isnan(se):
        unknown = dict.fromkeys(("lower_ms", "upper_ms", "p_different", "p_equal"), np.nan)
        return {**out, **unknown, "verdict": OPEN, "reason": NO_TEST_ERROR}
    found = tested(difference, se, dof, margin_ms)
    lower, upper = found.range(level)
    out |= {"lower_ms": lower, "upper_ms": upper, "p_different": found.p_different}
    return {**out, "p_equal": found.p_equal, "verdict": verdict_of(found), "reason": ""}
