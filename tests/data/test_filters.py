"""Filters: which runs and shots are used, why the others are not, and names that match nothing."""

from dataclasses import replace
from pathlib import Path

import pytest

from scalemodel.data.bench import Bench, read_bench
from scalemodel.data.filters import (
    DATED,
    NO_DATE,
    NO_DRIVER,
    OTHER,
    WITH_CELL,
    Filter,
)
from scalemodel.errors import ScalemodelError
from tests.data.benches import results, write_bench

ROWS = (
    "Ostra 4,B1,Tide,High,2560x1440,1,61,9.1,2024-05-02,",
    "Ostra 6,B1,Tide,High,2560x1440,1,98,9.1,2024-06,",
    "Ostra 4,B1,Dune,High,2560x1440,1,41,9.2,2024,",
    "Ostra 6,B2,Dune,High,2560x1440,1,77,9.2,2025-01-31,",
    "Ostra 6,B2,Dune,Low,2560x1440,1,97,,2025-02-01,",
    "Ostra 4,B2,Dune,Low,2560x1440,1,57,9.2,,",
    "Ostra 4,B2,Dune,Low,2560x1440,2,57,9.2,,yes",
)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    text = results(*ROWS, extra=",driver,date,exclude")
    shots = "card,platform,game,preset,resolution,shot,latency_ms,date\n" + "".join(
        f"Ostra 4,{platform},{game},High,2560x1440,1,31,{date}\n"
        for platform, game, date in (("B1", "Tide", "2024-05-02"), ("B2", "Dune", "2025-01-31"))
    )
    return read_bench(write_bench(tmp_path, results=text, latency=shots))


def rows_of(bench: Bench) -> list[int]:
    return [int(row) for row in bench.results["row"]]


def reasons_of(bench: Bench) -> dict[int, str]:
    return dict(zip(bench.excluded["row"].tolist(), bench.excluded["reason"], strict=True))


def test_asking_for_nothing_leaves_the_bench_as_it_is(bench: Bench) -> None:
    assert Filter().take(bench) is bench
    assert bench.chosen == ""


def test_runs_of_the_names_asked_for_are_used_and_the_others_have_the_first_reason(
    bench: Bench,
) -> None:
    found = Filter(games=("Dune",), platforms=("B2", "B1"), drivers=("9.2",)).take(bench)
    assert rows_of(found) == [4, 5, 7]
    assert reasons_of(found) == {
        2: OTHER["game"],
        3: OTHER["game"],
        6: NO_DRIVER,
        8: "marked exclude",
    }
    assert found.chosen == (
        'Of 6 runs 3 are used: game "Dune", platform "B2" or "B1", driver "9.2". '
        f"Left out: 2 {OTHER['game']}; 1 {NO_DRIVER}."
    )
    assert found.cards is bench.cards
    assert found.platforms is bench.platforms


@pytest.mark.parametrize(
    ("since", "used"),
    [
        ("2024", [2, 3, 4, 5, 6]),
        ("2024-06", [3, 5, 6]),
        ("2024-06-02", [5, 6]),
        ("2025-02-01", [6]),
    ],
)
def test_a_run_counts_if_it_is_surely_of_that_day_or_later(
    bench: Bench, since: str, used: list[int]
) -> None:
    assert rows_of(Filter(since=since).take(bench)) == used


def test_dates_that_are_missing_or_too_vague_are_reasons_of_their_own(bench: Bench) -> None:
    found = Filter(since="2024-06-02").take(bench)
    assert reasons_of(found) == {
        8: WITH_CELL,
        2: "from before 2024-06-02",
        3: f"{DATED}2024-06, which may be before 2024-06-02",
        4: f"{DATED}2024, which may be before 2024-06-02",
        7: NO_DATE,
    }
    assert found.chosen == (
        "Of 6 runs 2 are used: since 2024-06-02. Left out: 1 from before 2024-06-02; "
        f"2 dated without the day, which may be before; 1 {NO_DATE}."
    )


def test_shots_are_left_out_like_runs(bench: Bench) -> None:
    assert Filter(games=("Dune",)).take(bench).latency["reason"].tolist() == [OTHER["game"], ""]
    late = Filter(since="2025").take(bench).latency["reason"].tolist()
    assert late == ["from before 2025", ""]
    assert set(Filter(drivers=("9.2",)).take(bench).latency["reason"]) == {NO_DRIVER}


def test_runs_excluded_before_go_with_their_game(bench: Bench) -> None:
    assert reasons_of(Filter(games=("Tide",)).take(bench))[8] == OTHER["game"]


def test_the_digest_says_what_was_asked_for_in_whatever_order(bench: Bench) -> None:
    one, two = Filter(games=("Dune", "Tide")), Filter(games=("Tide", "Dune"))
    assert one.take(bench).digest == two.take(bench).digest
    others = {bench.digest, one.take(bench).digest, Filter(since="2024").take(bench).digest}
    assert len(others) == 3
    again = replace(bench, digest="another")
    assert one.take(again).digest != one.take(bench).digest


def test_all_that_is_wrong_is_said_at_once(bench: Bench) -> None:
    with pytest.raises(ScalemodelError) as told:
        Filter(games=("Dun",), platforms=("B1", "x"), since="soon").take(bench)
    assert str(told.value).splitlines() == [
        f'{bench.source}: there is no run with the game "Dun". Fix: ask for one such as "Dune".',
        f'{bench.source}: there is no run with the platform "x". '
        'Fix: ask for one such as "B1", "B2".',
        f'{bench.source}: "soon" is not a date. Fix: write it as 2026-03-14, 2026-03 or 2026.',
    ]


def test_a_column_that_nobody_filled_is_named(tmp_path: Path) -> None:
    bare = read_bench(write_bench(tmp_path))
    with pytest.raises(ScalemodelError) as told:
        Filter(drivers=("9.1",)).take(bare)
    assert str(told.value) == f"{tmp_path}: no run has a driver. Fix: fill that column of results."


def test_no_run_left_is_an_error_that_counts(bench: Bench) -> None:
    with pytest.raises(ScalemodelError) as told:
        Filter(since="2026", games=("Tide",)).take(bench)
    assert str(told.value) == (
        f'{bench.source}: no run is left. Of 6 runs 0 are used: game "Tide", since 2026. '
        f"Left out: 2 from before 2026; 4 {OTHER['game']}. The last run is dated 2025-02-01. "
        "Fix: ask for less at once."
    )
