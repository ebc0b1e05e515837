"""Runs at a power limit: which are the card's own, which are kept apart, and what looks wrong."""

from pathlib import Path

from scalemodel.data.bench import read_bench
from scalemodel.data.checks import LIMITED
from tests.data.benches import CARDS, results, warning_lines, write_bench

SHEETS = "\n".join(
    line + tail
    for line, tail in zip(CARDS.splitlines(), (",board_power_w", ",200", ","), strict=True)
)
EXTRA = ",power_w,power_limit_w"


def test_runs_at_another_limit_are_kept_apart(tmp_path: Path) -> None:
    text = results(
        "Ostra 4,P,G,H,1x1,1,60,190,",
        "Ostra 4,P,G,H,1x1,2,60,190,200.4",  # its own: sheets are rounded
        "Ostra 4,P,G,H,1x1,1,57,158,160",
        "Ostra 4,P,G,H,1x1,2,57,158,160",
        "Ostra 6,P,G,H,1x1,1,90,240,",
        "Ostra 6,P,G,H,1x1,1,88,210,220",  # its sheet gives no board power
        extra=EXTRA,
    )
    bench = read_bench(write_bench(tmp_path, cards=SHEETS, results=text))
    assert bench.problems == ()
    assert bench.results["row"].tolist() == [2, 3, 6]
    assert bench.excluded["row"].tolist() == [4, 5, 7]
    assert set(bench.excluded["reason"]) == {LIMITED}
    assert bench.limited["row"].tolist() == [4, 5, 7]
    assert bench.limited["power_limit_w"].tolist() == [160, 160, 220]
    assert {"scene", "pixels"} <= set(bench.limited)
    assert LIMITED == "tested at a power limit that is not the card's own"


def test_a_run_is_given_twice_only_at_the_same_limit(tmp_path: Path) -> None:
    text = results(
        "Ostra 4,P,G,H,1x1,1,60,190,200",
        "Ostra 6,P,G,H,1x1,1,90,,",
        "Ostra 4,P,G,H,1x1,1,57,158,160",
        "Ostra 4,P,G,H,1x1,1,58,158,160",
        "Ostra 4,P,G,H,1x1,1,61,190,",
        extra=EXTRA,
    )
    bench = read_bench(write_bench(tmp_path, cards=SHEETS, results=text))
    assert dict(zip(bench.excluded["row"], bench.excluded["reason"], strict=True)) == {
        4: LIMITED,
        5: "the same run as row 4",
        6: "the same run as row 2",
    }


def test_power_above_its_limit_is_noted(tmp_path: Path) -> None:
    text = results(
        "Ostra 4,P,G,H,1x1,1,60,190,",
        "Ostra 6,P,G,H,1x1,1,90,240,",
        "Ostra 4,P,G,H,1x1,1,57,167,160",
        "Ostra 4,P,G,H,1x1,2,57,190.5,160",
        extra=EXTRA,
    )
    assert warning_lines(write_bench(tmp_path, cards=SHEETS, results=text)) == [
        "results.csv, row 5, column power_w: power_w 190.5 is above the power limit of 160 W. "
        "Allowed: power_w at most 5% above power_limit_w. "
        "Fix: check the limit, and that power_w is the card's alone."
    ]
