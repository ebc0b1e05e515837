"""Lows beside averages: what was held back is found, with a hint at memory or not."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.lows import CELL_TABLE, lows
from scalemodel.answers.lows_relation import FELL, low_cells, low_runs
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CELL, Lab, Settings, simulate

KEYS = ["card", "game", "preset"]
CELL_SD = 0.008
"""What lows of cells stray beyond test error."""


def with_lows(lab: Lab, held: dict[tuple[str, str], float], seed: int = 2) -> Lab:
    """Give every run a 1% low: four fifths of its average, less where a card is held back."""
    rng = np.random.default_rng(seed)
    factor = [
        held.get(key, 1.0) for key in zip(lab.results["card"], lab.results["game"], strict=True)
    ]
    cell = lab.results.groupby(CELL, sort=False).ngroup().to_numpy()
    stray = CELL_SD * rng.standard_normal(cell.max() + 1)[cell]
    noise = np.exp(0.008 * rng.standard_normal(len(cell)) + stray)
    low = 0.8 * lab.results["avg_fps"] * noise * factor
    return replace(lab, results=lab.results.assign(low_1pct_fps=low.round(3)))


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Fit:
    faults = {("Halvor C", "Game 4"): 0.85, ("Mirel 10", "Game 2"): 0.9}
    return fit(with_lows(simulate(), faults).bench(tmp_path_factory.mktemp("lows")))


def test_cards_held_back_in_a_scene_are_found_and_nothing_else(held: Fit) -> None:
    answer = held.lows()
    out = answer.places[answer.places["out_of_step"]]
    assert set(out[KEYS].itertuples(index=False, name=None)) == {
        ("Halvor C", "Game 4", "High"),
        ("Mirel 10", "Game 2", "High"),
    }
    found = out.set_index("card")["apart"]
    assert found["Halvor C"] == pytest.approx(-0.15, abs=0.02)
    assert found["Mirel 10"] == pytest.approx(-0.10, abs=0.02)
    assert list(answer.table) == list(CELL_TABLE)
    words = (
        f"1% low of Halvor C in Game 4 | High is {-found['Halvor C']:.0%} below what its average"
    )
    assert words in str(answer)


def test_memory_is_named_only_where_it_may_be_the_cause(held: Fit) -> None:
    hints = held.lows().places.set_index(["card", "game"])["hint"]
    assert hints["Halvor C", "Game 4"] == "cards with no more memory are in step: not its memory"


def test_what_is_smaller_than_the_margin_is_in_step(held: Fit) -> None:
    out = held.lows(margin=0.12)
    assert list(out.places.loc[out.places["out_of_step"], "card"]) == ["Halvor C"]
    none = held.lows(margin=0.3)
    assert not none.places["out_of_step"].any()
    assert "is where the average says, within 30% or test error." in str(none)


def test_expected_lows_hold_sound_ones_at_their_level(held: Fit) -> None:
    table = held.lows(level=0.8).table
    sound = table[~table["card"].isin(["Halvor C", "Mirel 10"])]
    inside = sound["low_fps"].between(sound["expected_lower_fps"], sound["expected_upper_fps"])
    assert 0.7 < inside.mean() < 0.9  # 108 cells: the sd of the share is 0.04


def test_steps_go_from_none_far_below_the_ceiling_to_all_far_above(held: Fit) -> None:
    cells = low_cells(held, low_runs(held, "low_1pct"))
    steps, spread = cells.steps, np.diagonal(cells.unsure, axis1=1, axis2=2)
    assert ((steps > -1e-12) & (steps < 1 + 1e-12)).all()
    assert (np.diff(steps, axis=1) < 1e-9).all()  # later steps are done later
    assert (spread <= steps * (1 - steps) + 1e-9).all()  # the most that a share can stray
    order = np.argsort(cells.table["sensitivity"].to_numpy())
    assert steps[order[-10:], 0].max() < steps[order[:10], 0].min() + 1e-9


def test_cells_that_fell_for_memory_are_not_judged(lab: Lab, tmp_path: Path) -> None:
    small = lab.cards.loc[lab.cards["memory_gb"] <= 12, "card"]
    fell = (lab.results["game"] == "Game 4") & (lab.results["resolution"] == "3840x2160")
    results = lab.results.copy()
    results.loc[fell & results["card"].isin(small), "avg_fps"] *= 0.4
    found = fit(with_lows(replace(lab, results=results), {}).bench(tmp_path)).lows()
    told = found.table[found.table["reason"] == FELL]
    assert set(told["card"]) == set(small)
    assert told["p"].isna().all()


def test_what_cannot_be_asked(held: Fit, lab_fit: Fit, tmp_path: Path) -> None:
    with pytest.raises(ScalemodelError, match="is not a low"):
        held.lows("average")
    with pytest.raises(ScalemodelError, match="no run has low_01pct_fps"):
        held.lows("low_01pct")
    with pytest.raises(ScalemodelError, match="no run has low_1pct_fps"):
        lab_fit.lows()
    other = fit(with_lows(simulate(), {}).bench(tmp_path), metric="low_1pct")
    with pytest.raises(ScalemodelError, match="fit the metric average"):
        lows(other)


def test_few_cards_have_a_reason(tmp_path: Path) -> None:
    lab = with_lows(simulate(Settings(runs=2)), {})
    few = lab.results["card"].isin(["Mirel 10", "Mirel 20", "Mirel 30", "Halvor D"])
    answer = fit(replace(lab, results=lab.results[few]).bench(tmp_path)).lows()
    assert answer.table["reason"].str.startswith("fewer than 5 cards").all()
    assert str(answer).startswith("On Bench lows cannot be judged: fewer than 5 cards")


def test_the_demo_tells_what_was_planted(demo_fit: Fit) -> None:
    for metric in ("low_1pct", "low_01pct"):
        answer = demo_fit.lows(metric)
        out = answer.places[answer.places["out_of_step"]]
        assert set(out[KEYS].itertuples(index=False, name=None)) == {
            ("Tumarin S5", "Tidewright", "epic"),
            ("Tumarin S5", "Farrow's Keep", "very high"),
        }
        assert out["apart"].to_numpy() == pytest.approx([-0.2, -0.2], abs=0.02)


def test_a_hint_at_memory() -> None:
    from scalemodel.answers.lows_reasons import memory_hint

    cards = ["A 8", "B 8", "C 16", "D 24"]
    places = pd.DataFrame({"card": cards, "apart": [-0.2, -0.3, 0.0, 0.01]}).assign(
        platform="P", game="G", preset="High", out_of_step=[True, True, False, False]
    )
    memory = pd.Series({"A 8": 8.0, "B 8": 8.0, "C 16": 16.0, "D 24": 24.0})
    told = "8 GB of memory may not suffice"
    assert memory_hint(places, memory) == [told, told, "", ""]
