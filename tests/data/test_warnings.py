"""Warnings word for word, and what they are computed from."""

from pathlib import Path

import numpy as np
import pytest

from scalemodel.data.bench import read_bench
from scalemodel.data.repeats import robust_sd
from tests.data.benches import CARDS, RESULTS, results, warning_lines, write_bench

PAIR = ("Ostra 4,P,G,H,1x1,1,60", "Ostra 6,P,G,H,1x1,1,90")


def test_a_sound_bench_has_none(tmp_path: Path) -> None:
    assert warning_lines(write_bench(tmp_path)) == []


def test_lows_out_of_order(tmp_path: Path) -> None:
    rows = [
        PAIR[0] + ",70,50",
        PAIR[1] + ",50,55",
        "Ostra 4,P,G,H,1x1,2,60,,61",
        "Ostra 4,P,G,H,1x1,3,60,60,60",
        "Ostra 4,P,G,H,1x1,4,60,,",
    ]
    text = results(*rows, extra=",low_1pct_fps,low_01pct_fps")
    place = "results.csv, row"
    tail = (
        "Allowed: low_01pct_fps at most low_1pct_fps at most avg_fps. "
        "Fix: check whether the columns are swapped, and correct the row."
    )
    assert warning_lines(write_bench(tmp_path, results=text)) == [
        f"{place} 2, column low_1pct_fps: low_1pct_fps 70 is above avg_fps 60. {tail}",
        f"{place} 3, column low_01pct_fps: low_01pct_fps 55 is above low_1pct_fps 50. {tail}",
        f"{place} 4, column low_01pct_fps: low_01pct_fps 61 is above avg_fps 60. {tail}",
    ]


def test_printed_bandwidth_against_bus_and_rate(tmp_path: Path) -> None:
    head, first, second = CARDS.splitlines()
    text = "\n".join(
        [
            head + ",memory_bus_bits,memory_rate_gbps",
            first.replace(",400", ",403.9") + ",200,16",
            second.replace(",640", ",512") + ",256,20",
        ]
    )
    assert warning_lines(write_bench(tmp_path, cards=text)) == [
        'cards.csv, row 3, column memory_bandwidth_gbs: the card "Ostra 6" has 512 GB/s, but its '
        "bus and rate give 640 GB/s. Allowed: memory_bandwidth_gbs within 1% of "
        "memory_bus_bits x memory_rate_gbps / 8. "
        "Fix: correct one of the three, or leave out memory_bus_bits and memory_rate_gbps."
    ]
    assert read_bench(tmp_path).cards["bandwidth_gbs"].tolist() == [403.9, 512.0]


def test_the_same_run_again(tmp_path: Path) -> None:
    text = results(*PAIR, "Ostra 4,P,G,H,1x1,1,61")
    assert warning_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 4, column run: run "1" of this card and chart is already in row 2; '
        "this row is left out. Allowed: each run of a cell once. "
        "Fix: number the runs of a cell 1, 2, 3 or delete the row."
    ]


def test_cards_without_spec_sheet(tmp_path: Path) -> None:
    strange = ("Ostra 5,P,G,H,1x1,1,60", "Ostra 5,P,G,H,1x1,2,60", "OSTRA4,P,G,H,1x1,1,60")
    allowed = "Allowed: a card of the table of cards."
    assert warning_lines(write_bench(tmp_path, results=results(*PAIR, *strange))) == [
        'results.csv, row 4, column card: the card "Ostra 5" is not in the table of cards; '
        f"its 2 runs are left out. {allowed} "
        "Fix: add its spec sheet to the table of cards or correct the name.",
        'results.csv, row 6, column card: the card "OSTRA4" is not in the table of cards; '
        f'its run is left out. {allowed} Fix: write "Ostra 4" as in the table of cards.',
    ]


def test_spellings_that_differ_in_case(tmp_path: Path) -> None:
    text = RESULTS.replace("2,97.9", "2,98").replace(
        "Tide,High,2560x1440,2", "tide,High,2560x1440,2"
    )
    lines = warning_lines(write_bench(tmp_path, results=text))
    assert lines == [
        'results.csv, row 3, column game: "tide" and "Tide" differ only in capitals or spaces. '
        "Allowed: one spelling for one thing. Fix: write both alike if they are the same."
    ]


def test_platform_missing_in_its_table(tmp_path: Path) -> None:
    assert warning_lines(write_bench(tmp_path, platforms="platform\nBench 2\n")) == [
        'results.csv, row 2, column platform: the platform "Bench 1" is not in the table of '
        "platforms. Allowed: a platform of that table. Fix: add it there or correct the name."
    ]


def test_a_chart_with_one_card(tmp_path: Path) -> None:
    text = results(*PAIR, "Ostra 6,P,G,H,2x1,1,60", "Ostra 6,P,G,H,2x1,2,60")
    assert warning_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 4, column card: the chart of "G | H" at 2x1 on "P" has only one card, '
        '"Ostra 6". Allowed: two cards or more on a chart. Fix: test another card there.'
    ]


