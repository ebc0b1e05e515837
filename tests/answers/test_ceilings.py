"""Charts at the ceiling: what they still compare, and what is said where they compare nothing."""

from pathlib import Path

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.data.bench import read_bench
from tests.answers.small_lab import CELL, CHART, LEVELS, Lab, Settings, simulate
from tests.conftest import HELD_OUT


@pytest.fixture(scope="module")
def capped() -> Lab:
    """A lab whose every cell sits at the ceiling."""
    return simulate(Settings(ceilings=dict.fromkeys(LEVELS, 12.0)))


@pytest.fixture(scope="module")
def capped_fit(capped: Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    return fit(capped.bench(tmp_path_factory.mktemp("capped"), without=(HELD_OUT,)))


def test_states_follow_from_the_probability_and_the_level(lab_fit: Fit) -> None:
    for level in (0.6, 0.8, 0.95):
        table = lab_fit.ceilings(level).table
        p, state = table["p_ceiling"], table["state"]
        assert ((state == "cpu_bound") == (p >= level)).all()
        assert ((state == "gpu_bound") == (p <= 1 - level)).all()
        assert p.between(0, 1).all()
        assert table["sensitivity"].between(0, 1).all()
        assert (table["headroom"] >= 1).all()


def test_verdicts_follow_from_the_results(lab_fit: Fit) -> None:
    answer = lab_fit.ceilings()
    for chart in answer.charts.to_dict(orient="records"):
        here = (answer.table[CHART] == [chart[name] for name in CHART]).all(axis=1)
        results = answer.table[here]
        at_ceiling = results[results["p_ceiling"] >= 0.5]
        assert chart["cards"] == len(results) == 10
        assert chart["cards_cpu_bound"] == (results["state"] == "cpu_bound").sum()
        assert chart["verdict"] == ("usable_below" if len(at_ceiling) else "usable")
        if len(at_ceiling):
            assert chart["usable_below"] == at_ceiling["rate"].min()
            slowest = results.set_index("card")["rate"][chart["usable_below_card"]]
            assert slowest == chart["usable_below"]
        else:
            assert np.isnan(chart["usable_below"])
            assert chart["usable_below_card"] == ""


def test_a_ceiling_no_card_comes_near_is_never_a_number(lab_fit: Fit) -> None:
    answer = lab_fit.ceilings()
    for table in (answer.table, answer.charts):
        far = table["game"] == "Game 4"
        assert table.loc[far, "ceiling_rate"].isna().all()
        assert table.loc[~far, "ceiling_rate"].notna().all()
    charts = answer.charts[answer.charts["game"] == "Game 4"]
    fastest = answer.table.loc[answer.table["game"] == "Game 4", "rate"].max()
    assert (charts["ceiling_low"] == fastest).all()
    reason = "no card comes near the ceiling; it is only known to be above"
    assert (charts["reason"] == reason).all()


def test_with_every_cell_at_the_ceiling_no_chart_is_usable(capped_fit: Fit) -> None:
    answer = capped_fit.ceilings()
    assert (answer.charts["verdict"] == "not_usable").all()
    reason = "fewer than two cards stay below the ceiling"
    assert (answer.charts["reason"] == reason).all()
    np.testing.assert_allclose(answer.charts["ceiling_rate"], 12.0, rtol=0.005)
    assert (answer.table["p_ceiling"] > 0.5).all()
    assert str(answer).startswith("0 of 12 charts compare all their cards, ")


def test_with_every_cell_at_the_ceiling_a_lead_has_only_reasons(capped_fit: Fit) -> None:
    answer = capped_fit.lead("Mirel 55", "Halvor D")
    assert not answer.table["used"].astype(bool).any()
    charts = answer.table[answer.table["row_kind"] == "chart"]
    reason = "Mirel 55 and Halvor D sit at the ceiling"
    assert (charts["reason"] == reason).all()
    summaries = answer.table[answer.table["row_kind"] == "summary"]
    assert summaries["lead"].isna().all()
    assert str(answer) == (
        "On Bench no chart compares Mirel 55 with Halvor D: "
        "Mirel 55 and Halvor D sit at the ceiling on 12 of 12 charts."
    )


def test_with_every_cell_at_the_ceiling_predictions_are_the_ceiling(
    capped_fit: Fit, capped: Lab
) -> None:
    cards = capped_fit.bench.cards
    answer = capped_fit.predict(cards[cards["card"] == HELD_OUT])
    assert (answer.table["reason"] == "").all()
    both = answer.table.merge(capped.truth, on=CELL)
    assert len(both) == 12
    np.testing.assert_allclose(both["median"], both["fps"], rtol=0.005)
    assert (both["p_ceiling"] > 0.9).all()
    assert "at the ceiling on 12." in str(answer)


def test_one_chart_is_enough(tmp_path: Path) -> None:
    use = Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",))
    one = fit(simulate(use).bench(tmp_path, without=(HELD_OUT,)))
    assert len(one.ceilings().charts) == 1
    assert "10 cards, 1 scene, 1 chart, 1 platform" in str(one)
    cards = one.bench.cards
    assert "1 chart predicted" in str(one.predict(cards[cards["card"] == HELD_OUT]))
    assert "over 1 chart." in str(one.lead("Mirel 55", "Halvor D"))
    table = one.lead("Mirel 55", "Halvor D").table
    assert list(table["row_kind"]) == ["chart", "summary", "summary"]
    assert table["lead"].nunique() == 1


def test_a_chart_with_one_card_compares_nothing(lab: Lab, tmp_path: Path) -> None:
    folder = lab.write(tmp_path)
    with (folder / "results.csv").open("a", encoding="utf-8") as stream:
        stream.write("Mirel 30,Bench,Game 1,Low,1920x1080,1,120.5\n")
    charts = fit(read_bench(folder)).ceilings().charts
    alone = charts[charts["preset"] == "Low"]
    assert alone["verdict"].tolist() == ["not_usable"]
    assert alone["reason"].tolist() == ["only one card"]
