"""Latency: the line against frame time, cards that break from it, ties, cards to come."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit
from scalemodel.answers.latency import CELL_TABLE_COLUMNS, Latency, latency
from scalemodel.answers.latency_cells import NO_CELL, NO_PLATFORM
from scalemodel.answers.spread import ALL
from scalemodel.data.bench import read_bench, read_specs
from scalemodel.errors import ScalemodelError
from tests.answers import latency_bench
from tests.answers.latency_bench import CARDS, CELL, CONSTANT, FRAMES

TRUTH = Path(__file__).parents[2] / "datasets" / "demo" / "truth_latency.csv"


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Latency:
    return latency(latency_bench.bench(tmp_path_factory.mktemp("plain")))


@pytest.fixture(scope="module")
def demo(demo_fit: Fit, demo_folder: Path) -> Latency:
    specs = read_specs(demo_folder / "specs.csv")
    return latency(demo_fit.bench, fit=demo_fit, specs=specs)


def test_the_line_of_each_scene_holds_the_truth(plain: Latency) -> None:
    lines = plain.lines.set_index("game")
    for game, constant in CONSTANT.items():
        low, high = lines.loc[game, "constant_lower_ms"], lines.loc[game, "constant_upper_ms"]
        middle = lines.loc[game, "constant_ms"]
        assert abs(middle - constant) < 2 * (high - low)  # the range is of 80%: 1.28 sds each way
        assert abs(lines.loc[game, "frames"] - FRAMES) < 0.1
    whole = lines.loc[ALL]
    assert whole["bought_ms"] == pytest.approx(whole["frames"] * (1000 / 200 - 1000 / 300))
    assert whole["waiting_frames"] == pytest.approx(whole["frames"] - 1.5)
    assert list(plain.table) == list(CELL_TABLE_COLUMNS)
    assert plain.source == "shots"
    assert str(plain).endswith("Without a fit the ceiling is not taken into account.")


def test_cells_agree_with_the_plain_mean_of_sound_shots(plain: Latency) -> None:
    shots = plain.cells.runs.table
    mean = shots.groupby(CELL, sort=False)["latency_ms"].mean().to_numpy()
    se = 2.0 / np.sqrt(30)
    np.testing.assert_allclose(plain.table["latency_ms"], mean, atol=se)
    width = plain.table["upper_ms"] - plain.table["lower_ms"]
    assert width.median() == pytest.approx(2 * 1.2816 * se, rel=0.15)


def test_no_card_breaks_where_none_does(plain: Latency) -> None:
    assert not plain.cards["breaks"].any()
    assert "No card breaks from the line." in str(plain)


def test_a_card_that_breaks_is_named_with_its_range(tmp_path: Path) -> None:
    found = latency(latency_bench.bench(tmp_path, extra_ms={CARDS[3]: 5.0}))
    cards = found.cards.set_index("card")
    assert list(cards.index[cards["breaks"]]) == [CARDS[3]]
    assert cards.loc[CARDS[3], "apart_ms"] == pytest.approx(5.0, abs=1.0)
    assert f"{CARDS[3]} breaks from the line: +" in str(found)
    wide = latency(latency_bench.bench(tmp_path, extra_ms={CARDS[3]: 5.0}), margin_ms=8.0)
    assert not wide.cards["breaks"].any()  # sure, but less than matters


def test_cards_a_little_apart_are_not_called_different(tmp_path: Path) -> None:
    """Common practice, no source: below about 1 ms apart cards are usually tied at 30 shots."""
    results, shots = latency_bench.tables()
    shots = shots[shots["card"].isin(CARDS[:2])]
    rng = np.random.default_rng(5)
    level = np.where(shots["card"] == CARDS[0], 30.0, 30.6)
    shots = shots.assign(latency_ms=(level + 4 * rng.standard_normal(len(shots))).round(2))
    answer = latency(read_bench(latency_bench.write(tmp_path, results, shots)))
    charts = answer.compare(*CARDS[:2])
    one = charts[charts["row_kind"] == "chart"]
    assert len(one) == 4
    assert (one["verdict"] == "different").sum() <= 1  # 0.6 sds apart: each with a chance of 9%
    assert charts.iloc[-1]["game"] == ALL


def test_equal_cards_with_many_shots_are_tied(tmp_path: Path) -> None:
    results, shots = latency_bench.tables(shots=200)
    rng = np.random.default_rng(6)
    shots = shots.assign(latency_ms=(30 + rng.standard_normal(len(shots))).round(2))
    answer = latency(read_bench(latency_bench.write(tmp_path, results, shots)))
    assert set(answer.pairs["verdict"]) == {"tied"}
    assert len(answer.pairs) == 8 * 7 / 2


def test_another_platform_is_never_mixed_in(tmp_path: Path) -> None:
    answer = latency(latency_bench.bench(tmp_path, platform="Rig"))
    assert set(answer.table["reason"]) == {NO_PLATFORM}
    assert answer.table["frame_ms"].isna().all()
    assert answer.lines["reason"].tolist() == [NO_PLATFORM]
    assert not answer.pairs.empty  # cards are still compared with each other
    assert "there is no line of latency: no rate was measured on this platform" in str(answer)


def test_a_cell_without_a_rate_has_its_reason(tmp_path: Path) -> None:
    results, shots = latency_bench.tables()
    gone = (results["card"] == CARDS[0]) & (results["game"] == "Game 0")
    answer = latency(read_bench(latency_bench.write(tmp_path, results[~gone], shots)))
    assert (answer.table["reason"] == NO_CELL).sum() == 2
    assert answer.table.loc[answer.table["reason"] == NO_CELL, "expected_ms"].isna().all()


def test_a_wild_shot_is_flagged_and_hardly_counts(tmp_path: Path) -> None:
    results, shots = latency_bench.tables()
    shots.loc[7, "latency_ms"] = 140.0
    answer = latency(read_bench(latency_bench.write(tmp_path, results, shots)))
    flagged = answer.shots[answer.shots["found_by"] != ""]
    assert flagged["shot"].tolist() == ["8"]
    assert float(flagged["weight"].iloc[0]) < 0.01


def test_what_cannot_be_asked(tmp_path: Path) -> None:
    results, shots = latency_bench.tables()
    none = read_bench(latency_bench.write(tmp_path / "a", results, shots.iloc[:0]))
    with pytest.raises(ScalemodelError, match=r"there is no shot in latency.csv and no run with"):
        latency(none)
    some = read_bench(latency_bench.write(tmp_path / "b", results, shots))
    with pytest.raises(ScalemodelError, match=r"no run with latency_ms\. Fix: ask for shots\.$"):
        latency(some, source="runs")
    with pytest.raises(ScalemodelError, match="takes a fit"):
        latency(some, specs=pd.DataFrame())
    with pytest.raises(ScalemodelError, match="not two different rates"):
        latency(some, between=(200.0, 200.0))
    with pytest.raises(ScalemodelError, match="cannot be tested"):
        latency(some, margin_ms=0.0)
    answer = latency(some)
    with pytest.raises(ScalemodelError, match=r'^No latency of the card "Kc" was measured'):
        answer.compare("Kc", CARDS[0])


def test_the_demo_tells_what_was_planted(demo: Latency) -> None:
    cards = demo.cards.set_index("card")
    assert list(cards.index[cards["breaks"]]) == ["Kivand L200"]
    assert cards.loc["Kivand L200", "apart_frames"] == pytest.approx(1.0, abs=0.2)
    flagged = demo.shots[demo.shots["found_by"] != ""]
    assert flagged[["card", "shot"]].to_numpy().tolist() == [["Ostrel T60", "9"]]
    whole = demo.lines[demo.lines["game"] == ALL].iloc[0]
    assert whole["frames_lower"] < 2.5 < whole["frames_upper"]


def test_ranges_of_the_demo_hold_the_true_means(demo: Latency) -> None:
    truth = pd.read_csv(TRUTH).merge(demo.table, on=CELL, suffixes=("_true", ""))
    inside = truth["latency_ms_true"].between(truth["lower_ms"], truth["upper_ms"])
    assert len(truth) == len(demo.table)
    assert inside.mean() > 0.7  # 80% ranges, 80 cells: fewer has a chance below 2%
    assert (truth["least_ms"] < truth["latency_ms_true"]).all()


def test_cards_to_come_have_ranges_where_a_line_is(demo: Latency) -> None:
    told = demo.ahead[demo.ahead["reason"] == ""]
    assert set(told["game"]) == {"Saltmarch", "Pale Circuit", "Oxbow"}
    assert set(told["platform"]) == {"open bench"}
    assert (told["least_ms"] < told["lower_ms"]).all()
    assert (told["lower_ms"] < told["median_ms"]).all()
    rest = demo.ahead[demo.ahead["reason"] != ""]
    assert rest["median_ms"].isna().all()


def test_the_same_question_has_the_same_answer(demo_fit: Fit, demo: Latency) -> None:
    again = latency(demo_fit.bench, fit=demo_fit)
    pd.testing.assert_frame_equal(again.lines, demo.lines)
    pd.testing.assert_frame_equal(again.table, demo.table)