def test_mixed_game_versions(tmp_path: Path) -> None:
    rows = [
        PAIR[0] + ",1.9",
        PAIR[1] + ",1.10",
        "Ostra 6,P,G,H,1x1,2,90,1.10",
        "Ostra 4,P,G,H,2x1,1,60,1.10",
        "Ostra 6,P,G,H,2x1,1,90,",
        "Ostra 4,P,F,H,1x1,1,60,1",
        "Ostra 6,P,F,H,1x1,1,60,1",
        "Ostra 4,P,F,H,2x1,1,60,2",
        "Ostra 6,P,F,H,2x1,1,60,2",
    ]
    text = results(*rows, extra=",game_version")
    assert warning_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 2, column game_version: charts of "G" on "P" mix game versions: '
        '"1.9" for "Ostra 4" (1 run), "1.10" for most. Allowed: one game version a chart. '
        "Fix: test again with one version, or compare these results with care."
    ]


@pytest.mark.parametrize(
    ("column", "old", "new", "message"),
    [
        (
            "boost_clock_mhz",
            "2300",
            "2.3",
            '2.3 is hard to believe for the card "Ostra 6". Allowed: usually 300 to 6,000 MHz',
        ),
        (
            "memory_bandwidth_gbs",
            "640",
            "5.12",
            '5.12 is hard to believe for the card "Ostra 6". Allowed: usually 10 to 20,000 GB/s',
        ),
        (
            "memory_gb",
            ",16,",
            ",16384,",
            None,
        ),
        (
            "memory_gb",
            ",16,",
            ",8192,",
            '8,192 is hard to believe for the card "Ostra 6". Allowed: usually 0.5 to 512 GB',
        ),
    ],
)
def test_numbers_in_the_wrong_unit(
    tmp_path: Path, column: str, old: str, new: str, message: str | None
) -> None:
    write_bench(tmp_path, cards=CARDS.replace(old, new))
    if message is None:  # beyond what is allowed at all
        with pytest.raises(Exception, match="too large"):
            read_bench(tmp_path)
        return
    assert warning_lines(tmp_path) == [
        f"cards.csv, row 3, column {column}: {message}. "
        "Fix: check the unit and the number against the spec sheet."
    ]


def repeats(odd: float, *, spread: float, runs: int = 3, cells: int = 40) -> str:
    """Cells of runs with a given log spread; the last run of the first cell is off by a factor."""
    rng = np.random.default_rng(5)
    rows = []
    for i in range(cells):
        for j in range(runs):
            rate = 100 * np.exp(spread * rng.standard_normal())
            rate = 100 * odd if (i, j) == (0, runs - 1) else rate
            rows.append(f"Ostra {4 + 2 * (i % 2)},P,G{i // 2},H,1x1,{j},{rate:.4f}")
    return results(*rows)


def test_run_far_from_its_repeats(tmp_path: Path) -> None:
    rates = {"Ostra 4": (100, 100, 82, 100, 100), "Ostra 6": (50, 50, 50, 50, 54)}
    rows = [f"{card},P,G,H,1x1,{i},{r}" for card in rates for i, r in enumerate(rates[card])]
    text = results(*rows)
    assert warning_lines(write_bench(tmp_path, results=text)) == [
        "results.csv, row 4, column avg_fps: 82 is 18.0% below what its repeats agree on. "
        "Allowed: repeats within about 5.0% of each other. "
        "Fix: run it again, or mark the row exclude with a note.",
        "results.csv, row 11, column avg_fps: 54 is 8.0% above what its repeats agree on. "
        "Allowed: repeats within about 5.0% of each other. "
        "Fix: run it again, or mark the row exclude with a note.",
    ]


@pytest.mark.parametrize(
    ("odd", "spread", "runs", "flagged"),
    [
        (0.82, 0.005, 3, 1),  # far by both measures
        (0.96, 0.002, 3, 0),  # twenty standard deviations, but within 5%
        (0.82, 0.05, 3, 0),  # beyond 5%, but only four standard deviations of this bench
        (0.82, 0.005, 2, 0),  # with two runs nobody knows which one is wrong
    ],
)
def test_which_runs_are_far(
    tmp_path: Path, odd: float, spread: float, runs: int, flagged: int
) -> None:
    text = repeats(odd, spread=spread, runs=runs)
    bench = read_bench(write_bench(tmp_path, results=text))
    assert [p.row for p in bench.problems] == [1 + runs] * flagged
    assert len(bench.results) == 40 * runs


@pytest.mark.parametrize("runs", [2, 3, 5])
def test_robust_sd_of_repeats_does_not_depend_on_the_number_of_runs(runs: int) -> None:
    cells = 6000
    rng = np.random.default_rng(11)
    log_rate = rng.normal(0, 0.02, (cells, runs)) + rng.normal(0, 1, (cells, 1))
    log_rate[: cells // 100, 0] += 0.5  # one cell in a hundred has a bad run
    cell = np.repeat(np.arange(cells), runs)
    (estimate,) = robust_sd(log_rate.ravel(), cell, np.zeros_like(cell))
    # An sd from 6,000 differences is known to 0.9%. Besides, one cell in a hundred adds at most
    # what HUBER sds do (2%), and Huber's location leaves 3% too little in cells of three.
    assert estimate == pytest.approx(0.02, rel=0.065)


def test_robust_sd_without_repeats() -> None:
    cells = np.arange(2)
    assert np.isnan(robust_sd(np.array([1.0, 2.0]), cells, np.zeros_like(cells))).all()


def test_warnings_beyond_the_listed_are_counted(tmp_path: Path) -> None:
    rows = [f"Ostra 4,P,G{i},H,1x1,1,60" for i in range(25)]
    lines = warning_lines(write_bench(tmp_path, results=results(*rows)))
    assert len(lines) == 21
    assert lines[-1] == (
        "results.csv, column card: and 5 more like the 20 listed. "
        "Fix: see to the ones listed and check again."
    )
