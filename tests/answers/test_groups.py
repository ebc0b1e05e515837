"""Groups of charts: native and upscaled apart, and whether a lead differs between groups."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.groups import UPSCALED_ONE
from scalemodel.answers.lead_groups import MIXED, ONE_GROUP, ONE_SCENE
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CHART, Lab, Settings, simulate

A, B = "Mirel 55", "Halvor D"
GAMES = {f"Game {n}": 700.0 for n in (1, 2, 3, 4)}


def grouped(lab: Lab, by_game: dict[str, str], column: str = "engine") -> pd.DataFrame:
    return lab.results.assign(**{column: lab.results["game"].map(by_game)})


@pytest.fixture(scope="module")
def free() -> Lab:
    """Return a lab in which no card comes near a ceiling."""
    return simulate(Settings(ceilings=GAMES, cell_sd=0.002))


def asked(lab: Lab, results: pd.DataFrame, folder: Path) -> Fit:
    return fit(replace(lab, results=results).bench(folder))


HALVES = {"Game 1": "north", "Game 2": "north", "Game 3": "south", "Game 4": "south"}


def test_a_planted_difference_is_found_with_its_size(free: Lab, tmp_path: Path) -> None:
    results = grouped(free, HALVES)
    north = (results["card"] == A) & (results["engine"] == "north")
    results.loc[north, "avg_fps"] *= 1.4
    answer = asked(free, results, tmp_path).lead_by("engine", A, B)
    (pair,) = answer.table[answer.table["row_kind"] == "difference"].to_dict(orient="records")
    assert (pair["group"], pair["other"], pair["verdict"]) == ("north", "south", "different")
    assert pair["lower"] < 0.4 < pair["upper"]
    groups = answer.table[answer.table["row_kind"] == "group"]
    assert groups["charts_used"].sum() == answer.charts["used"].sum()
    assert " with engine north (" in str(answer)


def test_scenes_are_not_taken_for_so_many_independent_charts(free: Lab, tmp_path: Path) -> None:
    answer = asked(free, grouped(free, HALVES), tmp_path).lead_by("engine", A, B)
    (pair,) = answer.table[answer.table["row_kind"] == "difference"].to_dict(orient="records")
    charts = answer.charts[answer.charts["used"].astype(bool)]
    leads = np.log1p(charts["lead"].astype(float))
    spread = leads.groupby(charts["group"]).std() / np.sqrt(leads.groupby(charts["group"]).size())
    plain = 2 * 1.28 * np.hypot(*spread)  # as if every chart were a scene of its own
    assert np.log1p(pair["upper"]) - np.log1p(pair["lower"]) > plain
    assert pair["verdict"] != "different"


def test_what_cannot_be_told_has_its_reason(free: Lab, tmp_path: Path) -> None:
    one = asked(free, grouped(free, dict.fromkeys(HALVES, "north")), tmp_path / "a")
    whole = one.lead_by("engine", A, B).table
    assert whole.loc[whole["row_kind"] == "all", "reason"].tolist() == [ONE_GROUP]
    alone = asked(free, grouped(free, {**HALVES, "Game 2": "south"}), tmp_path / "b")
    table = alone.lead_by("engine", A, B).table
    pair = table[table["row_kind"] == "difference"].iloc[0]
    assert (pair["verdict"], pair["reason"]) == ("", ONE_SCENE)
    results = grouped(free, HALVES)
    results.loc[results["card"] == A, "engine"] = "east"
    mixed = asked(free, results, tmp_path / "c").lead_by("engine", A, B)
    assert set(mixed.charts["reason"]) == {MIXED}
    assert str(mixed) == (
        f"On Bench the lead of {A} over {B} cannot be grouped by engine: {MIXED}."
    )


@pytest.mark.parametrize("column", ["avg_fps", "card", "run", "no_such"])
def test_columns_that_cannot_group_are_refused(lab_fit: Fit, column: str) -> None:
    with pytest.raises(ScalemodelError, match=f'^"{column}" is not a column of results that can'):
        lab_fit.lead_by(column, A, B)


def test_upscaled_and_native_charts_have_means_of_their_own(free: Lab, tmp_path: Path) -> None:
    kinds = {"Game 1": "off", "Game 2": "", "Game 3": "quality", "Game 4": "quality"}
    fitted = asked(free, grouped(free, kinds, "upscaling"), tmp_path)
    answer = fitted.lead(A, B)
    charts = answer.table[answer.table["row_kind"] == "chart"]
    overall = answer.table[answer.table["resolution"] == "(all)"].set_index("upscaling")
    assert list(overall.index) == ["native", "upscaled"]
    for kind, row in overall.iterrows():
        used = charts[charts["used"].astype(bool) & (charts["upscaling"] == kind)]
        mean = np.exp(np.log1p(used["lead"].astype(float)).mean()) - 1
        assert row["lead"] == pytest.approx(mean)
        assert row["charts_used"] == len(used)
    assert " native charts" in str(answer)
    assert "Apart from that, " in str(answer)
    both = fitted.lead(A, B, together=True).table
    whole = both[both["resolution"] == "(all)"]
    assert whole["upscaling"].tolist() == ["together"]
    assert whole["charts_used"].tolist() == [int(overall["charts_used"].sum())]


def test_one_upscaled_card_is_not_compared_with_a_native_one(free: Lab, tmp_path: Path) -> None:
    results = free.results.assign(upscaling="off")
    results.loc[(results["card"] == A) & (results["game"] == "Game 1"), "upscaling"] = "quality"
    table = asked(free, results, tmp_path).lead(A, B).table
    told = table[(table["row_kind"] == "chart") & (table["game"] == "Game 1")]
    assert set(told["reason"]) == {UPSCALED_ONE}
    assert told["lead"].notna().all()
    assert not table[CHART].duplicated().any()
