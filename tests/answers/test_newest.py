"""Which two cards, and which columns, the report groups charts by."""

from dataclasses import replace

import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.lead import ALL
from scalemodel.answers.newest import MOST_GROUPS, kind_columns, newest_by_kinds, newest_pair
from scalemodel.answers.standings import Standings
from scalemodel.data.bench import Bench
from scalemodel.errors import ScalemodelError

PAIR = ("Mirel 55", "Halvor D")


@pytest.fixture(scope="module")
def standings(lab_fit: Fit) -> Standings:
    return lab_fit.standings()


def dated(bench: Bench, days: dict[str, str]) -> Bench:
    column = [days.get(str(card), "") for card in bench.cards["card"]]
    return replace(bench, cards=bench.cards.assign(release_date=column))


def nearest(standings: Standings, card: str) -> str:
    rows = standings.table[standings.table["resolution"] == ALL]
    own = rows[(rows["a"] == card) | (rows["b"] == card)].copy()
    own["ratio"] = (1 + own["lead"]).map(lambda ratio: max(ratio, 1 / ratio))
    row = own.sort_values("ratio").iloc[0]
    return str(row["b"] if row["a"] == card else row["a"])


def test_the_newest_card_is_held_against_the_nearest_in_rate(
    lab_fit: Fit, standings: Standings
) -> None:
    bench = dated(lab_fit.bench, {"Halvor B": "2025-03-02", "Mirel 55": "2024-12-30"})
    assert newest_pair(bench, standings) == ("Halvor B", nearest(standings, "Halvor B"))


def test_of_several_or_without_days_it_is_the_fastest(lab_fit: Fit, standings: Standings) -> None:
    first = str(standings.table.loc[standings.table["resolution"] == ALL, "a"].iloc[0])
    for day in ("", "2025-01-01"):
        days = {str(card): day for card in lab_fit.bench.cards["card"]}
        assert newest_pair(dated(lab_fit.bench, days), standings)[0] == first


def test_columns_that_part_charts_into_a_few_kinds_are_taken(lab_fit: Fit) -> None:
    results = lab_fit.bench.results
    games = results["game"]
    of_card = results["card"].map(lambda card: "a" if card == PAIR[0] else "b")
    bench = replace(
        lab_fit.bench,
        results=results.assign(
            engine=games.map(lambda game: "north" if game < "Game 3" else "south"),
            alike="always",
            of_card=of_card,
            own_name=games + results["resolution"],
            driver=games,
            ray_tracing=games.map(lambda game: "yes" if game == "Game 1" else "no"),
        ),
    )
    assert games.nunique() * results["resolution"].nunique() > MOST_GROUPS
    assert set(kind_columns(bench, PAIR)) == {"engine", "ray_tracing"}


def test_without_such_a_column_the_reason_says_what_to_do(
    lab_fit: Fit, standings: Standings
) -> None:
    a, b = newest_pair(lab_fit.bench, standings)
    with pytest.raises(ScalemodelError) as caught:
        newest_by_kinds(lab_fit, standings, 0.8)
    assert str(caught.value) == (
        f"No column of results parts the charts of {a} and {b} into kinds. Fill ray_tracing or "
        "upscaling, or add a column of your own, such as engine."
    )


def test_without_a_pair_there_is_nothing_to_group(lab_fit: Fit, standings: Standings) -> None:
    none = replace(standings, table=standings.table.assign(reason="no result"))
    with pytest.raises(ScalemodelError, match=r"^No chart compares two cards\.$"):
        newest_by_kinds(lab_fit, none, 0.8)
