"""Tables begin with the columns that are promised, in their order; every answer has its words."""

import pandas as pd
import pytest

from scalemodel.answers.comparison import compare
from scalemodel.answers.fitting import Fit
from scalemodel.answers.flagged import COLUMNS as RUN_COLUMNS
from scalemodel.answers.spread import SCENE_COLUMNS, TABLE_COLUMNS
from scalemodel.answers.stale import COLUMNS as STALE_COLUMNS
from scalemodel.errors import ScalemodelError
from tests.conftest import HELD_OUT

CHART = ["platform", "game", "preset", "resolution"]


def sheet(of: Fit, card: str = HELD_OUT) -> pd.DataFrame:
    return of.bench.cards[of.bench.cards["card"] == card]


def test_ceilings(lab_fit: Fit) -> None:
    answer = lab_fit.ceilings()
    columns = ["card", *CHART, "metric", "rate", "p_ceiling", "sensitivity", "headroom"]
    columns += ["ceiling_rate", "state"]
    assert list(answer.table)[: len(columns)] == columns
    assert set(answer.table["state"]) <= {"gpu_bound", "mixed", "cpu_bound"}
    assert (answer.table["metric"] == "average").all()
    charts = [*CHART, "metric", "ceiling_rate", "ceiling_low", "ceiling_high", "cards"]
    charts += ["cards_cpu_bound", "verdict", "usable_below"]
    assert list(answer.charts)[: len(charts)] == charts
    assert set(answer.charts["verdict"]) <= {"usable", "usable_below", "not_usable"}
    assert len(answer.table) == 120
    assert len(answer.charts) == 12


def test_prediction(lab_fit: Fit) -> None:
    answer = lab_fit.predict(sheet(lab_fit), against=("Mirel 35",), ranks=True)
    ranges = ["card", *CHART, "metric", "level"]
    numbers = ["lower", "median", "upper", "p_ceiling", "basis", "reason"]
    assert list(answer.table) == [*ranges, *numbers]
    assert {"against", "p_faster", "lead_lower", "lead_median", "lead_upper"} <= {*answer.against}
    assert list(answer.ranks) == ["card", *CHART, "position", "probability"]


def test_lead(lab_fit: Fit) -> None:
    columns = ["a", "b", *CHART, "lead", "lower", "upper", "within_test_error", "used", "reason"]
    assert list(lab_fit.lead("Mirel 55", "Halvor D").table)[: len(columns)] == columns


def test_explain(lab_fit: Fit) -> None:
    move = ["a", "b", *CHART, "changed", "to", "metric", "level", "lead_from", "lead_to"]
    found = lab_fit.explain("Mirel 55", "Halvor D")
    parts = ["part", "points", "lower", "upper", "proven", "weighs", "row_kind", "charts_used"]
    assert list(found.table) == [*move, *parts, "reason"]
    shares = ["platform", "game", "preset", "stage", "share_from", "share_to", "from", "to"]
    assert list(found.shares) == shares
    order = lab_fit.order()
    causes = ["cause", "points", "cause_points", "cause_lower", "cause_upper", "weighs"]
    assert list(order.table) == [*move, "p_flip", "verdict", *causes]
    counts = ["cards", "pairs", "flips", "within_test_error", "tau", "positions_moved", "reason"]
    assert list(order.scenes) == [*CHART, *counts]


def test_repeatability(lab_fit: Fit) -> None:
    answer = lab_fit.repeatability()
    assert list(answer.table) == list(TABLE_COLUMNS)
    assert list(answer.scenes) == list(SCENE_COLUMNS)
    assert list(answer.runs) == list(answer.every_run) == list(RUN_COLUMNS)
    assert list(answer.stale) == list(STALE_COLUMNS)
    compared = compare(lab_fit.bench, "Mirel 55", "Halvor D")
    assert list(compared.table)[:7] == ["a", "b", "kind", "card", *CHART[:3]]


