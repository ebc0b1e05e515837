import csv
import io
import json
import math
from dataclasses import dataclass
from pathlib import PurePosixPath
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest

from scalemodel.views.tables import plain, to_csv, to_json
from tests.views import examples


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_csv_rounds_by_what_a_column_means() -> None:
    table = pd.DataFrame(
        {
            "card": ["007"],
            "rate": [123.456],
            "p_ceiling": [0.12345],
            "headroom": [1.23456],
            "level": [0.8],
            "cards": [12],
            "used": [True],
            "other": [0.000123456789],
        }
    )
    expected = "card,rate,p_ceiling,headroom,level,cards,used,other\n"
    assert to_csv(table) == expected + "007,123.46,0.123,1.2346,0.8,12,yes,0.000123457\n"


def test_bounds_are_rates_in_predictions_and_ratios_in_leads() -> None:
    assert read(to_csv(examples.prediction()))[0]["lower"] == "188.00"
    assert read(to_csv(examples.lead()))[1]["lower"] == "0.3200"
    learned = pd.DataFrame({"quantity": ["sd"], "value": [0.00512], "lower": [0.00498]})
    assert to_csv(learned) == "quantity,value,lower\nsd,0.00512,0.00498\n"


def test_csv_leaves_missing_cells_empty_and_keeps_awkward_names() -> None:
    rows = read(to_csv(examples.prediction()))
    assert rows[3]["median"] == "" == rows[3]["p_ceiling"]
    assert rows[3]["reason"] == "no card with this memory size"
    assert rows[3]["game"] == examples.SCENES[1][0]
    assert list(rows[0]) == list(examples.prediction().columns)


@pytest.mark.parametrize(
    ("value", "name", "text"),
    [
        (None, "row", ""),
        (pd.NA, "row", ""),
        (math.inf, "rate", "inf"),
        (-0.001, "rate", "0.00"),
        (np.float64(-0.5), "lead", "-0.5000"),
        (np.bool_(False), "used", "no"),
        (0.995, "level", "0.995"),
        (12345678.0, "anything", "1.23457e+07"),
    ],
)
def test_single_cells(value: object, name: str, text: str) -> None:
    table = pd.DataFrame({name: pd.Series([value], dtype=object), "other": ["x"]})
    assert read(to_csv(table))[0][name] == text


def test_json_keeps_every_digit_and_says_null_for_missing() -> None:
    table = examples.prediction().assign(median=[1 / 3, math.nan, math.inf, 2.0])
    document = json.loads(to_json(table, {"command": "predict", "level": 0.8}))
    assert list(document) == ["command", "level", "records"]
    assert [row["median"] for row in document["records"]] == [1 / 3, None, None, 2.0]
    assert document["records"][1]["game"] == "Saltmarch"


@dataclass(frozen=True)
class Settings:
    seed: int
    grid: np.ndarray[tuple[int], np.dtype[np.float64]]
    path: PurePosixPath


def test_json_takes_results_apart_into_plain_values() -> None:
    value = {
        "settings": Settings(np.int64(3), np.array([1.5, np.nan]), PurePosixPath("a/b")),  # type: ignore[arg-type]
        "counts": MappingProxyType({"cards": 2}),
        "left_out": pd.DataFrame({"card": ["Ka"], "used": [np.bool_(True)]}),
        "names": {"b", "a"},
        "day": pd.Timestamp("2026-03-01"),
    }
    assert plain(value) == {
        "settings": {"seed": 3, "grid": [1.5, None], "path": "a/b"},
        "counts": {"cards": 2},
        "left_out": [{"card": "Ka", "used": True}],
        "names": ["a", "b"],
        "day": "2026-03-01T00:00:00",
    }
