"""Value: identities, prices at which cards are equal, the efficient set, and what is refused."""

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.comparable import ALL
from scalemodel.answers.fitting import Fit
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.prices import LAUNCH, LISTED, UNKNOWN
from scalemodel.answers.value import Value
from scalemodel.answers.value_rows import BEATEN, EFFICIENT, NO_PRICE
from scalemodel.errors import ScalemodelError
from tests.answers.money_lab import PRICES
from tests.answers.small_lab import CELL, CHART, Lab
from tests.conftest import HELD_OUT

HIGH = "3840x2160"
A, B = "Halvor C", "Mirel 35"


def price_list(fit: Fit, **changed: float) -> pd.DataFrame:
    """Return the prices of the sheets with some changed, underscores for spaces."""
    cards = fit.bench.cards[["card", "price", "currency"]].assign(date="2026-03-14")
    for card, price in changed.items():
        cards.loc[cards["card"] == card.replace("_", " "), "price"] = price
    return cards.reset_index(drop=True)


@pytest.fixture(scope="module")
def sheet(money_fit: Fit) -> pd.DataFrame:
    return money_fit.bench.cards[money_fit.bench.cards["card"] == HELD_OUT]


@pytest.fixture(scope="module")
def value(money_fit: Fit, sheet: pd.DataFrame) -> Value:
    return money_fit.value(specs=sheet)


def overall(answer: Value) -> pd.DataFrame:
    return answer.table[answer.table["resolution"] == ALL].set_index("card")


def test_columns_that_are_promised(value: Value) -> None:
    about = ["card", "platform", "resolution", "metric", "level", "position", "rate", "rate_lower"]
    about += ["rate_upper", "price", "currency", "price_date", "rate_per_100", "lower", "upper"]
    about += ["p_better_value", "p_best_value", "p_efficient", "state", "beaten_by", "charts_used"]
    assert list(value.table) == [*about, "basis", "reason", "upscaling"]
    pair = ["a", "b", "platform", "resolution", "metric", "level", "lead", "lead_lower"]
    pair += ["lead_upper", "price_a", "price_b", "currency", "equal_price", "equal_lower"]
    pair += ["equal_upper", "p_better_value", "neighbours", "reason", "upscaling"]
    assert list(value.pairs) == pair


def test_value_is_rate_over_price_and_the_order_goes_by_it(value: Value) -> None:
    placed = value.table[value.table["position"].notna()]
    np.testing.assert_allclose(placed["rate_per_100"], 100 * placed["rate"] / placed["price"])
    assert (placed["lower"] < placed["rate_per_100"]).all()
    assert (placed["rate_per_100"] < placed["upper"]).all()
    for _, here in placed.groupby("resolution"):
        assert (here["rate_per_100"].diff().dropna() <= 0).all()
        assert here["p_best_value"].sum() == pytest.approx(1.0)
    assert list(overall(value)["price_date"].unique()) == ["2026-01"]


def test_rates_are_geometric_means_where_all_charts_compare_all_cards(
    value: Value, money_fit: Fit
) -> None:
    cells = money_fit.cells.table[money_fit.cells.table["resolution"] == HIGH]
    means = np.exp(np.log(cells["rate"]).groupby(cells["card"]).mean())
    here = value.table[(value.table["resolution"] == HIGH) & (value.table["basis"] == MEASURED)]
    np.testing.assert_allclose(here.set_index("card")["rate"][means.index], means)


def true_ratio(lab: Lab, fit: Fit, a: str, b: str) -> float:
    """Return the true ratio of rates over the charts on which neither sits at the ceiling."""
    judged = fit.ceilings().table
    free = judged[(judged["p_ceiling"] < 0.5) & judged["card"].isin([a, b])][CELL]
    rates = free.merge(lab.truth, on=CELL).pivot_table(index=CHART, columns="card", values="fps")
    both = np.log(rates.dropna())
    return float(np.exp((both[a] - both[b]).mean()))


