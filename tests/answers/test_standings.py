"""Standings: the same numbers as `lead` for every pair, and places on one basis for all cards."""

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.lead import ALL
from scalemodel.answers.standings import COLUMNS, Standings
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CARDS, Lab, Settings, simulate
from tests.conftest import HELD_OUT

NUMBERS = ["lead", "lower", "upper", "typical_lower", "typical_upper"]


@pytest.fixture(scope="module")
def found(lab_fit: Fit) -> Standings:
    return lab_fit.standings(0.8)


@pytest.fixture(scope="module")
def patchy(lab: Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """A lab with holes: cards tested on different games, one that fell, one on one chart only."""
    results = lab.results
    first = results["game"].isin(["Game 1", "Game 2"])
    gone = ((results["card"] == "Mirel 55") & first) | ((results["card"] == "Halvor D") & ~first)
    alone = results["card"] == "Halvor A"
    gone |= alone & ~((results["game"] == "Game 1") & (results["resolution"] == "3840x2160"))
    kept = results[~gone].copy()
    heavy = (kept["game"] == "Game 4") & (kept["resolution"] == "3840x2160")
    small = lab.cards.loc[lab.cards["memory_gb"] <= 12, "card"]
    kept.loc[heavy & kept["card"].isin(small), "avg_fps"] *= 0.4
    return fit(replace(lab, results=kept).bench(tmp_path_factory.mktemp("patchy")))


@pytest.fixture(scope="module")
def both_kinds(lab: Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """A lab with native and upscaled charts, at 2560x1440 upscaled ones only.

    One card was upscaled in a game in which the others were not; one has upscaled charts only.
    """
    results = lab.results.assign(upscaling="off")
    upscaled = results["game"].isin(["Game 1", "Game 2"]) | (results["resolution"] == "2560x1440")
    results.loc[upscaled, "upscaling"] = "quality"
    stray = (results["card"] == "Mirel 55") & (results["game"] == "Game 3")
    results.loc[stray, "upscaling"] = "quality"
    native = (results["card"] == "Halvor A") & (results["upscaling"] == "off")
    return fit(replace(lab, results=results[~native]).bench(tmp_path_factory.mktemp("kinds")))


def same_as_lead(fitted: Fit, standings: Standings) -> int:
    """Compare every row with what `lead` says of the pair and of the kind of charts of the row.

    Gives the number of rows.
    """
    rows = 0
    for (a, b), pair in standings.table.groupby(["a", "b"], sort=False):
        one = fitted.lead(str(a), str(b), standings.level).table
        charts, sums = one[one["row_kind"] == "chart"], one[one["row_kind"] == "summary"]
        for row in pair.to_dict(orient="records"):
            rows += 1
            there = sums[sums["platform"] == row["platform"]]
            there = there[there["resolution"] == row["resolution"]]
            told = there[there["charts_used"] > 0]
            same = (there if told.empty else told).iloc[0]  # native rows come first
            assert row["upscaling"] == ("" if told.empty else same["upscaling"])
            here = charts[(charts["platform"] == row["platform"]) & charts["used"].astype(bool)]
            here = here[here["upscaling"] == same["upscaling"]]
            if row["resolution"] != ALL:
                here = here[here["resolution"] == row["resolution"]]
            for name in NUMBERS:
                assert row[name] == pytest.approx(same[name], abs=1e-12, nan_ok=True), (a, b, name)
            assert row["reason"] == same["reason"]
            assert row["charts"] == same["charts_used"] == len(here)
            assert row["ties"] == here["within_test_error"].astype(bool).sum()
            assert row["odd"] == here["odd_one_out"].astype(bool).sum()
    return rows


def test_every_pair_has_the_numbers_of_lead(lab_fit: Fit, found: Standings) -> None:
    cards = [card[0] for card in CARDS if card[0] != HELD_OUT]
    assert same_as_lead(lab_fit, found) == 4 * len(list(combinations(cards, 2)))
    assert list(found.table) == list(COLUMNS)


def test_pairs_with_nothing_in_common_have_the_reason_of_lead(patchy: Fit) -> None:
    standings = patchy.standings(0.9)
    same_as_lead(patchy, standings)
    none = standings.table[standings.table["charts"] == 0]
    assert {"Mirel 55", "Halvor D"} in [{a, b} for a, b in zip(none["a"], none["b"], strict=True)]
    assert none[[*NUMBERS, "p_ahead"]].isna().all(axis=None)
    assert (none["reason"] != "").all()
    assert (standings.table.loc[standings.table["charts"] > 0, "reason"] == "").all()


def test_native_and_upscaled_charts_are_kept_apart_as_in_lead(both_kinds: Fit) -> None:
    standings = both_kinds.standings(0.8)
    assert same_as_lead(both_kinds, standings) == len(standings.table)
    kinds = standings.table.groupby("resolution")["upscaling"].agg(set)
    assert kinds["2560x1440"] <= {"upscaled", ""}
    assert {"native", "upscaled"} <= kinds["3840x2160"]
    overall = standings.table[standings.table["resolution"] == ALL]
    alone = (overall[["a", "b"]] == "Halvor A").any(axis=1)
    games = both_kinds.bench.results.groupby(["game", "resolution"]).ngroups
    assert overall.loc[alone, "charts"].max() > overall.loc[~alone, "charts"].max()
    assert overall["charts"].max() < games


def test_places_are_of_native_charts_where_there_are_any_at_a_resolution(both_kinds: Fit) -> None:
    places = both_kinds.standings(0.8).places.set_index(["card", "resolution"])
    kinds = places["upscaling"].groupby("resolution").agg(set)
    assert kinds.to_dict() == {
        "1920x1080": {"native"},
        "2560x1440": {"upscaled"},
        "3840x2160": {"native"},
    }
    only_upscaled = places.xs("2560x1440", level="resolution")
    assert only_upscaled["place"].notna().all()
    assert set(only_upscaled["charts"]) == {4}
    stray = places.loc[("Mirel 55", "3840x2160")]
    assert (stray["charts"], stray["measured"]) == (2, 1)
    assert "1 native or upscaled unlike the others" in stray["reason"]
    assert places.loc[("Halvor A", "3840x2160"), "measured"] == 0


def test_without_native_charts_places_are_of_the_upscaled_ones(
    lab: Lab, found: Standings, tmp_path: Path
) -> None:
    results = lab.results.assign(upscaling="balanced")
    upscaled = fit(replace(lab, results=results).bench(tmp_path, without=(HELD_OUT,)))
    places = upscaled.standings(0.8).places
    assert places["place"].equals(found.places["place"])


def test_the_first_card_of_a_pair_is_the_faster_one_overall(found: Standings) -> None:
    overall = found.table[found.table["resolution"] == ALL]
    assert (overall["lead"] >= 0).all()
    assert (overall["p_ahead"] >= 0.5).all()


def test_p_ahead_is_the_tail_of_the_distribution_behind_the_range(found: Standings) -> None:
    # Identity: an 80% range whose lower end is zero leaves 10% below it.
    table = found.table[found.table["charts"] > 0]
    sure = table["p_ahead"] > 0.9
    assert (sure == (table["lower"] > 0)).all()
    assert ((table["p_ahead"] < 0.1) == (table["upper"] < 0)).all()
    assert sure.any()
    assert not sure.all()


def test_places_are_those_of_the_true_gpu_rates(lab: Lab, found: Standings) -> None:
    """Cards at the ceiling are placed where they would be without it.

    The truth is the simulated rate without the ceiling. Ranges of other scenes are wider than these
    scenes need, so 80% of the truths is the least that 80% ranges must hold.
    """
    truth = lab.truth[lab.truth["card"] != HELD_OUT].copy()
    truth["log"] = np.log(truth["gpu_fps"])
    true = truth.groupby(["resolution", "card"])["log"].mean()
    true -= true.groupby("resolution").transform("mean")
    places = found.places.set_index(["resolution", "card"])
    assert (places["measured"] < places["charts"]).sum() >= 4
    ends = np.log1p(places[["over_field_lower", "over_field_upper"]].to_numpy(dtype=float)).T
    known = true[places.index].to_numpy()
    assert np.mean((ends[0] <= known) & (known <= ends[1])) >= 0.8
    for _, here in true[places.index].groupby("resolution", sort=False):
        sure = places.loc[here.index, "p_ahead_of_next"].to_numpy()[:-1] > 0.9
        assert sure.sum() >= 6
        assert (np.diff(here.to_numpy())[sure] < 0).all()


def test_places_run_from_one_on_and_lie_in_their_ranges(found: Standings) -> None:
    for _, here in found.places.groupby(["platform", "resolution"]):
        assert list(here["place"]) == list(range(1, len(here) + 1))
        assert (here["place_lower"] <= here["place"]).all()
        assert (here["place"] <= here["place_upper"]).all()
        assert here["rate_mean"].is_monotonic_decreasing
        inside = here["over_field"].between(here["over_field_lower"], here["over_field_upper"])
        assert inside.all()
        sure = here["p_ahead_of_next"].dropna()
        assert ((sure >= 0.4) & (sure <= 1)).all()


def test_the_same_fit_gives_the_same_standings(lab_fit: Fit, found: Standings) -> None:
    again = lab_fit.standings(0.8)
    assert again.table.equals(found.table)
    assert again.places.equals(found.places)


def test_a_wider_level_gives_wider_ranges(lab_fit: Fit, found: Standings) -> None:
    wide = lab_fit.standings(0.95).places
    assert (wide["over_field_lower"] < found.places["over_field_lower"]).all()
    assert (wide["place_lower"] <= found.places["place_lower"]).all()


def test_measured_rates_of_a_complete_bench_are_the_mean_rate(tmp_path: Path) -> None:
    # Without a ceiling in reach nothing is filled in: geometric means of the measured rates.
    far = Settings(ceilings={f"Game {n}": 5000.0 for n in range(1, 5)})
    fitted = fit(simulate(far).bench(tmp_path))
    cells = fitted.cells.table
    mean = np.exp(np.log(cells["rate"]).groupby([cells["card"], cells["resolution"]]).mean())
    places = fitted.standings(0.8).places
    wanted = [mean[(row.card, row.resolution)] for row in places.itertuples()]
    np.testing.assert_allclose(places["rate_mean"], wanted, rtol=1e-12)
    assert (places["reason"] == "").all()
    assert (places["measured"] == places["charts"]).all()


def test_what_is_filled_in_is_said(patchy: Fit) -> None:
    places = patchy.standings(0.8).places.set_index(["card", "resolution"])
    alone = places.loc[("Halvor A", "3840x2160")]
    assert alone["measured"] == 1
    assert alone["reason"] == "3 charts filled in by the model: 3 without a result"
    assert ("Halvor A", "1920x1080") not in places.index
    assert "1 fell for lack of memory" in places.loc[("Mirel 10", "3840x2160"), "reason"]


def test_where_nothing_compares_places_are_empty_with_the_reason(tmp_path: Path) -> None:
    low = Settings(ceilings={f"Game {n}": 20.0 for n in range(1, 5)}, resolutions=("1920x1080",))
    answer = fit(simulate(low).bench(tmp_path)).standings(0.8)
    assert answer.places["place"].isna().all()
    assert set(answer.places["reason"]) == {"no chart at this resolution compares two cards"}
    assert str(answer) == "On Bench no chart compares cards."


def test_the_words_say_who_is_first_and_how_sure_the_order_is(found: Standings) -> None:
    highest = found.places[found.places["resolution"] == "3840x2160"]
    unsure = int((highest["p_ahead_of_next"] < 0.8).sum())
    verb = "is" if unsure == 1 else "are"
    assert str(found) == (
        f"On Bench at 3840x2160 {highest['card'].iloc[0]} is the fastest of 10 cards over "
        f"4 charts; of 9 steps in the order {unsure} {verb} not certain."
    )


def test_a_level_that_is_no_share_is_refused(lab_fit: Fit) -> None:
    with pytest.raises(ScalemodelError, match=r"^A level of 1\.5 is not between 0 and 1"):
        lab_fit.standings(1.5)
