"""A table as CSV or JSON: for spreadsheets, and for other programs."""

import dataclasses
import datetime
import json
import math
import os
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

PROBABILITIES = frozenset(
    {
        "p_ceiling",
        "p_ceiling_measured",
        "p_faster",
        "p_flip",
        "p_ahead",
        "p_ahead_of_next",
        "probability",
        "level",
        "sensitivity",
        "pit",
        "surprise",
        "held_share",
        "missed_share",
        "p_more_efficient",
        "p_first",
        "chance",
        "p_better_value",
        "p_best_value",
        "p_efficient",
    }
)
"""Columns with values from 0 to 1."""

RATIOS = frozenset(
    {
        "headroom",
        "drift",
        "spike_share",
        "lead",
        "lead_lower",
        "lead_median",
        "lead_upper",
        "lead_from",
        "lead_to",
        "over_field",
        "over_field_lower",
        "over_field_upper",
        "points",
        "cause_points",
        "cause_lower",
        "cause_upper",
        "typical_lower",
        "typical_upper",
        "low_share",
        "low_share_at_ceiling",
        "per_doubling",
        "range_now",
        "range_before",
        "range_after",
        "range_limit",
        "against_siblings",
        "power_ratio",
        "rate_ratio",
        "frames_per_joule_ratio",
        "brings",
        "least_power_ratio",
    }
)
"""Columns with ratios of rates."""

RATES = frozenset(
    {
        "rate",
        "rate_mean",
        "measured",
        "avg_fps",
        "avg_lower",
        "avg_upper",
        *(
            f"{low}{definition}_{end}"
            for low in ("low_1pct", "low_01pct")
            for definition in ("", "_quantile", "_slowest_mean")
            for end in ("fps", "lower", "upper")
        ),
        "held_at_fps",
        "gpu_rate",
        "gpu_lower",
        "gpu_upper",
        "ceiling_rate",
        "ceiling_low",
        "ceiling_high",
        "usable_below",
        "cell_rate",
        "mean_with",
        "mean_without",
        "rate_lower",
        "rate_upper",
        "rate_from",
        "rate_to",
        "lower",
        "median",
        "upper",
        "average_fps",
        *(f"{what}{end}_fps" for what in ("low", "expected") for end in ("", "_lower", "_upper")),
    }
)
"""Columns in frames per second; the ends of a range only where the table has its median."""


def to_csv(table: pd.DataFrame) -> str:
    """Write a table as CSV: rates and ms with 2 decimals, probabilities with 3, ratios with 4.

    Numbers that are missing give empty cells. Other numbers have six significant digits.
    """
    shown = pd.DataFrame(
        {name: _csv_cells(table[name], table.columns) for name in table.columns}, dtype=object
    )
    return str(shown.to_csv(index=False, lineterminator="\n"))


def _csv_cells(column: "pd.Series[Any]", names: "pd.Index[str]") -> list[object]:
    name = str(column.name)
    if name in {"lower", "upper"} and "median" not in names:
        ratios = {"lead", "points", "against_siblings", "rate_ratio", "brings"} & set(names)
        name = "lead" if ratios else ""  # "": no rate, a quantity of its own kind
    return [_csv_cell(value, name) for value in column]


def _csv_cell(value: object, name: str) -> object:
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return _csv_number(float(value), name)
    return value


def _csv_number(number: float, name: str) -> str:
    if math.isnan(number):
        return ""
    if math.isinf(number):
        return "inf" if number > 0 else "-inf"
    if name == "level":
        return f"{number:.10g}"
    decimals = _decimals(name)
    if decimals is None:
        return f"{number:.6g}"
    text = f"{number:.{decimals}f}"
    return text if float(text) != 0 else text.lstrip("-")


def _decimals(name: str) -> int | None:
    """Give the decimals of a column; None for six significant digits."""
    if name in PROBABILITIES:
        return 3
    if name in RATIOS:
        return 4
    return 2 if name in RATES or name.endswith("_ms") else None


def to_json(table: pd.DataFrame, about: Mapping[str, object]) -> str:
    """Write one object: what the table is about, then its rows as ``records``.

    Numbers keep every digit; missing and infinite ones are null, which JSON lacks words for.
    """
    document = {**about, "records": records(table)}
    return json.dumps(plain(document), ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def records(table: pd.DataFrame) -> list[dict[str, object]]:
    """Give the rows of a table as mappings from column to value."""
    names = [str(name) for name in table.columns]
    rows = table.itertuples(index=False, name=None)
    return [dict(zip(names, row, strict=True)) for row in rows]


def plain(value: object) -> object:
    """Turn a value into what JSON has: mappings, lists, text, numbers, booleans and null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return {field.name: plain(getattr(value, field.name)) for field in fields}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in records(value)]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        items = value if isinstance(value, list | tuple) else sorted(value, key=str)
        return [plain(item) for item in items]
    return _plain_scalar(value)


def _plain_scalar(value: object) -> object:
    if value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    return value if value is None or isinstance(value, bool | int | str) else str(value)


def rows_of(table: pd.DataFrame) -> Iterator[Any]:
    """Go through the rows of a table; the columns of a row are its attributes."""
    return iter(table.itertuples(index=False))