def test_the_price_at_which_two_cards_are_equal(value: Value, lab: Lab, money_fit: Fit) -> None:
    rows = value.compare(A, B)
    for row in rows.itertuples():
        assert row.equal_price == pytest.approx(row.price_b * (1 + row.lead))
        assert row.equal_lower < row.equal_price < row.equal_upper
    whole = rows[rows["resolution"] == ALL].iloc[0]
    assert whole["a"] == A
    true = true_ratio(lab, money_fit, A, B) * whole["price_b"]
    assert whole["equal_lower"] < true < whole["equal_upper"]


@pytest.mark.parametrize(
    ("factor", "low", "high"), [(0.9, 0.95, 1), (1.0, 0.45, 0.55), (1.1, 0, 0.05)]
)
def test_value_crosses_at_that_price(
    money_fit: Fit, value: Value, factor: float, low: float, high: float
) -> None:
    # At the stated price the chance is a half; 2048 draws have an sd of 0.011.
    equal = value.compare(A, B).set_index("resolution").at[ALL, "equal_price"]
    found = money_fit.value(price_list(money_fit, Halvor_C=factor * equal))
    row = found.compare(A, B).set_index("resolution").loc[ALL]
    assert low <= row["p_better_value"] <= high
    order = overall(found)["position"]
    if factor != 1.0:
        assert (order[A] < order[B]) == (factor < 1)


def test_a_tolerance_is_a_rectangular_error_of_the_price(money_fit: Fit) -> None:
    exact, wide = (overall(money_fit.value(tolerance=t)) for t in (0.0, 0.2))
    log_width = np.log(wide["upper"] / wide["lower"]).dropna()
    # Theorem: 80% of a rectangular error of 20% lie within 16%; the rates add little to that.
    assert log_width.median() == pytest.approx(np.log(1.16 / 0.84), rel=0.05)
    narrow = np.log(exact["upper"] / exact["lower"]).dropna()
    rates = np.log(exact["rate_upper"] / exact["rate_lower"]).dropna()
    np.testing.assert_allclose(narrow, rates)


def test_the_efficient_set(money_fit: Fit) -> None:
    prices = price_list(money_fit, Mirel_35=PRICES[8] * 2)
    table = overall(money_fit.value(prices))
    fastest = table["rate"].idxmax()
    assert table.at[fastest, "p_efficient"] == 1.0
    assert table.at["Mirel 35", "state"] == BEATEN
    assert table.at["Mirel 35", "p_efficient"] < 0.01
    by = table.at["Mirel 35", "beaten_by"]
    assert table.at[by, "rate"] > table.at["Mirel 35", "rate"]
    assert table.at[by, "price"] < table.at["Mirel 35", "price"]
    assert (table.loc[table["state"] == EFFICIENT, "beaten_by"] == "").all()
    level = price_list(money_fit, **{card.replace(" ", "_"): 300.0 for card in table.index})
    same = overall(money_fit.value(level, tolerance=0.0))
    assert list(same.index[same["state"] == EFFICIENT]) == [fastest]


def test_a_card_from_its_sheet_and_the_price_that_matches_its_neighbours(
    value: Value, lab: Lab
) -> None:
    new = value.pairs[(value.pairs["a"] == HELD_OUT) & (value.pairs["resolution"] == ALL)]
    assert HELD_OUT not in set(value.pairs["b"])
    assert len(new) == len(overall(value)) - 1
    near = new[new["neighbours"]]
    assert len(near) == 2
    assert (near["lead"] > 0).sum() == 1
    truth = lab.truth[(lab.truth["resolution"] == HIGH)]
    rates = np.exp(np.log(truth["fps"]).groupby(truth["card"]).mean())
    at_high = value.pairs[(value.pairs["a"] == HELD_OUT) & (value.pairs["resolution"] == HIGH)]
    for row in at_high.itertuples():
        true = rates[HELD_OUT] / rates[row.b] * row.price_b
        assert true == pytest.approx(row.equal_price, rel=0.05)


