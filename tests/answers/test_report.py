"""All answers at once, and where predicted cards land overall."""

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.landing import ALONE, Landing, landing
from scalemodel.answers.lead import ALL
from scalemodel.answers.report import QUESTIONS, Report, report
from scalemodel.data.specs import with_derived
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CHART, Lab
from tests.conftest import HELD_OUT

LEVEL = 0.8


@pytest.fixture(scope="module")
def sheet(lab: Lab, lab_fit: Fit) -> pd.DataFrame:
    """The sheet of a card that the fit has not seen, as `read_specs` gives it."""
    del lab
    cards = lab_fit.bench.cards
    return cards[cards["card"] == HELD_OUT].reset_index(drop=True)


@pytest.fixture(scope="module")
def landed(lab_fit: Fit, sheet: pd.DataFrame) -> Landing:
    return landing(lab_fit, sheet, LEVEL)


@pytest.fixture(scope="module")
def whole(lab_fit: Fit, sheet: pd.DataFrame) -> Report:
    return report(lab_fit, sheet, LEVEL)


def test_overall_leads_are_means_of_the_leads_on_the_charts(
    lab_fit: Fit, sheet: pd.DataFrame, landed: Landing
) -> None:
    """Medians of a mean, against the mean of medians: alike where leads are nearly normal."""
    other = "Halvor C"
    cells = lab_fit.ceilings().table
    usable = cells[(cells["card"] == other) & (cells["p_ceiling"] < 0.5) & (cells["reason"] == "")]
    by_chart = lab_fit.predict(sheet, LEVEL, against=(other,)).against
    by_chart = by_chart[by_chart["p_ceiling"] < 0.5].merge(usable[CHART], on=CHART)
    row = landed.overall(HELD_OUT, "Bench").set_index("against").loc[other]
    assert row["charts_used"] == len(by_chart) > 4
    mean = np.log1p(by_chart["lead_median"]).mean()
    assert np.log1p(row["lead_median"]) == pytest.approx(mean, abs=0.002)
    # What the card itself strays by does not average out; the noise of cells does.
    width = np.log1p(row["lead_upper"]) - np.log1p(row["lead_lower"])
    widths = np.log1p(by_chart["lead_upper"]) - np.log1p(by_chart["lead_lower"])
    assert 0.2 * widths.mean() < width < widths.mean()


def test_the_true_lead_lies_in_its_range(lab: Lab, landed: Landing) -> None:
    truth = np.log(lab.truth.set_index(["card", *CHART])["fps"])
    rows = landed.overall(HELD_OUT, "Bench")
    assert len(rows) == 10
    inside = 0
    for row in rows.to_dict(orient="records"):
        both = pd.concat([truth.loc[HELD_OUT], truth.loc[row["against"]]], axis=1).dropna()
        both.columns = ["a", "b"]
        below = both[np.exp(both.max(axis=1)) < both.index.get_level_values("game").map(cap)]
        lead = np.expm1((below["a"] - below["b"]).mean())
        inside += bool(row["lead_lower"] - 0.02 < lead < row["lead_upper"] + 0.02)
    # One card strays from its sheet once, whoever it is compared with: all in, or nearly none.
    assert inside >= 8


def cap(game: str) -> float:
    """Rate below which a chart is surely not at its ceiling."""
    return 0.9 * {"Game 1": 150.0, "Game 2": 230.0, "Game 3": 190.0, "Game 4": 700.0}[game]


def test_places_follow_from_the_leads(landed: Landing) -> None:
    for row in landed.places.to_dict(orient="records"):
        assert row["reason"] == ""
        assert row["place_lower"] <= row["place"] <= row["place_upper"]
        rows = landed.table[landed.table["resolution"] == row["resolution"]]
        rows = rows[rows["reason"] == ""]
        assert row["cards"] == len(rows) + 1
        # The expected place is 1 and the chances of those who are ahead; the likeliest is near.
        expected = 1 + (1 - rows["p_faster"]).sum()
        assert abs(row["place"] - expected) < 0.75
    assert 0 < landed.places["probability"].min() <= landed.places["probability"].max() <= 1