def test_fit(lab_fit: Fit) -> None:
    assert list(lab_fit.table) == ["quantity", "of", "value", "lower", "upper", "unit"]
    assert (lab_fit.table["lower"] <= lab_fit.table["value"]).all()
    assert (lab_fit.table["value"] <= lab_fit.table["upper"]).all()
    shares = lab_fit.table[lab_fit.table["quantity"].str.startswith("share of a frame")]
    assert shares["value"].between(0, 1).all()


def test_every_answer_says_itself_in_one_paragraph(lab_fit: Fit) -> None:
    answers = (
        lab_fit,
        lab_fit.ceilings(),
        lab_fit.predict(sheet(lab_fit)),
        lab_fit.lead("Mirel 55", "Halvor D"),
        lab_fit.explain("Mirel 55", "Halvor D"),
        lab_fit.order(),
        lab_fit.repeatability(),
        compare(lab_fit.bench, "Mirel 55", "Halvor D"),
    )
    for answer in answers:
        words = str(answer)
        assert "\n" not in words
        assert words.endswith(".")
        assert "nan" not in words
    assert str(lab_fit) == (
        "Fitted average of 120 of 120 cells: 10 cards, 4 scenes, 12 charts, 1 platform; converged. "
        f"A cell strays {str(lab_fit).partition('strays ')[2]}"
    )
    assert str(lab_fit.ceilings()).startswith(
        "8 of 12 charts compare all their cards, 4 compare only the cards below the ceiling, "
        "0 compare nothing."
    )
    assert str(lab_fit.predict(sheet(lab_fit))).startswith(
        "Mirel 45: 12 charts predicted (3 tested cards of its architecture), 80% ranges "
    )


@pytest.mark.parametrize("level", [0.0, 1.0, 80.0, -0.5, float("nan")])
def test_levels_are_shares_in_every_answer(lab_fit: Fit, level: float) -> None:
    message = rf"^A level of {level:g} is not between 0 and 1. The usual one is 0.8.$"
    for ask in (
        lambda: lab_fit.ceilings(level),
        lambda: lab_fit.predict(sheet(lab_fit), level),
        lambda: lab_fit.lead("Mirel 55", "Halvor D", level),
    ):
        with pytest.raises(ScalemodelError, match=message):
            ask()


def test_a_higher_level_is_wider(lab_fit: Fit) -> None:
    low, high = (lab_fit.predict(sheet(lab_fit), level).table for level in (0.5, 0.9))
    assert (high["lower"] < low["lower"]).all()
    assert (high["upper"] > low["upper"]).all()
    assert (low["median"] == high["median"]).all()
    low, high = (lab_fit.lead("Mirel 55", "Halvor D", level).table for level in (0.5, 0.9))
    assert (high["upper"] - high["lower"] > low["upper"] - low["lower"]).all()


def test_shares_of_each_scene(lab_fit: Fit) -> None:
    table = lab_fit.learned_scenes
    key = ["game", "preset", "resolution"]
    assert list(table) == [*key, "stage", "share", "lower", "upper"]
    assert len(table) == 4 * 3 * 4
    assert ((table["lower"] < table["share"]) & (table["share"] < table["upper"])).all()
    assert table.groupby(key)["share"].sum().to_numpy() == pytest.approx(1.0)
    # The shares that `explain` gives are those at the modes, on the same card.
    moved = lab_fit.explain("Mirel 55", "Halvor D").shares
    for row in moved.itertuples():
        scene = (table["game"] == row.game) & (table["stage"] == row.stage)
        for end, resolution in (("share_from", "3840x2160"), ("share_to", "1920x1080")):
            own = table[scene & (table["resolution"] == resolution)].iloc[0]
            assert own["lower"] < getattr(row, end) < own["upper"]


def test_standings(lab_fit: Fit) -> None:
    answer = lab_fit.standings()
    pair = ["a", "b", "platform", "resolution", "lead", "lower", "upper", "typical_lower"]
    pair += ["typical_upper", "charts", "ties", "odd", "p_ahead", "reason", "upscaling"]
    assert list(answer.table) == pair
    places = ["card", "platform", "resolution", "rate_mean", "charts", "place_lower", "place"]
    places += ["place_upper", "reason"]
    assert list(answer.places)[: len(places)] == places