def test_a_card_without_a_price_still_has_the_price_that_matches(
    money_fit: Fit, sheet: pd.DataFrame
) -> None:
    found = money_fit.value(specs=sheet.assign(price=np.nan))
    rows = found.pairs[(found.pairs["a"] == HELD_OUT) & (found.pairs["resolution"] == ALL)]
    assert rows["equal_price"].notna().all()
    assert rows["p_better_value"].isna().all()
    assert set(rows["reason"]) == {f"{NO_PRICE} of {HELD_OUT}"}
    row = overall(found).loc[HELD_OUT]
    assert row["reason"] == NO_PRICE
    assert np.isfinite(row["rate"])
    assert np.isnan(row["rate_per_100"])


def test_prices_of_a_list_count_alone_and_strange_cards_are_listed(money_fit: Fit) -> None:
    some = price_list(money_fit).iloc[:4]
    strange = pd.DataFrame([("Nobody 1", 1.0, "EUR", "")], columns=list(some))
    found = money_fit.value(pd.concat([some, strange], ignore_index=True))
    assert found.source == LISTED
    assert found.dates == "2026-03-14"
    table = overall(found)
    assert table["position"].notna().sum() == 4
    assert set(table.loc[table["position"].isna(), "reason"]) == {NO_PRICE}
    row = found.table[found.table["card"] == "Nobody 1"].iloc[0]
    assert row["reason"] == UNKNOWN
    assert str(found).startswith("Prices: the price list (2026-03-14), give or take 4%. On Bench ")


def test_mixed_currencies_are_one_clear_error(money_fit: Fit) -> None:
    prices = price_list(money_fit)
    prices.loc[:3, "currency"] = "USD"
    prices.loc[4, "currency"] = ""
    names = list(prices["card"])
    with pytest.raises(ScalemodelError) as error:
        money_fit.value(prices)
    named = ", ".join(f'"{card}"' for card in names[5:8])
    assert str(error.value) == (
        f'Prices are in 3 currencies: USD for "{names[0]}", "{names[1]}", "{names[2]}" and 1 more; '
        f'no currency for "{names[4]}"; EUR for {named} and {len(names) - 8} more. Value compares '
        "prices in one: convert them, and name the same currency in every row."
    )
    prices["currency"] = ["eur", *["EUR"] * (len(prices) - 1)]
    assert money_fit.value(prices).currency == "eur"


def test_no_price_at_all_is_one_message(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match=r"no card with results has a price\. Fill price and"):
        lab_fit.value()


@pytest.mark.parametrize("tolerance", [-0.01, 0.51, float("nan")])
def test_tolerances_that_are_none_are_refused(money_fit: Fit, tolerance: float) -> None:
    with pytest.raises(ScalemodelError, match=r"is not possible\. Allowed: from 0 up to 50%, such"):
        money_fit.value(tolerance=tolerance)


def test_cards_that_stand_side_by_side_nowhere_are_refused(value: Value) -> None:
    for pair in ((A, A), (A, "Mirel 99")):
        with pytest.raises(ScalemodelError, match="stand side by side on no platform"):
            value.compare(*pair)


def test_the_same_question_has_the_same_answer(
    value: Value, money_fit: Fit, sheet: pd.DataFrame
) -> None:
    again = money_fit.value(specs=sheet)
    pd.testing.assert_frame_equal(value.table, again.table, check_exact=True)
    pd.testing.assert_frame_equal(value.pairs, again.pairs, check_exact=True)
    assert value.source == LAUNCH
    assert str(value).endswith(".")
    assert "nan" not in str(value)


def test_charts_at_the_ceiling_do_not_count(value: Value, money_fit: Fit) -> None:
    judged = money_fit.ceilings().table
    free = judged[judged["p_ceiling"] < 0.5].groupby("card").size()
    counted = overall(value)["charts_used"]
    assert (counted[free.index] == free).all()
    assert (free < 12).any()
