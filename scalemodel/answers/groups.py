"""Groups of charts by a column of results: ray tracing, upscaling, or one of the user's own."""

from collections.abc import Sequence

import pandas as pd

from scalemodel.data.bench import Bench
from scalemodel.data.problems import near_names
from scalemodel.data.schema import CHART_COLUMNS, DERIVED, RESULTS
from scalemodel.errors import ScalemodelError

NATIVE, UPSCALED, TOGETHER = "native", "upscaled", "together"
NOT_UPSCALED = frozenset({"", "no", "off", "none", "native", "0", "false"})
"""What the column upscaling holds where nothing is upscaled."""

APART = "upscaled: kept apart from native charts"
NATIVE_APART = "native: kept apart from upscaled charts"
"""Why a result is not used where those of the other kind count."""

UPSCALED_ONE = "only one of the two was upscaled"
BOTH_KINDS = "some of its runs were upscaled, some not"

EMPTY = "(empty)"
"""Name of the group of charts where the column holds nothing."""


def group_columns(bench: Bench) -> list[str]:
    """Return the columns of results that may group charts: texts, flags and unknown columns."""
    known = {column.name: column.kind for column in RESULTS.columns}
    numbers = {name for name, kind in known.items() if kind == "number"}
    never = {"card", "platform", "run", "frame_generation", "exclude", "note"}
    barred = numbers | never | set(DERIVED["results"])
    return [name for name in bench.results.columns if name not in barred]


def check_column(bench: Bench, column: str) -> None:
    """Refuse a column that cannot group charts.

    Raises:
        ScalemodelError: there is no such column, or it is a number or names a run.
    """
    allowed = group_columns(bench)
    if column not in allowed:
        raise ScalemodelError(
            f'"{column}" is not a column of results that can group charts. Near it: '
            f"{near_names(column, allowed)}. Allowed: {', '.join(allowed)}."
        )


def chart_groups(bench: Bench, column: str, cards: Sequence[str] = ()) -> "pd.Series[str]":
    """Return the group of each chart, by CHART_COLUMNS; several groups are joined with " / ".

    Args:
        bench: with the results.
        column: that groups.
        cards: whose runs count; without them those of all.
    """
    runs = bench.results
    if cards:
        runs = runs[runs["card"].isin(list(cards))]
    values = runs[column].astype(str).where(runs[column].astype(str) != "", EMPTY)
    found = values.groupby([runs[name] for name in CHART_COLUMNS], sort=False).unique()
    return found.map(lambda names: " / ".join(sorted(names)))


def is_upscaled(runs: pd.DataFrame) -> "pd.Series[bool]":
    """Return of each run whether its column upscaling names a kind of it."""
    return ~runs["upscaling"].str.strip().str.casefold().isin(NOT_UPSCALED)


def upscaled_charts(bench: Bench, cards: Sequence[str]) -> "pd.Series[str]":
    """Return of each chart whether its runs are "native" or "upscaled", or both joined."""
    return upscaled_by(bench.results[bench.results["card"].isin(list(cards))], CHART_COLUMNS)


def upscaled_by(runs: pd.DataFrame, keys: Sequence[str]) -> "pd.Series[str]":
    """Return whether the runs with the same keys are "native" or "upscaled", or both joined."""
    kind = is_upscaled(runs).map({True: UPSCALED, False: NATIVE}).rename("upscaling")
    found = kind.groupby([runs[name] for name in keys], sort=False).unique()
    return found.map(lambda names: " / ".join(sorted(names)))


def kept_apart(cells: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Return cells (upscaling, reason) of which those not of a kind have that as their reason."""
    why = {NATIVE: NATIVE_APART, UPSCALED: APART}
    other = (cells["reason"] == "") & (cells["upscaling"] != kind)
    found = cells["upscaling"].map(lambda name: why.get(name, BOTH_KINDS))
    return cells.assign(reason=cells["reason"].mask(other, found))
