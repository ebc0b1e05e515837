"""Tables kept beside a bench come back as they were, or not at all."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.data.kept_tables import load_tables, save_tables
from scalemodel.data.store import FOLDER, load_arrays, save_arrays

KIND = "score"


def tables() -> dict[str, pd.DataFrame]:
    mixed = pd.DataFrame({"card": ["a", "öö", "a"], "rate": [0.1 + 0.2, np.nan, np.inf]})
    mixed = mixed.assign(inside=pd.Series([True, None, False], dtype=object), count=[1, 2, 3])
    mixed = mixed.assign(near=[True, False, True])
    mixed = mixed.assign(gap=pd.Series(["x", np.nan, "x"], dtype=object))
    return {"table": mixed, "empty": mixed.iloc[:0], "none": pd.DataFrame()}


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    assert save_tables(tmp_path, "k1", tables(), {"level": 0.8}, KIND)
    return tmp_path


def test_every_digit_type_and_gap_comes_back(kept: Path) -> None:
    found = load_tables(kept, "k1", KIND)
    assert found is not None
    loaded, about = found
    assert about == {"level": 0.8}
    assert set(loaded) == set(tables())
    for name, table in tables().items():
        pd.testing.assert_frame_equal(
            loaded[name], table, check_exact=True, check_index_type=False, check_column_type=False
        )
    assert loaded["table"]["inside"].tolist() == [True, None, False]


def test_what_comes_back_can_be_worked_with(kept: Path) -> None:
    found = load_tables(kept, "k1", KIND)
    assert found is not None
    found[0]["table"].loc[0, "rate"] = 2.0


def test_nothing_there_or_damaged_or_of_another_key(kept: Path) -> None:
    assert load_tables(kept, "k2", KIND) is None
    assert load_tables(kept, "k1", "fit") is None
    path = kept / FOLDER / f"k1.{KIND}"
    path.rename(path.with_name(f"k2.{KIND}"))
    assert load_tables(kept, "k2", KIND) is None


def test_kinds_do_not_push_each_other_out(tmp_path: Path) -> None:
    array = {"x": np.arange(3.0)}
    save_arrays(tmp_path, "fit", array, {}, kept=1)
    save_arrays(tmp_path, "one", array, {}, kept=1, kind=KIND)
    save_arrays(tmp_path, "two", array, {}, kept=1, kind=KIND)
    assert load_arrays(tmp_path, "fit") is not None
    assert load_arrays(tmp_path, "one", kind=KIND) is None
    assert load_arrays(tmp_path, "two", kind=KIND) is not None


def test_a_folder_that_cannot_be_written_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / FOLDER).write_text("a file")
    assert not save_tables(tmp_path, "k1", tables(), {}, KIND)


@pytest.mark.parametrize(
    "change",
    [
        {"columns": None},
        {"columns": {"table": [["card", "float64", None]]}},
        {"columns": {"table": [["rate", "float64", ["a"]]], "other": [["x", "float64", None]]}},
        {"columns": {"table": [["card", "no such type", ["a", "b", "c"]]]}},
        {"columns": {"table": 7}},
        {"about": None},
    ],
)
def test_forged_words_are_no_tables(kept: Path, change: dict[str, object]) -> None:
    found = load_arrays(kept, "k1", kind=KIND)
    assert found is not None
    arrays, meta = found
    first = {"table_0": arrays["table_0"][:, None]}
    assert save_arrays(kept, "k1", first, {**meta, **change}, kind=KIND)
    assert load_tables(kept, "k1", KIND) is None
