"""Predictions: what they rest on, what is refused, and probabilities that add up."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CELL, CHART, Lab
from tests.conftest import HELD_OUT


def sheet(of: Fit, **changes: object) -> pd.DataFrame:
    """Give the sheet of the card held out, with some cells changed."""
    table = of.bench.cards[of.bench.cards["card"] == HELD_OUT].reset_index(drop=True)
    changed = table.assign(card="New", **changes)
    return changed.assign(
        bandwidth_gbs=changed["memory_bandwidth_gbs"],
        shader_rate=changed["shaders"] * changed["boost_clock_mhz"],
        raster_rate=changed["rops"] * changed["boost_clock_mhz"],
    )


def width(table: pd.DataFrame) -> float:
    return float(np.log(table["upper"] / table["lower"]).median())


def test_ranges_hold_their_median_and_stay_below_the_ceiling(lab_fit: Fit) -> None:
    table = lab_fit.predict(sheet(lab_fit)).table
    assert (table["lower"] < table["median"]).all()
    assert (table["median"] < table["upper"]).all()
    assert table["p_ceiling"].between(0, 1).all()
    charts = lab_fit.ceilings().charts.dropna(subset="ceiling_rate")
    both = table.merge(charts, on=CHART)
    assert (both["median"] < 1.01 * both["ceiling_rate"]).all()


def test_the_same_question_has_the_same_answer(lab_fit: Fit) -> None:
    one, two = (lab_fit.predict(sheet(lab_fit), ranks=True) for _ in range(2))
    pd.testing.assert_frame_equal(one.table, two.table, check_exact=True)
    pd.testing.assert_frame_equal(one.ranks, two.ranks, check_exact=True)


def test_a_card_is_predicted_alike_alone_and_in_company(lab_fit: Fit) -> None:
    other = sheet(lab_fit, shaders=4096.0).assign(card="Other")
    both = lab_fit.predict(pd.concat([other, sheet(lab_fit)], ignore_index=True)).table
    alone = lab_fit.predict(sheet(lab_fit)).table
    pd.testing.assert_frame_equal(both[both["card"] == "New"].reset_index(drop=True), alone)


def test_asking_leaves_the_sheet_as_it_was(lab_fit: Fit) -> None:
    asked = sheet(lab_fit, rops=np.nan, cache_mb=np.nan)
    before = asked.copy()
    lab_fit.predict(asked)
    pd.testing.assert_frame_equal(asked, before)


def test_basis_says_how_much_is_known_of_the_architecture(lab_fit: Fit) -> None:
    def basis(**changes: object) -> str:
        return str(lab_fit.predict(sheet(lab_fit, **changes)).table["basis"].iloc[0])

    assert basis() == "3 tested cards of its architecture"
    assert basis(architecture="Dune") == "new architecture of a tested vendor"
    new = basis(architecture="Dune", vendor="Torben")
    assert new == "new architecture of a new vendor"


def test_a_new_architecture_widens_the_range(lab_fit: Fit) -> None:
    known = lab_fit.predict(sheet(lab_fit)).table
    new = lab_fit.predict(sheet(lab_fit, architecture="Dune")).table
    stranger = lab_fit.predict(sheet(lab_fit, architecture="Dune", vendor="Torben")).table
    free = (known["p_ceiling"] < 0.1).to_numpy()
    assert width(known[free]) < width(new[free]) < width(stranger[free])


def test_beyond_the_tested_cards_is_said_and_wider(lab_fit: Fit) -> None:
    near = lab_fit.predict(sheet(lab_fit)).table
    changes = {"shaders": 16384.0, "memory_bandwidth_gbs": 1440.0, "cache_mb": 128.0, "rops": 256.0}
    far = lab_fit.predict(sheet(lab_fit, **changes)).table
    assert far["basis"].iloc[0] == (
        "3 tested cards of its architecture; beyond the tested cards "
        "(shaders x clock 2.04x outside, bandwidth 2.00x outside)"
    )
    game = near["game"] == "Game 4"
    assert (far.loc[game, "median"] > near.loc[game, "median"]).all()
    slow = game & (near["resolution"] == "3840x2160")
    assert width(far[slow]) > width(near[slow])


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"shaders": 40000.0}, "shaders x clock is 5.0x outside the tested cards"),
        ({"shaders": 100.0}, "shaders x clock is 15.9x outside the tested cards"),
        ({"memory_bandwidth_gbs": 3600.0}, "bandwidth is 5.0x outside the tested cards"),
    ],
)
def test_too_far_outside_is_refused_with_the_reason(
    lab_fit: Fit, changes: dict[str, object], reason: str
) -> None:
    answer = lab_fit.predict(sheet(lab_fit, **changes), against=("Mirel 35",), ranks=True)
    assert len(answer.table) == 12
    assert (answer.table["reason"] == f"{reason}; nothing is known that far out").all()
    assert answer.table[["lower", "median", "upper", "p_ceiling"]].isna().all(axis=None)
    assert answer.against.empty
    assert answer.ranks.empty
    assert str(answer) == f"New: no prediction ({reason}; nothing is known that far out)."


def test_a_card_that_was_measured_is_refused(lab_fit: Fit) -> None:
    asked = sheet(lab_fit).assign(card="Mirel 35")
    table = lab_fit.predict(asked).table
    assert (table["reason"] == "already measured: see its results").all()
    assert table["median"].isna().all()


@pytest.mark.parametrize("gaps", [["rops"], ["cache_mb"], ["rops", "cache_mb"]])
def test_gaps_are_filled_and_said(lab_fit: Fit, gaps: list[str]) -> None:
    asked = sheet(lab_fit, **dict.fromkeys(gaps, np.nan))
    answer = lab_fit.predict(asked).table
    words = f"{' and '.join(gaps)} not on the sheet, taken as usual for its shaders"
    assert answer["basis"].iloc[0] == f"3 tested cards of its architecture; {words}"
    whole = lab_fit.predict(sheet(lab_fit)).table
    # The siblings have about as much of both by the shader.
    np.testing.assert_allclose(answer["median"], whole["median"], rtol=0.05)


def test_columns_that_a_tested_card_lacks_are_not_used(lab: Lab, tmp_path: Path) -> None:
    cards = lab.cards.assign(rops=lab.cards["rops"].where(lab.cards["card"] != "Mirel 10"))
    bare = fit(replace(lab, cards=cards).bench(tmp_path, without=(HELD_OUT,)))
    assert bare.labels.stages == ("arithmetic", "traffic", "fixed")
    table = bare.predict(sheet(bare, rops=np.nan)).table
    assert table["basis"].iloc[0] == "3 tested cards of its architecture"
    assert table["median"].notna().all()


@pytest.fixture(scope="module")
def cliff_fit(lab: Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    small = lab.cards.loc[lab.cards["memory_gb"] <= 12, "card"]
    results = lab.results.copy()
    fell = (results["game"] == "Game 4") & (results["resolution"] == "2560x1440")
    results.loc[fell & results["card"].isin(small), "avg_fps"] *= 0.4
    return fit(replace(lab, results=results).bench(tmp_path_factory.mktemp("cliff"), (HELD_OUT,)))


def test_too_little_memory_is_refused_where_cards_fell_and_above(cliff_fit: Fit) -> None:
    table = cliff_fit.predict(sheet(cliff_fit, memory_gb=12.0)).table
    refused = table[table["reason"] != ""]
    # Where 12 GB fell at 2560x1440 they cannot be enough at 3840x2160.
    assert set(refused["game"]) == {"Game 4"}
    assert set(refused["resolution"]) == {"2560x1440", "3840x2160"}
    reason = "12 GB: cards with 12 GB fell for lack of memory here"
    assert (refused["reason"] == reason).all()
    assert refused["median"].isna().all()
    assert table.loc[table["reason"] == "", "median"].notna().all()
    assert "; 2 refused" in str(cliff_fit.predict(sheet(cliff_fit, memory_gb=12.0)))
    enough = cliff_fit.predict(sheet(cliff_fit, memory_gb=16.0)).table
    assert (enough["reason"] == "").all()


def test_refused_charts_have_no_leads_and_no_ranks(cliff_fit: Fit) -> None:
    asked = sheet(cliff_fit, memory_gb=12.0)
    answer = cliff_fit.predict(asked, against=("Mirel 35",), ranks=True)
    refused = answer.against[answer.against["reason"] != ""]
    assert len(refused) == 2
    numbers = ["p_faster", "lead_lower", "lead_median", "lead_upper"]
    assert refused[numbers].isna().all(axis=None)
    assert len(answer.ranks[CHART].drop_duplicates()) == 10


def test_positions_on_a_chart_have_probabilities_that_sum_to_one(lab_fit: Fit) -> None:
    ranks = lab_fit.predict(sheet(lab_fit), ranks=True).ranks
    sums = ranks.groupby(CHART)["probability"].sum()
    assert len(sums) == 12
    np.testing.assert_allclose(sums, 1.0, rtol=1e-12)
    assert ranks["probability"].between(0, 1).all()
    positions = ranks.groupby(CHART)["position"]
    assert (positions.min() == 1).all()
    assert (positions.max() == 11).all()  # ten cards and itself


def test_leads_over_a_card_agree_with_its_rate(lab_fit: Fit) -> None:
    answer = lab_fit.predict(sheet(lab_fit), against=("Mirel 35", "Mirel 55"))
    assert len(answer.against) == 24
    assert (answer.against["lead_lower"] < answer.against["lead_median"]).all()
    assert (answer.against["lead_median"] < answer.against["lead_upper"]).all()
    for other, rows in answer.against.groupby("against"):
        rates = lab_fit.cells.table[lab_fit.cells.table["card"] == other]
        both = rows.merge(rates[[*CHART, "rate"]], on=CHART).merge(
            answer.table[[*CHART, "median"]], on=CHART
        )
        # The other card's rate is known to within its test error, 0.4 % / sqrt(3).
        np.testing.assert_allclose(
            1 + both["lead_median"], both["median"] / both["rate"], rtol=0.01
        )
        assert (rows["basis"] == f"{other} measured").all()
        ahead = rows["lead_median"] > 0
        assert ((rows["p_faster"] > 0.5) == ahead)[rows["lead_median"].abs() > 0.01].all()


def test_a_card_not_measured_on_a_chart_is_compared_by_its_fit(lab: Lab, tmp_path: Path) -> None:
    gone = (lab.results["card"] == "Mirel 35") & (lab.results["game"] == "Game 4")
    part = fit(replace(lab, results=lab.results[~gone]).bench(tmp_path, without=(HELD_OUT,)))
    rows = part.predict(sheet(part), against=("Mirel 35",)).against
    fitted = rows["basis"] == "Mirel 35 fitted, not measured here"
    assert set(rows.loc[fitted, "game"]) == {"Game 4"}
    assert fitted.sum() == 3
    assert rows["lead_median"].notna().all()


def test_an_unknown_card_to_compare_with_is_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError) as caught:
        lab_fit.predict(sheet(lab_fit), against=("Mirel 36",))
    assert str(caught.value) == (
        'No measured card is named "Mirel 36". Allowed: a card with results, such as '
        '"Mirel 35", "Mirel 30", "Mirel 55".'
    )


def test_neighbours_are_what_was_measured(lab_fit: Fit) -> None:
    near = lab_fit.predict(sheet(lab_fit)).neighbours
    assert list(near) == [*CELL, "rate"]
    assert len(near) == 120
