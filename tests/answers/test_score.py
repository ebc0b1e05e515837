"""Scores of held-out cards: counted by hand on four cards, and the same whoever does the work."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.score import Score
from scalemodel.answers.splits import cards_to_hold_out
from scalemodel.answers.workers import Cores
from scalemodel.errors import ScalemodelError
from tests.answers import small_lab
from tests.answers.small_lab import CHART, Settings

FOUR = ("Mirel 20", "Mirel 35", "Halvor B", "Halvor D")
GAMES = {"Game 1": 150.0, "Game 4": 700.0}
SMALL = Settings(ceilings=GAMES, resolutions=("2560x1440", "3840x2160"))
TABLES = ("table", "summary", "cards", "shifts", "calibration", "ranges")
METHODS = ["scalemodel", "nearest_card", "per_chart_regression"]
METHODS += ["gradient_boosting", "gaussian_process"]


def only(lab: small_lab.Lab, folder: Path, cards: tuple[str, ...]) -> Fit:
    return fit(lab.bench(folder, without=tuple(set(lab.cards["card"]) - set(cards))))


def assert_same(one: Score, other: Score) -> None:
    """Compare every table bit for bit, whatever the kind of its cells."""
    for name in TABLES:
        a, b = getattr(one, name), getattr(other, name)
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    assert str(one) == str(other)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    return only(small_lab.simulate(SMALL), tmp_path_factory.mktemp("four"), FOUR)


@pytest.fixture(scope="module")
def score(whole: Fit) -> Score:
    return whole.score(level=0.5, workers=Cores(1))


def test_groups_of_charts_are_summed_up_for_every_method(whole: Fit, score: Score) -> None:
    grouped = whole.score(level=0.5, by="game", workers=Cores(1))
    more = grouped.summary[~grouped.summary["group"].isin(score.summary["group"])]
    assert set(more["group"]) == {f"game: {game}" for game in GAMES}
    rest = grouped.summary[grouped.summary["group"].isin(score.summary["group"])]
    pd.testing.assert_frame_equal(rest.reset_index(drop=True), score.summary, check_exact=True)
    for (method, group), row in more.set_index(["method", "group"]).iterrows():
        assert row["cells"] == 8, method
        if method == "scalemodel":
            here = score.table[score.table["game"] == group.removeprefix("game: ")]
            assert row["mean_abs_error"] == pytest.approx(here["error"].abs().mean())
    with pytest.raises(ScalemodelError, match=r'^"engine" is not a column of results that can'):
        whole.score(by="engine")


def test_every_cell_is_a_row(score: Score, whole: Fit) -> None:
    assert len(score.table) == 4 * 4
    assert list(score.table)[:5] == ["card", *CHART]
    merged = score.table.merge(whole.cells.table, on=["card", *CHART])
    assert (merged["measured"] == merged["rate"]).all()
    assert (score.table["reason"] == "").all()
    assert_allclose(score.table["error"], np.log(score.table["median"] / score.table["measured"]))
    within = score.table["measured"].between(score.table["lower"], score.table["upper"])
    assert (score.table["inside"] == within).all()
    # The middle half of the prediction holds the rate if a quarter to three quarters lie below.
    clear = (score.table["pit"] - 0.5).abs().sub(0.25).abs() > 0.01
    assert clear.any()
    inside = score.table["pit"].between(0.25, 0.75)
    assert (score.table["inside"] == inside)[clear].all()


def test_it_is_what_a_fit_without_the_card_predicts(score: Score, whole: Fit) -> None:
    card = FOUR[1]
    less = whole.without((card,))
    sheet = whole.bench.cards[whole.bench.cards["card"] == card]
    told = less.predict(sheet, level=0.5).table.set_index(CHART)
    own = score.table[score.table["card"] == card].set_index(CHART)
    told = told.loc[own.index]
    # The same draws; test error is added to them for what a measurement shows.
    width = np.log(told["upper"] / told["lower"])
    assert (np.abs(np.log(own["median"] / told["median"])) < 0.1 * width).all()
    assert (own["p_ceiling"] == told["p_ceiling"]).all()


def test_sums_and_counts_by_hand(score: Score) -> None:
    table = score.table
    row = score.summary.set_index(["method", "group"]).loc[("scalemodel", "all")]
    size = np.abs(np.log(table["median"].to_numpy() / table["measured"].to_numpy()))
    assert_allclose(row["mean_abs_error"], size.sum() / 16)
    assert_allclose(row["median_abs_error"], np.sort(size)[7:9].mean())
    assert row["cells"] == 16
    assert row["cards"] == 4
    assert row["inside_50"] == table["inside"].sum() / 16
    width = np.log(table["upper"].to_numpy() / table["lower"].to_numpy())
    assert_allclose(row["width"], width.sum() / 16)
    lower, upper, y = (np.log(table[n].to_numpy()) for n in ("lower", "upper", "measured"))
    miss = np.maximum(lower - y, 0) + np.maximum(y - upper, 0)
    assert_allclose(row["interval_score"], np.mean(width + 4 * miss))  # 2 / (1 - 0.5)
    assert_allclose(row["crps"], table["crps"].mean())
    groups = score.summary[score.summary["method"] == "scalemodel"].set_index("group")["cells"]
    assert groups["2560x1440"] == groups["3840x2160"] == 8
    if "at the ceiling" in groups.index:
        assert groups["at the ceiling"] + groups["below the ceiling"] == 16
    card = score.cards.set_index("card").loc[FOUR[0]]
    own = table[table["card"] == FOUR[0]]
    assert card["cells"] == 4
    assert_allclose(card["mean_error"], own["error"].sum() / 4)
    assert_allclose(card["scatter"], np.sqrt(((own["error"] - card["mean_error"]) ** 2).mean()))
    assert card["inside"] == own["inside"].sum() / 4
    # Every cell of a card against the three others on its chart.
    named = score.calibration[score.calibration["what"].str.startswith("p_faster")]
    assert named["count"].sum() == 16 * 3


def test_the_nearest_card_by_hand(score: Score, whole: Fit) -> None:
    """The rate of the card with the nearest specs, times the ratio of shaders x clock."""
    cells = whole.cells.table
    sheets = whole.bench.cards.set_index("card")
    specs = np.log(sheets[["shader_rate", "bandwidth_gbs", "cache_mb", "raster_rate"]])
    peer = score.ranges[(score.ranges["method"] == "nearest_card") & (score.ranges["level"] == 0.5)]
    errors = {}
    for card in FOUR:
        others = [name for name in FOUR if name != card]
        near = min(others, key=lambda name: np.linalg.norm(specs.loc[name] - specs.loc[card]))
        factor = sheets.loc[card, "shader_rate"] / sheets.loc[near, "shader_rate"]
        rate = cells[cells["card"] == near].set_index(CHART)["rate"] * factor
        own = peer[peer["card"] == card].set_index(CHART)
        assert_allclose(own["median"], rate.loc[own.index])
        measured = cells[cells["card"] == card].set_index(CHART)["rate"].loc[own.index]
        errors[card] = np.abs(np.log(own["median"] / measured)).to_numpy()
    for card in FOUR:
        # Three other cards weigh 1/4 each, shared by four cells: half is reached with the eighth.
        others = np.sort(np.concatenate([errors[name] for name in FOUR if name != card]))
        own = peer[peer["card"] == card]
        assert_allclose(np.log(own["upper"] / own["median"]), others[7])
    row = score.summary.set_index(["method", "group"]).loc[("nearest_card", "all")]
    assert_allclose(row["mean_abs_error"], np.mean([errors[card].mean() for card in FOUR]))


def test_three_cards_cannot_promise_eighty_percent(score: Score) -> None:
    """ceil(0.8 x 4) = 4 cards would be needed; the reason stands where the number would."""
    row = score.summary.set_index(["method", "group"]).loc[("nearest_card", "all")]
    assert np.isnan(row["inside_80"])
    assert np.isfinite(row["inside_50"])
    assert row["reason"] == "too few other cards to promise a level of 80%"


def test_all_methods_are_judged_on_the_same_cells(score: Score) -> None:
    keys = {
        method: set(part[["card", *CHART]].itertuples(index=False, name=None))
        for method, part in score.ranges.groupby("method")
    }
    assert set(keys) == set(METHODS)
    assert len(set(map(frozenset, keys.values()))) == 1


def test_it_says_itself_in_one_paragraph(score: Score) -> None:
    words = str(score)
    assert words.startswith("Held out in turn, 4 cards were predicted within ")
    assert "the best plain peer: " in words
    assert " of 16 measured rates lie in the 50% ranges, which are " in words
    assert "nan" not in words
    assert "\n" not in words


def test_one_process_or_two(whole: Fit, score: Score) -> None:
    assert_same(whole.score(level=0.5, workers=Cores(2)), score)


def test_progress_is_told_piece_by_piece(whole: Fit) -> None:
    seen: list[tuple[int, int]] = []
    whole.score(workers=Cores(1), progress=lambda done, total: seen.append((done, total)))
    assert seen == [(k, 8) for k in range(1, 9)]


def test_a_scene_restricts_what_is_judged_not_what_is_held_out(whole: Fit, score: Score) -> None:
    part = whole.score(level=0.5, scene="Game 4 | High", workers=Cores(1))
    assert set(part.table["game"]) == {"Game 4"}
    assert len(part.table) == 8
    both = score.table[score.table["game"] == "Game 4"].reset_index(drop=True)
    assert_allclose(part.table["median"], both["median"], rtol=0.01)  # other test errors drawn
    assert part.calibration.loc[part.calibration["what"] != "p_ceiling", "count"].sum() == 8 * 3
    assert "were predicted in Game 4 | High within" in str(part)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"scene": "Game 9"}, r'No scene is named "Game 9"\. Allowed: a game, or a scene'),
        ({"level": 80.0}, "A level of 80 is not between 0 and 1"),
        ({"held_out": "some"}, "Allowed: each, largest, newest_architecture"),
        ({"held_out": "newest_architecture"}, "Fen, Moor, Strand without a release_date"),
    ],
)
def test_what_cannot_be_asked(tmp_path: Path, asked: dict[str, object], message: str) -> None:
    whole = only(small_lab.simulate(SMALL), tmp_path, (*FOUR, "Mirel 10"))
    with pytest.raises(ScalemodelError, match=message):
        whole.score(**asked)  # type: ignore[arg-type]


def test_three_cards_are_too_few(tmp_path: Path) -> None:
    whole = only(small_lab.simulate(SMALL), tmp_path, FOUR[:3])
    with pytest.raises(
        ScalemodelError, match=r"2 cards would be left to predict from\. Needed: at least 3 besides"
    ):
        whole.score()


def test_the_largest_are_those_with_most_shaders_times_clock(lab_fit: Fit) -> None:
    answer = lab_fit.score(held_out="largest", workers=Cores(1))
    assert set(answer.table["card"]) == {"Mirel 55", "Halvor D"}  # a fifth of ten cards
    assert str(answer).startswith("Held out at once, the 2 cards with most shaders x clock were")
    assert answer.summary["mean_abs_error"].notna().all()


def dated(whole: Fit) -> Fit:
    years = {"Fen": 2021.0, "Moor": 2024.5, "Strand": 2023.0}
    cards = whole.bench.cards
    sheets = cards.assign(release_year=cards["architecture"].map(years))
    return replace(whole, bench=replace(whole.bench, cards=sheets))


def test_the_newest_architecture_is_held_out_whole(lab_fit: Fit) -> None:
    (cards,) = cards_to_hold_out(dated(lab_fit), "newest_architecture")
    assert set(cards) == {"Mirel 25", "Mirel 35", "Mirel 55"}


@pytest.fixture
def awkward(tmp_path: Path) -> tuple[small_lab.Lab, Path]:
    return small_lab.simulate(SMALL), tmp_path


def test_what_fell_and_what_nobody_else_tested_is_judged_for_nobody(
    awkward: tuple[small_lab.Lab, Path],
) -> None:
    lab, folder = awkward
    small = lab.cards["memory_gb"].where(lab.cards["card"] != FOUR[0], 6)
    cards = lab.cards.assign(memory_gb=small)
    results = lab.results
    fell = (results["card"] == FOUR[0]) & (results["game"] == "Game 1")
    fell &= results["resolution"] == "3840x2160"
    results.loc[fell, "avg_fps"] *= 0.3
    alone = (results["card"] != FOUR[1]) & (results["game"] == "Game 4")
    alone &= results["resolution"] == "2560x1440"
    changed = small_lab.Lab(cards, results[~alone], lab.truth)
    answer = only(changed, folder, (*FOUR, "Mirel 55")).score(workers=Cores(1))
    why = answer.table[answer.table["reason"] != ""].set_index(["card", "resolution"])["reason"]
    assert why.to_dict() == {
        (FOUR[0], "3840x2160"): "fell for lack of memory",
        (FOUR[1], "2560x1440"): "no other card was tested on this chart",
    }
    assert answer.table.loc[answer.table["reason"] != "", "inside"].isna().all()
    assert (answer.summary.loc[answer.summary["group"] == "all", "cells"] == 5 * 4 - 4 - 2).all()
    assert str(answer).endswith("2 cells are judged for nobody.")


def test_a_card_with_one_result_is_judged_on_it(awkward: tuple[small_lab.Lab, Path]) -> None:
    lab, folder = awkward
    few = (lab.results["card"] == FOUR[0]) & (
        (lab.results["game"] != "Game 4") | (lab.results["resolution"] != "3840x2160")
    )
    answer = only(
        small_lab.Lab(lab.cards, lab.results[~few], lab.truth), folder, (*FOUR, "Mirel 55")
    ).score(workers=Cores(1))
    own = answer.cards.set_index("card").loc[FOUR[0]]
    assert own["cells"] == 1
    assert own["scatter"] == 0
    assert np.isfinite(own["p"])


def test_all_charts_at_the_ceiling(tmp_path: Path) -> None:
    low = Settings(ceilings=dict.fromkeys(GAMES, 20.0), resolutions=SMALL.resolutions)
    answer = only(small_lab.simulate(low), tmp_path, (*FOUR, "Mirel 55")).score(workers=Cores(1))
    assert (answer.table["reason"] == "").all()
    row = answer.summary.set_index(["method", "group"]).loc[("scalemodel", "all")]
    assert row["mean_abs_error"] < 0.02  # cells stray by 0.8%, and so does what is known of a card
    assert "nan" not in str(answer)