def test_the_nearest_cards_are_those_with_the_smallest_leads(landed: Landing) -> None:
    rows = landed.overall(HELD_OUT, "Bench")
    size = np.log1p(rows.set_index("against")["lead_median"]).abs()
    near = landed.nearest(HELD_OUT, "Bench", 3)
    assert set(near) == set(size.nsmallest(3).index)
    ahead, behind = landed.around(HELD_OUT, "Bench")
    assert ahead["lead_median"] >= 0 > behind["lead_median"]
    words = str(landed)
    assert words.startswith(f"{HELD_OUT}: place ")
    assert f"ahead of {ahead['against']}" in words
    assert f"behind {behind['against']}" in words


def test_a_card_that_is_refused_or_alone_at_the_ceiling_has_no_place(
    lab_fit: Fit, sheet: pd.DataFrame
) -> None:
    far = with_derived(sheet.assign(shaders=10 * sheet["shaders"]))
    refused = landing(lab_fit, far, LEVEL)
    assert set(refused.places["reason"]) == set(refused.table["reason"])
    assert "nothing is known that far out" in refused.places["reason"].iloc[0]
    assert refused.table["lead_median"].isna().all()
    fast = with_derived(sheet.assign(shaders=3 * sheet["shaders"], memory_bandwidth_gbs=2800.0))
    places = landing(lab_fit, fast, LEVEL).places.set_index("resolution")
    assert places["place"].dropna().eq(1).all()
    assert set(places["reason"]) <= {"", ALONE}


def test_the_same_sheet_lands_in_the_same_place_whoever_comes_with_it(
    lab_fit: Fit, sheet: pd.DataFrame, landed: Landing
) -> None:
    twin = pd.concat([sheet, sheet.assign(card="Mirel 46")], ignore_index=True)
    both = landing(lab_fit, twin, LEVEL)
    mine = both.table[both.table["card"] == HELD_OUT].reset_index(drop=True)
    pd.testing.assert_frame_equal(mine, landed.table, check_exact=True)


def test_a_report_has_every_answer(whole: Report, lab_fit: Fit) -> None:
    without = {"explanation", "power", "value", "groups", "lows", "latency"}
    assert whole.missing.keys() <= without
    assert whole.ceilings.table.equals(lab_fit.ceilings(LEVEL).table)
    assert whole.standings is not None
    assert whole.order is not None
    assert whole.prediction is not None
    assert {"bench_digest", "code_digest", "version", "seed", "numpy"} <= set(whole.settings)
    for part in (str(whole.fit), str(whole.ceilings), str(whole.landing), str(whole.standings)):
        assert part in str(whole)


def test_power_and_value_are_those_of_the_fit(money_fit: Fit) -> None:
    cards = money_fit.bench.cards
    found = report(money_fit, cards[cards["card"] == HELD_OUT], LEVEL)
    assert found.power is not None
    assert found.value is not None
    assert found.power.cards.equals(money_fit.power(found.specs, LEVEL).cards)
    assert found.value.table.equals(money_fit.value(specs=found.specs, level=LEVEL).table)
    assert str(found.power) in str(found)
    assert str(found.value) in str(found)


def test_without_power_and_prices_the_reasons_are_kept(whole: Report) -> None:
    assert whole.power is None
    assert whole.value is None
    assert "no run has power_w" in whole.missing["power"]
    assert "no card with results has a price" in whole.missing["value"]


def test_each_answer_is_told_once(lab_fit: Fit) -> None:
    told = []
    found = report(lab_fit, progress=lambda: told.append(1))
    assert len(told) == QUESTIONS
    assert found.missing["prediction"] == found.missing["landing"] == "no spec sheets were given"


def test_the_explained_pair_is_the_one_that_shifts_most(whole: Report) -> None:
    assert whole.order is not None
    flips = whole.order.table[whole.order.table["verdict"] == "flips"]
    if whole.explanation is None:
        assert flips.empty
        assert whole.missing["explanation"] == "no two cards change places for certain"
        return
    pair = flips.groupby(["a", "b"])["points"].sum().idxmin()
    assert (whole.explanation.a, whole.explanation.b) == pair


def test_a_level_that_is_none_is_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match="A level of 1 is not between 0 and 1"):
        report(lab_fit, level=1.0)


def test_all_resolutions_are_named_as_elsewhere(landed: Landing) -> None:
    sizes = ["1920x1080", "2560x1440", "3840x2160", ALL]
    assert list(landed.places["resolution"]) == sizes
