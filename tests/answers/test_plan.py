"""Plans: what they promise, keep to and say; what cannot be planned, and why."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from scalemodel.answers.plan import NO_REPEATS, Plan
from scalemodel.errors import ScalemodelError
from tests.answers.small_lab import CEILINGS, CELL, Lab, Settings, simulate
from tests.conftest import HELD_OUT

A, B = "Mirel 55", "Halvor D"
COLUMNS = ["runs_before", "runs", "install_minutes", "minutes", "hours_end"]


@pytest.fixture(scope="module")
def gaps(lab: Lab, tmp_path_factory: pytest.TempPathFactory) -> Fit:
    """The small lab with a third of its results gone; one card has none."""
    cells = lab.results[CELL].drop_duplicates()
    kept = cells[np.random.default_rng(5).random(len(cells)) < 0.67]
    less = Lab(lab.cards, lab.results.merge(kept, on=CELL), lab.truth)
    return fit(less.bench(tmp_path_factory.mktemp("gaps"), without=(HELD_OUT,)))


@pytest.fixture(scope="module")
def everything(gaps: Fit) -> Plan:
    return gaps.plan(3, 4, 10)


def sheet(of: Fit, **changes: object) -> pd.DataFrame:
    table = of.bench.cards[of.bench.cards["card"] == HELD_OUT].reset_index(drop=True)
    return table.assign(card="New", **changes)


def test_the_columns(everything: Plan) -> None:
    assert list(everything.table) == [*CELL, *COLUMNS, "range_before", "range_after", "reason"]
    ranges = ["range_now", "range_after", "range_limit"]
    assert list(everything.targets) == ["target", "quantities", *ranges, "reason"]
    assert list(everything.wasted) == [*CELL, "sensitivity", "reason"]


def test_minutes_add_up_and_each_card_is_installed_once(everything: Plan) -> None:
    table = everything.table
    setup = table["card"] + table["platform"]
    first = setup != setup.shift()
    assert first.sum() == setup.nunique()
    assert (table["install_minutes"] == np.where(first, 10.0, 0.0)).all()
    assert (table["minutes"] == 4 * table["runs"] + table["install_minutes"]).all()
    np.testing.assert_allclose(table["hours_end"], table["minutes"].cumsum() / 60)
    assert 3 - 4 / 60 < table["hours_end"].iloc[-1] <= 3 + 1e-9


def test_ranges_shrink_step_by_step_to_what_is_promised(everything: Plan) -> None:
    table, target = everything.table, everything.targets.iloc[0]
    assert (table["range_after"] <= table["range_before"] + 1e-12).all()
    assert (table["range_before"].to_numpy()[1:] == table["range_after"].to_numpy()[:-1]).all()
    assert table["range_before"].iloc[0] == target["range_now"]
    assert table["range_after"].iloc[-1] == target["range_after"]
    assert target["range_limit"] <= target["range_after"] < target["range_now"]


def test_runs_so_far_are_counted(everything: Plan, gaps: Fit) -> None:
    runs = gaps.cells.table.set_index(CELL)["runs"]
    found = runs.reindex(pd.MultiIndex.from_frame(everything.table[CELL])).fillna(0)
    assert list(everything.table["runs_before"]) == list(found)
    assert set(found) >= {0.0}


def test_more_hours_bring_more(gaps: Fit) -> None:
    after = [gaps.plan(hours).targets["range_after"].iloc[0] for hours in (1, 3, 9)]
    assert after == sorted(after, reverse=True)


def test_the_same_question_has_the_same_answer(gaps: Fit, everything: Plan) -> None:
    again = gaps.plan(3, 4, 10)
    pd.testing.assert_frame_equal(again.table, everything.table, check_exact=True)
    assert str(again) == str(everything)


def test_a_card_without_results_is_tested_first(everything: Plan) -> None:
    # Its ranges are the widest by far, and the bench says that it is at hand.
    assert everything.table["card"].iloc[0] == HELD_OUT


def test_the_place_of_a_card_not_at_hand_is_limited_by_its_board(gaps: Fit) -> None:
    answer = gaps.plan(20, specs=sheet(gaps))
    target = answer.targets.iloc[0]
    assert "New" not in set(answer.table["card"])
    assert target["range_limit"] > 0.5 * target["range_now"]
    assert str(answer).startswith("Mean rate of New over 10 charts below the ceiling: the 80% ")
    assert answer.limit == "the spread from board to board sets the limit"
    assert f"hardly help: {answer.limit}." in str(answer)
    assert set(answer.wasted["card"]) == {"New"}
    assert (answer.wasted["sensitivity"] < 0.2).all()
    assert (answer.wasted["reason"] == "at the ceiling, tells nothing of New").all()


def test_the_place_of_a_card_in_hand_is_found_by_testing_it(gaps: Fit) -> None:
    away, here = (gaps.plan(2, specs=sheet(gaps), in_hand=h) for h in (False, True))
    assert set(here.table["card"]) == {"New"}
    assert here.targets["range_after"].iloc[0] < 0.3 * away.targets["range_after"].iloc[0]
    assert here.targets["range_limit"].iloc[0] == pytest.approx(0.0, abs=1e-9)
    wasted = here.table.merge(here.wasted, on=CELL)
    assert wasted.empty  # at the ceiling a run tells nothing of the card
    alone = gaps.plan(2, specs=sheet(gaps), only=("New",))
    pd.testing.assert_frame_equal(alone.table, here.table)


def test_a_new_architecture_is_told_by_testing_it(gaps: Fit) -> None:
    new = sheet(gaps, architecture="Unheard", vendor="Nobody")
    known = gaps.plan(2, specs=sheet(gaps)).targets["range_now"].iloc[0]
    answer = gaps.plan(2, specs=new)
    assert answer.targets["range_now"].iloc[0] > 1.2 * known
    assert answer.limit in (
        "what is not known of its architecture sets the limit",
        "the spread from board to board sets the limit",
    )


def test_a_lead_is_told_by_its_two_cards(gaps: Fit) -> None:
    answer = gaps.plan(3, lead=(A, HELD_OUT))
    assert set(answer.table["card"]) <= {A, HELD_OUT}
    assert answer.table["card"].iloc[0] == HELD_OUT
    (target,) = answer.targets["target"]
    assert target.startswith(f"mean lead of {A} over {HELD_OUT} over ")


def test_a_ceiling_is_told_by_cards_that_reach_it(gaps: Fit) -> None:
    answer = gaps.plan(3, ceiling=("Game 1", "High"))
    runs = answer.table.groupby("game")["runs"].sum()
    assert runs["Game 1"] > 0.7 * runs.sum()
    assert "bounds this scene's ceiling" in set(answer.table["reason"])
    assert answer.table["resolution"].iloc[0] == "1920x1080"
    stays = answer.wasted["reason"].str.endswith("stays below the ceiling, tells nothing of it")
    assert stays.all()
    assert (answer.wasted["sensitivity"] > 0.8).all()


def test_only_named_cards_are_tested(gaps: Fit) -> None:
    answer = gaps.plan(3, only=(A, B))
    assert set(answer.table["card"]) <= {A, B}
    assert answer.targets["range_limit"].iloc[0] > 0


def test_reasons_are_of_the_kinds_that_the_page_lists(gaps: Fit, everything: Plan) -> None:
    page = (Path(__file__).parents[2] / "docs" / "plan.md").read_text(encoding="utf-8")
    kinds = [
        re.sub(r"ARCHITECTURE|CARD|N", r"[\\w ]+", kind)
        .replace("±2.1", r"±[\d.]+")
        .replace("±0.4", r"±[\d.]+")
        for row in re.findall(r"^\| (.*known to.*|tells .*|bounds .*) \| ", page, re.MULTILINE)
        for kind in row.split(", ")
    ]
    assert len(kinds) == 11
    for answer in (everything, gaps.plan(4, specs=sheet(gaps)), gaps.plan(2, lead=(A, B))):
        for words in answer.table["reason"]:
            assert any(re.match(kind, words) for kind in kinds), words


def test_without_repeats_it_says_what_the_test_error_rests_on(tmp_path: Path) -> None:
    single = fit(simulate(Settings(runs=1)).bench(tmp_path))
    answer = single.plan(40)
    assert answer.note == NO_REPEATS
    assert str(answer).endswith(NO_REPEATS)
    # A rate seen once is not known for certain, and a second run is worth something.
    assert answer.targets["range_now"].iloc[0] > 0.005
    assert (answer.table["runs_before"] == 1).all()
    assert answer.targets["range_after"].iloc[0] < 0.9 * answer.targets["range_now"].iloc[0]


def test_a_question_that_no_card_at_hand_can_tell_has_an_empty_plan(gaps: Fit) -> None:
    # No card comes near the ceiling of the last game, nor would the slowest ever.
    answer = gaps.plan(3, ceiling=("Game 4", "High"), only=("Mirel 10",))
    assert answer.targets["range_after"].iloc[0] > 0.99 * answer.targets["range_now"].iloc[0]
    assert "would hardly help" in str(answer)


def test_a_bench_at_its_ceilings_gives_rows_with_reasons(tmp_path: Path) -> None:
    low = dict.fromkeys(CEILINGS, 40.0)
    use = Settings(ceilings=low, resolutions=("1920x1080",))
    bound = fit(simulate(use).bench(tmp_path, without=(HELD_OUT,)))
    answer = bound.plan(2, specs=sheet(bound), in_hand=True)
    assert answer.table.empty
    (reason,) = answer.targets["reason"]
    assert reason == "New would sit at the ceiling on every chart that is left to it"
    assert answer.targets["range_now"].isna().all()
    assert f"no plan ({reason})" in str(answer)
    assert "nan" not in str(answer)
    assert len(answer.wasted) == 4
    answer = bound.plan(2, lead=(A, B))
    assert (
        answer.targets["reason"]
        .iloc[0]
        .endswith("at the ceiling on every chart that is left to it")
    )


def test_the_place_of_a_card_with_some_results_can_be_asked_for(gaps: Fit) -> None:
    both = pd.concat([gaps.bench.cards[gaps.bench.cards["card"] == A], sheet(gaps)])
    answer = gaps.plan(2, specs=both)
    now = answer.targets["range_now"]
    assert now.iloc[0] < 0.5 * now.iloc[1]
    assert A in set(answer.table["card"])


def test_a_card_far_beyond_the_bench_is_a_row_with_its_reason(gaps: Fit) -> None:
    far = sheet(gaps).assign(shaders=400_000, shader_rate=400_000 * 2400.0)
    answer = gaps.plan(2, specs=far, in_hand=True)
    assert "outside the tested cards" in answer.targets["reason"].iloc[0]
    assert answer.table.empty


def test_cells_without_enough_memory_are_not_planned(lab: Lab, tmp_path: Path) -> None:
    small = set(lab.cards.loc[lab.cards["memory_gb"] <= 12, "card"])
    results = lab.results.copy()
    fell = (results["game"] == "Game 4") & (results["resolution"] == "3840x2160")
    results.loc[fell & results["card"].isin(small), "avg_fps"] *= 0.4
    results = results[~(fell & (results["card"] == "Mirel 20"))]
    answer = fit(Lab(lab.cards, results, lab.truth).bench(tmp_path)).plan(60)
    chart = (answer.table["game"] == "Game 4") & (answer.table["resolution"] == "3840x2160")
    assert not set(answer.table.loc[chart, "card"]) & small
    (reason,) = answer.wasted.loc[answer.wasted["card"] == "Mirel 20", "reason"]
    assert reason == "12 GB: cards with as much fell for lack of memory here"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            {"hours": 0.2},
            "0.2 hours are 12 minutes; to install a card and make one run takes 14. Give at least "
            "0.24 hours, or fewer minutes per run or per swap.",
        ),
        ({"hours": 0}, "The hours must be a number above 0."),
        ({"hours": float("nan")}, "The hours must be a number above 0."),
        ({"hours": float("inf")}, "The hours must be a number above 0."),
        ({"hours": 1, "minutes_per_run": -4}, "The minutes per run must be a number above 0."),
        (
            {"hours": 1, "minutes_per_swap": float("nan")},
            "The minutes per swap must be a number, 0 or more.",
        ),
        (
            {"hours": 10_000},
            "10000 hours hold 149,997 runs; at most 5,000 are planned at once. Give fewer hours.",
        ),
        ({"hours": 1, "lead": (A, A)}, f'A and B are both "{A}". Name two different cards.'),
        (
            {"hours": 1, "lead": (A, "Mirel 54")},
            'No card is named "Mirel 54". Allowed: a card of cards.csv, such as "Mirel 55", '
            '"Mirel 45", "Mirel 35".',
        ),
        (
            {"hours": 1, "only": ("nobody",)},
            'No card is named "nobody". Allowed: a card of cards.csv, such as "Mirel 10", '
            '"Mirel 20", "Mirel 30", "Mirel 25", "Mirel 35".',
        ),
        (
            {"hours": 1, "ceiling": ("Game 1", "Low")},
            'No scene is named "Game 1 | Low". Allowed: a game and one of its presets, such as '
            '"Game 1 | High", "Game 4 | High", "Game 3 | High".',
        ),
        (
            {"hours": 1, "in_hand": True},
            "Only cards of spec sheets can be said to be in hand. Give specs.",
        ),
        (
            {"hours": 1, "lead": (A, B), "ceiling": ("Game 1", "High")},
            "A plan has one question: specs, lead or ceiling, or none of them for everything. "
            "Leave all but one out.",
        ),
        ({"hours": 1, "level": 80}, "A level of 80 is not between 0 and 1. The usual one is 0.8."),
    ],
)
def test_bad_input_is_one_message(gaps: Fit, options: dict[str, object], message: str) -> None:
    with pytest.raises(ScalemodelError) as error:
        gaps.plan(**options)  # type: ignore[arg-type]
    assert str(error.value) == message


def test_it_says_itself_in_one_paragraph(everything: Plan) -> None:
    words = str(everything)
    assert "\n" not in words
    assert words.startswith("Rate of each of 11 cards on each chart: the 80% range should shrink")
    assert words.endswith(" of 3 hours.")
    assert "nan" not in words
