"""Keep tables beside a bench, and get them back as they were: every digit, type and gap.

Numbers and flags go into the store as arrays. Other columns become the places of their values in
a list of the different ones, so that names which come up a thousand times are written once.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scalemodel.data.store import load_arrays, save_arrays

_PLAIN = frozenset({"float64", "int64", "bool"})


def save_tables(
    folder: Path,
    key: str,
    tables: Mapping[str, pd.DataFrame],
    about: Mapping[str, object],
    kind: str,
) -> bool:
    """Store tables and a JSON-able mapping under a key; False where nothing can be written.

    Columns hold numbers, flags, or text, flags and gaps (None or NaN) mixed; indices are lost.

    Args:
        folder: folder of the bench.
        key: as `save_arrays` takes it.
        tables: names, which are identifiers, and tables.
        about: goes through JSON.
        kind: what is stored; the ending of its file.
    """
    arrays: dict[str, NDArray[np.generic]] = {}
    columns: dict[str, list[object]] = {}
    for name, table in tables.items():
        columns[name] = []
        for n, column in enumerate(table.columns):
            arrays[f"{name}_{n}"], values = _taken_apart(table[column])
            columns[name].append([str(column), str(table[column].dtype), values])
    return save_arrays(folder, key, arrays, {"about": dict(about), "columns": columns}, kind=kind)


def load_tables(
    folder: Path, key: str, kind: str
) -> tuple[dict[str, pd.DataFrame], dict[str, object]] | None:
    """Give what was stored under a key; None if it is not there or not as it was written."""
    found = load_arrays(folder, key, kind=kind)
    if found is None:
        return None
    arrays, meta = found
    columns: Any = meta.get("columns")
    about: Any = meta.get("about")
    try:
        tables = {
            name: pd.DataFrame(
                {
                    column: _put_together(arrays[f"{name}_{n}"], dtype, values)
                    for n, (column, dtype, values) in enumerate(parts)
                }
            )
            for name, parts in columns.items()
        }
    except (KeyError, ValueError, TypeError, IndexError, AttributeError):  # forged
        return None
    return (tables, about) if isinstance(about, dict) else None


def _taken_apart(column: "pd.Series[Any]") -> tuple[NDArray[np.generic], list[object] | None]:
    """Return an array, and the values that it counts; None where it holds the values."""
    if str(column.dtype) in _PLAIN:
        return column.to_numpy(), None
    places: dict[tuple[str, object], int] = {}
    codes = np.zeros(len(column), dtype=np.int64)
    for n, value in enumerate(column.to_list()):
        gap = isinstance(value, float) and np.isnan(value)
        known = value.item() if isinstance(value, np.generic) else None if gap else value
        codes[n] = places.setdefault(("gap" if gap else type(known).__name__, known), len(places))
    return codes, [float("nan") if kind == "gap" else value for kind, value in places]


def _put_together(
    array: NDArray[np.generic], dtype: str, values: list[object] | None
) -> "pd.Series[Any]":
    if values is None:
        return pd.Series(array.copy())
    return pd.Series([values[int(n)] for n in array.tolist()], dtype=dtype)
