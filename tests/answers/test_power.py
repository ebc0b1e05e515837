"""Power: ratios that must hold, what is left out, limits, siblings, and cards from their sheets."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.comparable import ALL
from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.power import Power
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.power_cells import NO_REPEATS, cell_power
from scalemodel.data.bench import read_bench
from scalemodel.errors import ScalemodelError
from tests.answers.money_lab import FOLLOWS, HUNGRY, LIMITED, SHARES, TOGETHER, MoneyLab
from tests.answers.small_lab import CELL
from tests.conftest import HELD_OUT

HIGH = "3840x2160"


@pytest.fixture(scope="module")
def sheet(money_fit: Fit) -> pd.DataFrame:
    return money_fit.bench.cards[money_fit.bench.cards["card"] == HELD_OUT]


@pytest.fixture(scope="module")
def power(money_fit: Fit, sheet: pd.DataFrame) -> Power:
    return money_fit.power(sheet)


def test_columns_that_are_promised(power: Power) -> None:
    chart = ["platform", "game", "preset", "resolution"]
    cards = ["card", "platform", "resolution", "metric", "level", "position", "rate", "rate_lower"]
    cards += ["rate_upper", "power_w", "power_lower", "power_upper", "frames_per_joule", "lower"]
    cards += ["upper", "joules_per_frame", "p_more_efficient", "p_first", "charts_used", "basis"]
    assert list(power.cards) == [*cards, "reason", "upscaling"]
    cells = ["rate", "power_w", "frames_per_joule", "lower", "upper", "joules_per_frame"]
    begin = ["card", *chart, "metric", "level"]
    assert list(power.table) == [*begin, *cells, "p_ceiling", "used", "reason", "upscaling"]
    assert list(power.predicted)[:9] == [*begin, "power_lower", "power_median"]


def test_frames_per_joule_are_rate_over_power_everywhere(power: Power) -> None:
    for table in (power.table, power.cards[power.cards["basis"] == MEASURED]):
        np.testing.assert_allclose(table["frames_per_joule"], table["rate"] / table["power_w"])
        np.testing.assert_allclose(table["joules_per_frame"] * table["frames_per_joule"], 1.0)
        assert (table["lower"] < table["frames_per_joule"]).all()
        assert (table["frames_per_joule"] < table["upper"]).all()


def test_where_all_charts_compare_all_cards_it_is_the_geometric_mean(power: Power) -> None:
    # Fleming & Wallace 1986, Communications of the ACM 29(3).
    every = power.table[power.table["resolution"] == HIGH]
    assert every["used"].all()
    means = np.exp(np.log(every["frames_per_joule"]).groupby(every["card"]).mean())
    here = power.cards[(power.cards["resolution"] == HIGH) & (power.cards["basis"] == MEASURED)]
    found = here.set_index("card")["frames_per_joule"]
    np.testing.assert_allclose(found[means.index], means)


def test_results_at_the_ceiling_are_marked_and_left_out(power: Power, money_fit: Fit) -> None:
    judged = money_fit.ceilings().table.set_index(CELL)["p_ceiling"]
    table = power.table.set_index(CELL)
    assert (table["used"] == (judged[table.index] < 0.5)).all()
    assert set(table.loc[~table["used"], "reason"]) == {"sits at the ceiling"}
    assert (~table["used"]).sum() > 5
    # There the power falls with the use of the GPU, so the card would look more efficient.
    overall = power.cards[power.cards["resolution"] == ALL].set_index("card")
    used = table[table["used"]].groupby("card").size()
    assert (overall["charts_used"][used.index] == used).all()


def test_a_card_less_efficient_than_its_architecture_is_found(
    power: Power, money: MoneyLab
) -> None:
    found = power.siblings.set_index("card")
    assert found.at[HUNGRY, "verdict"] == "less efficient"
    # Truth: rates and power without errors over the charts used by all of its architecture.
    truth = money.power.merge(money.lab.truth, on=CELL)
    truth["log"] = np.log(truth["fps"] / truth["power_w"])
    used = power.table[power.table["used"]][CELL].merge(truth, on=CELL)
    strand = used[used["card"].str.startswith("Halvor")]
    wide = strand.pivot_table(index=CELL[1:], columns="card", values="log").dropna()
    others = [card for card in wide if card != HUNGRY]
    true = np.expm1((wide[HUNGRY] - wide[others].mean(axis=1)).mean())
    assert found.at[HUNGRY, "against_siblings"] == pytest.approx(true, abs=0.02)
    assert f"Clearly less efficient than their architecture: {HUNGRY} (" in str(power)


def test_runs_at_a_limit_leave_the_fit_as_it_is(
    money: MoneyLab, money_fit: Fit, tmp_path: Path
) -> None:
    own = money.lab.results[money.lab.results["power_limit_w"].isna()]
    bare = replace(money, lab=replace(money.lab, results=own))
    without = fit(read_bench(bare.write(tmp_path, without=(HELD_OUT,))))
    np.testing.assert_array_equal(without.model.theta, money_fit.model.theta)
    left = money_fit.left_out["reason"].value_counts()
    assert left["tested at a power limit that is not the card's own"] == 12 * 3 * len(SHARES)


def test_rate_follows_power_as_it_truly_does(power: Power) -> None:
    limits = power.limits.set_index("power_limit_w")
    assert list(limits["power_ratio"].round(2)) == sorted(SHARES)
    for row, share in zip(power.limits.itertuples(), sorted(SHARES), strict=True):
        # 3 standard errors of the mean of 8 charts of 3 runs an end, 0.4% each: 0.35%.
        assert row.rate_ratio == pytest.approx(share**FOLLOWS, abs=0.0035)
        assert row.left_out.startswith("sits at the ceiling on ")
    curve = power.curves.iloc[0]
    assert curve["card"] == LIMITED
    assert curve["brings"] == pytest.approx(0.9**-FOLLOWS - 1, abs=0.006)
    assert curve["lower"] < curve["brings"] < curve["upper"]
    assert curve["slope"] == pytest.approx(FOLLOWS, abs=0.06)
    assert f"The last 10% of the power of {LIMITED} brings " in str(power)


def test_a_limit_without_its_own_result_has_a_reason(money: MoneyLab, tmp_path: Path) -> None:
    results = money.lab.results
    gone = (results["card"] == LIMITED) & results["power_limit_w"].isna()
    bare = replace(money, lab=replace(money.lab, results=results[~gone]))
    found = fit(read_bench(bare.write(tmp_path))).power()
    assert set(found.limits["reason"]) == {"no result at the card's own limit on 12 of 12 charts"}
    assert found.curves["brings"].isna().all()
    assert LIMITED not in set(found.cards["card"])


def test_two_limits_give_rows_and_no_curve(money: MoneyLab, tmp_path: Path) -> None:
    results = money.lab.results
    few = results["power_limit_w"].isna() | (results["power_limit_w"] == 0.9 * 350)
    bare = replace(money, lab=replace(money.lab, results=results[few]))
    found = fit(read_bench(bare.write(tmp_path))).power()
    assert len(found.limits) == 1
    assert list(found.curves["reason"]) == ["fewer than 3 limits on every chart"]


def test_the_error_of_a_ratio_uses_what_runs_share(money_fit: Fit) -> None:
    found = cell_power(money_fit)
    assert found.correlation == pytest.approx(TOGETHER, abs=0.12)  # 3 sds of 240 dof
    apart = np.hypot(found.table["se"], found.table["power_se"])
    assert (found.table["ratio_se"] < 0.9 * apart).all()
    low, high = found.ranges(0.8)
    reach = 1.2816 * found.table["ratio_se"]
    np.testing.assert_allclose(np.log(high / low) / 2, reach, rtol=0.01)


def test_a_card_from_its_sheet_lands_where_it_was_measured(power: Power, money: MoneyLab) -> None:
    rows = power.predicted[power.predicted["reason"] == ""].merge(money.power, on=CELL)
    inside = (rows["power_lower"] <= rows["power_w"]) & (rows["power_w"] <= rows["power_upper"])
    assert len(rows) > 6
    assert inside.all()  # one card: its charts go together, and this one is an ordinary one
    overall = power.cards[(power.cards["card"] == HELD_OUT) & (power.cards["resolution"] == ALL)]
    assert overall["power_w"].iloc[0] == pytest.approx(250 * 0.97, rel=0.06)
    assert f"{HELD_OUT} should draw " in str(power)


def test_at_the_ceiling_a_prediction_draws_less(power: Power) -> None:
    bound = power.predicted[power.predicted["reason"] == "sits at the ceiling"]
    free = power.predicted[power.predicted["reason"] == ""]
    assert len(bound)
    assert bound["power_median"].mean() < 0.95 * free["power_median"].mean()


def test_sheets_that_cannot_be_estimated_have_their_reason(
    money_fit: Fit, sheet: pd.DataFrame
) -> None:
    both = pd.concat([sheet.assign(board_power_w=np.nan), money_fit.bench.cards.iloc[[0]]])
    found = money_fit.power(both.reset_index(drop=True))
    new = found.cards[found.cards["basis"] != MEASURED]
    reasons = new.groupby("card")["reason"].unique().map(list)
    assert reasons[HELD_OUT] == ["no board_power_w on its sheet"]
    assert reasons["Mirel 10"] == ["already measured: see its results"]
    assert found.predicted["power_median"].isna().all()
    assert (found.predicted["reason"] != "").all()
    assert f"{HELD_OUT}: no estimate (no board_power_w on its sheet)." in str(found)


def test_held_out_power_stands_beside_a_plain_peer(power: Power) -> None:
    assert set(power.held_out["card"]) == set(power.table["card"])
    ours, plain = ((power.held_out[n] ** 2).mean() ** 0.5 for n in ("error", "plain_error"))
    assert 0.01 < ours < plain
    assert power.held_out.set_index("card").at[HUNGRY, "error"] == power.held_out["error"].max()


def test_cells_without_power_are_listed_with_the_reason(money: MoneyLab, tmp_path: Path) -> None:
    results = money.lab.results.copy()
    results.loc[results["card"] == "Mirel 10", "power_w"] = np.nan
    gone = (results["card"] == "Mirel 20") & (results["game"] == "Game 1")
    results.loc[gone, "power_w"] = np.nan
    bare = replace(money, lab=replace(money.lab, results=results))
    found = fit(read_bench(bare.write(tmp_path))).power()
    cells = found.table[found.table["card"] == "Mirel 20"]
    assert (cells["reason"] == "no power_w").sum() == 3
    overall = found.cards[found.cards["resolution"] == ALL].set_index("card")
    assert overall.at["Mirel 10", "reason"] == "no power_w on 12 of 12 charts"
    assert np.isnan(overall.at["Mirel 10", "frames_per_joule"])


def test_without_power_there_is_one_message(lab_fit: Fit) -> None:
    message = r"no run has power_w\. Fill that column of results with the mean board power of each"
    with pytest.raises(ScalemodelError, match=message):
        lab_fit.power()


def test_without_repeats_cells_have_no_ranges_and_the_answer_says_why(
    money: MoneyLab, tmp_path: Path
) -> None:
    first = money.lab.results[money.lab.results["run"] == 1]
    single = replace(money, lab=replace(money.lab, results=first))
    found = fit(read_bench(single.write(tmp_path))).power()
    assert found.note == NO_REPEATS
    assert str(found).endswith(NO_REPEATS)
    assert found.table["lower"].isna().all()
    assert found.cards.loc[found.cards["position"].notna(), "lower"].notna().all()


def test_the_same_question_has_the_same_answer(
    power: Power, money_fit: Fit, sheet: pd.DataFrame
) -> None:
    again = money_fit.power(sheet)
    for name in ("cards", "table", "siblings", "limits", "curves", "predicted", "held_out"):
        pd.testing.assert_frame_equal(getattr(power, name), getattr(again, name), check_exact=True)
    assert str(power) == str(again)
    words = str(power)
    assert words.endswith(".")
    assert "nan" not in words
