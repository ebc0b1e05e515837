"""Native and upscaled charts in the answers about power, prices and predicted cards."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.comparable import ALL, comparable_cells
from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.groups import APART, BOTH_KINDS
from scalemodel.answers.landing import Landing, landing
from scalemodel.answers.power import Power
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.value import Value
from scalemodel.answers.value_rows import value_groups
from tests.answers.money_lab import LIMITED, money_lab
from tests.answers.small_lab import CELL
from tests.conftest import HELD_OUT

SIZE = "2560x1440"
"""Every chart of this resolution is upscaled; so is one game, at every resolution."""

GAME, MIXED = "Game 4", ("Halvor B", "Game 2")


@pytest.fixture(scope="module")
def kinds(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """A lab of both kinds of charts; cells of one card in one game have runs of both kinds."""
    money = money_lab()
    results = money.lab.results.assign(upscaling="off")
    upscaled = (results["game"] == GAME) | (results["resolution"] == SIZE)
    card, game = MIXED
    mixed = (results["card"] == card) & (results["game"] == game) & (results["run"] == 1)
    other = (results["card"] == LIMITED) & (results["game"] == "Game 1")
    other &= results["power_limit_w"].notna() & (results["resolution"] == "3840x2160")
    results.loc[upscaled | mixed | other, "upscaling"] = "quality"
    folder = tmp_path_factory.mktemp("kinds")
    lab = replace(money.lab, results=results)
    return fit(lab.bench(folder, without=(HELD_OUT,)))


@pytest.fixture(scope="module")
def specs(kinds: Fit) -> pd.DataFrame:
    cards = kinds.bench.cards
    return cards[cards["card"] == HELD_OUT]


@pytest.fixture(scope="module")
def power(kinds: Fit, specs: pd.DataFrame) -> Power:
    return kinds.power(specs)


@pytest.fixture(scope="module")
def value(kinds: Fit, specs: pd.DataFrame) -> Value:
    return kinds.value(specs=specs)


@pytest.fixture(scope="module")
def landed(kinds: Fit, specs: pd.DataFrame) -> Landing:
    return landing(kinds, specs, 0.8)


def by_resolution(table: pd.DataFrame) -> dict[str, set[str]]:
    return table.groupby("resolution")["upscaling"].agg(set).to_dict()


@pytest.mark.parametrize("name", ["power", "value", "landed"])
def test_rows_are_native_but_where_only_upscaled_charts_compare(
    request: pytest.FixtureRequest, name: str
) -> None:
    answer = request.getfixturevalue(name)
    tables = {"power": ("cards",), "value": ("table", "pairs"), "landed": ("table", "places")}
    for table in tables[name]:
        assert by_resolution(getattr(answer, table)) == {
            "1920x1080": {"native"},
            SIZE: {"upscaled"},
            "3840x2160": {"native"},
            ALL: {"native"},
        }


def test_a_mean_over_all_resolutions_is_of_native_charts_alone(kinds: Fit, value: Value) -> None:
    cells = comparable_cells(kinds)
    native = cells[cells["upscaling"] == "native"]
    alone = {one.resolution: one for one in value_groups(kinds, native, ())}[ALL]
    rows = value.table[(value.table["resolution"] == ALL) & (value.table["basis"] == MEASURED)]
    rates = rows.set_index("card")["rate"]
    assert len(alone.places) == len(rates) > 3
    for place in alone.places:
        assert rates[place.card] == pytest.approx(np.exp(place.log_rate), rel=1e-12)


def test_results_of_the_other_kind_have_that_as_their_reason(power: Power) -> None:
    table = power.table.set_index(CELL)
    elsewhere = table[table.index.get_level_values("resolution") != SIZE]
    in_game = elsewhere[elsewhere.index.get_level_values("game") == GAME]
    assert set(in_game["reason"]) == {APART}
    assert not in_game["used"].any()
    card, game = MIXED
    mixed = table[(table.index.get_level_values("card") == card)]
    mixed = mixed[mixed.index.get_level_values("game") == game]
    native = mixed[mixed.index.get_level_values("resolution") == "3840x2160"]
    assert set(native["reason"]) == {BOTH_KINDS}
    assert set(table.loc[table["used"], "upscaling"]) == {"native", "upscaled"}
    assert set(table.xs(SIZE, level="resolution")["reason"]) & {APART} == set()


def test_the_rate_at_a_power_limit_is_not_held_against_one_of_the_other_kind(
    power: Power,
) -> None:
    limits = power.limits[power.limits["card"] == LIMITED]
    assert len(limits) > 1
    # Native and away from the ceiling at both limits: Game 2 and Game 3 at 3840x2160.
    assert set(limits["charts_used"]) == {2}
    assert limits["left_out"].str.contains(APART, regex=False).all()
    at = (LIMITED, "Bench", "Game 1", "High", "3840x2160")  # upscaled at its limits only
    assert power.table.set_index(CELL).loc[at, "used"]


def test_a_predicted_card_is_compared_on_charts_of_one_kind(kinds: Fit, landed: Landing) -> None:
    cells = kinds.cells.table
    native = cells[(cells["game"] != GAME) & (cells["resolution"] != SIZE)]
    most = native.groupby("card").size()
    overall = landed.overall(HELD_OUT, "Bench")
    assert len(overall) > 3
    for row in overall.to_dict(orient="records"):
        assert 0 < row["charts_used"] <= most[row["against"]]
