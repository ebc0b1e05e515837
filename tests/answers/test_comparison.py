"""Comparisons within test error: cards, drivers, versions and dates; tied, different, open."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.comparison import Comparison, compare
from scalemodel.answers.fitting import Fit
from scalemodel.errors import ScalemodelError
from tests.answers.repeat_bench import CARDS, bench


def charts(answer: Comparison) -> pd.DataFrame:
    return answer.table[answer.table["row_kind"] == "chart"]


def test_planted_twins_of_the_demo_are_tied(demo_fit: Fit) -> None:
    answer = compare(demo_fit.bench, "Ostrel T90", "Kivand L240")
    rows = charts(answer).set_index(["game", "resolution"])
    # Planted: the two share the top of this chart.
    assert rows.loc[("Glasswing Rally", "2560x1440"), "verdict"] == "tied"
    assert rows.loc[("Saltmarch", "3840x2160"), "verdict"] == "different"
    none = rows[rows["reason"] != ""]
    assert none["reason"].tolist() == ["no result of Kivand L240"] * len(none)
    assert none["lead"].isna().all()


def test_ranges_and_chances_turn_round_with_the_cards(demo_fit: Fit) -> None:
    there, back = (
        charts(compare(demo_fit.bench, *pair)).dropna(subset="lead")
        for pair in (("Ostrel T90", "Kivand L240"), ("Kivand L240", "Ostrel T90"))
    )
    np.testing.assert_allclose((1 + there["lead"]) * (1 + back["lead"]), 1.0)
    np.testing.assert_allclose((1 + there["lower"]) * (1 + back["upper"]), 1.0)
    np.testing.assert_allclose(there["p_equal"], back["p_equal"], rtol=1e-9)


def test_versions_are_compared_cell_by_cell(tmp_path: Path) -> None:
    found = bench(tmp_path, sessions=2, shift={0: 0.06})
    answer = compare(found, "1.1", "1.0")
    assert answer.kind == "game_version"
    rows = charts(answer)
    assert len(rows) == 64
    moved = rows["game"] == "Game 0"
    assert (rows.loc[moved, "verdict"] == "different").all()
    # A true difference of 0 with an sd of 0.5% for means of two is tied within 2% almost always.
    assert (rows.loc[~moved, "verdict"] == "tied").mean() > 0.9
    assert rows.loc[moved, "lead"].mean() == pytest.approx(0.06, abs=0.006)
    assert compare(found, "2026-02-01", "2026-01-01").kind == "date"


def test_a_tie_is_a_finding_and_needs_enough_runs(tmp_path: Path) -> None:
    found = bench(tmp_path, sessions=2, shift={})
    tied = compare(found, "1.1", "1.0", margin=0.02)
    assert "tied, surely within 2%" in str(tied)
    narrow = charts(compare(found, "1.1", "1.0", margin=0.002))
    assert (narrow["verdict"] == "open").mean() > 0.8


def test_what_shares_no_cell_has_a_reason(demo_fit: Fit) -> None:
    answer = compare(demo_fit.bench, "612.40", "590.12")
    assert answer.kind == "driver"
    assert answer.table["reason"].tolist() == ["no cell was tested with both"] * 2
    assert str(answer).startswith(
        "On open bench driver 612.40 cannot be compared with 590.12: no cell was tested with both."
    )


def test_without_repeats_single_charts_stay_open(tmp_path: Path) -> None:
    rows = charts(compare(bench(tmp_path, runs=1), CARDS[0], CARDS[7]))
    assert (rows["verdict"] == "open").all()
    reason = "no cell has repeated runs: the test error is not known"
    assert (rows["reason"] == reason).all()
    assert rows["lower"].isna().all()


@pytest.mark.parametrize(
    ("a", "b", "message"),
    [
        ("1.0", "1.0", 'A and B are both "1.0". Name two different ones.'),
        (
            "Mirel 10",
            "Mirel 1O",
            'No run has the card, driver, game version or date "Mirel 1O"; near it: Mirel 10, '
            "Mirel 55, Mirel 45. The bench has 8 cards, 1 game version, 1 date to choose from.",
        ),
        (
            "Mirel 10",
            "1.0",
            '"Mirel 10" is a card and "1.0" is a game version. Name two of the same kind.',
        ),
    ],
)
def test_names_that_cannot_be_compared(tmp_path: Path, a: str, b: str, message: str) -> None:
    with pytest.raises(ScalemodelError) as raised:
        compare(bench(tmp_path), a, b)
    assert str(raised.value) == message
