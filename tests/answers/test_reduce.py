"""From logs to runs: the rows, the demo's truth, what is kept, and refusals all at once."""

import hashlib
import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import scalemodel as sm
from datasets.demo import generate
from scalemodel.answers import reduce as reduce_module
from scalemodel.answers.reduce import reduce_logs
from scalemodel.answers.trace import trace
from scalemodel.data.bench import BenchError, read_bench
from scalemodel.data.schema import ID_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.views.tables import to_csv
from tests.data.benches import CARDS
from tests.data.logs import column, columns, frame_times, write_logs

TIMES = frame_times(5000)


@pytest.fixture
def demo(tmp_path: Path, demo_folder: Path) -> Path:
    shutil.copytree(demo_folder, tmp_path / "demo", ignore=shutil.ignore_patterns(".scalemodel"))
    return tmp_path / "demo"


def error_of(call: Callable[[], object]) -> list[str]:
    with pytest.raises(BenchError) as caught:
        call()
    return str(caught.value).splitlines()


def test_the_demo_comes_to_its_truth(demo: Path) -> None:
    truth = pd.read_csv(generate.TRUTH_FOLDER / "truth_logs.csv").set_index("file")
    truth["fault"] = truth["fault"].fillna("")
    answer = reduce_logs(demo)
    table = answer.table.set_index("file")
    glued = truth["fault"].str.startswith("two runs")
    assert list(table["avg_fps"].isna()) == list(glued)
    sound = truth[~glued]
    lows = [c for c in truth.columns if c.endswith("_fps")]
    # Written with 1 us or finer, times of 5 to 13 ms are off by less than 1e-4 of themselves.
    assert_allclose(table.loc[sound.index, lows], sound[lows], rtol=2e-4)
    held = table.loc[sound.index, "held_at_fps"].notna()
    assert list(held) == list(sound["fault"] == "capped")
    assert_allclose(table["held_at_fps"].dropna(), 190, rtol=0.005)
    assert str(answer) == (
        "Reduced 5 of 6 logs to runs. Lows are by the definition quantile: the rate at the 99th or "
        "99.9th percentile of frame time, type 7. 1 log was not reduced, each with its reason."
    )


def test_the_rows_are_rows_of_results(tmp_path: Path) -> None:
    bench = write_logs(
        tmp_path,
        ("a.csv", "b.csv", "bad.csv"),
        a_csv=column(TIMES),
        b_csv=column(TIMES * 1.1),
        bad_csv=column(-TIMES),
    )
    table = reduce_logs(bench).table
    (tmp_path / "cards.csv").write_text(CARDS)
    (tmp_path / "results.csv").write_text(to_csv(table))
    read = read_bench(tmp_path)
    assert_allclose(read.results["avg_fps"], table["avg_fps"].dropna(), atol=0.005)
    assert_allclose(read.results["low_01pct_fps"], table["low_01pct_fps"].dropna(), atol=0.005)
    assert len(read.excluded) == 1


def test_the_columns(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    quantile, mean = (reduce_logs(bench, lows).table for lows in ("quantile", "slowest_mean"))
    assert list(quantile.columns) == [
        *ID_COLUMNS,
        *("avg_fps", "low_1pct_fps", "low_01pct_fps", "exclude"),
        *("frames", "seconds", "lows", "level"),
        *("avg_lower", "avg_upper", "low_1pct_lower", "low_1pct_upper"),
        *("low_01pct_lower", "low_01pct_upper"),
        *("low_1pct_slowest_mean_fps", "low_1pct_slowest_mean_lower"),
        *("low_1pct_slowest_mean_upper", "low_01pct_slowest_mean_fps"),
        *("low_01pct_slowest_mean_lower", "low_01pct_slowest_mean_upper"),
        *("block_frames", "drift", "spikes", "spike_share", "input_wait_ms", "input_wait_sd_ms"),
        *("held_at_fps", "held_share", "missed_share"),
        *("file", "column", "unit", "why", "reason"),
    ]
    slow = np.sort(TIMES)[::-1]
    assert_allclose(quantile["avg_fps"], 1000 * 5000 / TIMES.sum(), rtol=1e-12)
    assert_allclose(quantile["seconds"], TIMES.sum() / 1000, rtol=1e-12)
    assert_allclose(quantile["low_1pct_fps"], 1000 / np.quantile(TIMES, 0.99), rtol=1e-12)
    assert_allclose(mean["low_1pct_fps"], 1000 / slow[:50].mean(), rtol=1e-12)
    assert_allclose(mean["low_01pct_fps"], 1000 / slow[:5].mean(), rtol=1e-12)
    assert set(mean["lows"]) == {"slowest_mean"}
    for low in ("low_1pct", "low_01pct"):
        assert_allclose(mean[f"{low}_quantile_fps"], quantile[f"{low}_fps"])
        assert_allclose(quantile[f"{low}_slowest_mean_lower"], mean[f"{low}_lower"])


def test_too_few_frames_give_no_low_but_the_reason(tmp_path: Path) -> None:
    bench = write_logs(
        tmp_path, ("a.csv", "b.csv"), a_csv=column(TIMES[:298]), b_csv=column(TIMES[:299])
    )
    table = reduce_logs(bench).table
    assert list(table["low_1pct_fps"].isna()) == [True, False]
    assert table["low_01pct_fps"].isna().all()
    assert table["low_1pct_slowest_mean_fps"].isna()[0]
    assert table["reason"][0] == (
        "1% low: 298 frames are fewer than the 299 needed; "
        "0.1% low: 298 frames are fewer than the 2,995 needed"
    )


def test_a_part_of_a_log_is_cut_out(tmp_path: Path) -> None:
    times = np.concatenate([np.full(100, 40.0), TIMES, [180_000.0]])
    rows = ("a.csv,frame,ms,4,50", "a.csv,frame,ms,4,", "a.csv,frame,ms,5000,")
    answer = reduce_logs(write_logs(tmp_path, rows, a_csv=column(times)))
    table = answer.table
    frames = np.searchsorted(np.cumsum(TIMES), 50_000, side="right")
    assert table["frames"][0] == frames
    assert_allclose(table["avg_fps"][0], 1000 * frames / TIMES[:frames].sum(), rtol=1e-12)
    assert table["reason"][1] == "not reduced: row 5,102: a pause of 180 s"
    assert table["reason"][2] == "not reduced: no frame is left after skip_s and length_s"
    assert list(table["exclude"]) == ["", "yes", "yes"]


def test_a_wider_level_is_a_wider_range(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    narrow, wide = (reduce_logs(bench, level=level).table for level in (0.5, 0.95))
    for name in ("avg", "low_1pct", "low_1pct_slowest_mean"):
        assert (wide[f"{name}_lower"] < narrow[f"{name}_lower"]).all()
        assert (wide[f"{name}_upper"] > narrow[f"{name}_upper"]).all()


def test_logs_that_did_not_change_are_not_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = write_logs(
        tmp_path,
        ("a.csv", "b.csv", "bad.csv"),
        a_csv=column(TIMES),
        b_csv=column(TIMES * 1.1),
        bad_csv=column(np.where(TIMES > 15, -1, TIMES)),
    )
    first = reduce_logs(bench)
    read: list[str] = []
    whole = reduce_module.read_log
    monkeypatch.setattr(
        reduce_module, "read_log", lambda path, *rest: read.append(path.name) or whole(path, *rest)
    )
    second = reduce_logs(bench)
    assert (read, first.kept, second.kept) == ([], 0, 3)
    pd.testing.assert_frame_equal(first.table, second.table)
    assert first.problems == second.problems
    assert "(3 unchanged since they were last reduced)" in str(second)
    (bench / "frames" / "b.csv").write_text(column(TIMES * 1.2))
    third = reduce_logs(bench)
    assert (read, third.kept) == (["b.csv"], 2)
    assert_allclose(third.table["avg_fps"][1], first.table["avg_fps"][1] * 1.1 / 1.2, rtol=1e-4)
    assert reduce_logs(bench, lows="slowest_mean").kept == 3
    assert reduce_logs(bench, level=0.9).kept == 0
    monkeypatch.setattr(reduce_module, "code_digest", lambda: "another version")
    assert reduce_logs(bench).kept == 0


@pytest.mark.parametrize("damage", [b"", b"{}", b"\xff\xfe", b"rubbish\n{"])
def test_what_is_kept_and_damaged_is_not_used(tmp_path: Path, damage: bytes) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    first = reduce_logs(bench)
    (kept,) = (bench / ".scalemodel" / "logs").iterdir()
    text = kept.read_bytes()
    kept.write_bytes(damage)
    again = reduce_logs(bench)
    assert again.kept == 0
    pd.testing.assert_frame_equal(first.table, again.table)
    kept.write_bytes(text.replace(b'"frames": 5000', b'"frames": 5001'))
    assert kept.read_bytes() != text
    assert reduce_logs(bench).kept == 0
    check, _, content = kept.read_text().partition("\n")
    assert len(check) == 64
    json.loads(content)


@pytest.mark.parametrize(
    "forged",
    [
        [],
        {"answer": {}},
        {"answer": {"row": {}, "problems": []}},
        {"answer": {"row": [], "problems": []}},
        {"answer": {"problems": [{"file": "x"}]}},
        {"answer": {"problems": 7}},
    ],
)
def test_what_is_kept_and_forged_is_not_used(tmp_path: Path, forged: object) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    first = reduce_logs(bench)
    (kept,) = (bench / ".scalemodel" / "logs").iterdir()
    known = json.loads(kept.read_text().partition("\n")[2])
    content = forged
    if isinstance(forged, dict):
        content = {**known, "answer": {**known["answer"], **forged["answer"]}}
    text = json.dumps(content)
    check = hashlib.sha256(f"{kept.stem}\n{text}".encode()).hexdigest()
    kept.write_text(f"{check}\n{text}")
    again = reduce_logs(bench)
    pd.testing.assert_frame_equal(first.table, again.table)
    assert again.kept == (forged == {"answer": {}})


def test_a_bench_that_cannot_be_written_to_is_reduced_all_the_same(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    (bench / ".scalemodel").write_text("a file is in the way")
    assert reduce_logs(bench).table["frames"][0] == 5000


@pytest.mark.parametrize("workers", [1, 2, 7])
def test_answers_do_not_depend_on_the_number_of_workers(tmp_path: Path, workers: int) -> None:
    logs = {f"x{k}_csv": column(frame_times(400 + k, k)) for k in range(8)}
    bench = write_logs(tmp_path, tuple(f"x{k}.csv" for k in range(8)), **logs)
    told: list[tuple[int, int]] = []
    answer = reduce_logs(bench, workers=workers, done=lambda *done: told.append(done))
    assert list(answer.table["frames"]) == [400.0 + k for k in range(8)]
    assert told == [(k, 8) for k in range(1, 9)]
    shutil.rmtree(bench / ".scalemodel")
    pd.testing.assert_frame_equal(answer.table, reduce_logs(bench, workers=1).table)


def test_only_the_logs_asked_for(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv", "b.csv"), a_csv=column(TIMES), b_csv=column(TIMES))
    assert list(reduce_logs(bench, only=("b.csv",)).table["file"]) == ["b.csv"]
    with pytest.raises(ScalemodelError) as caught:
        reduce_logs(bench, only=("c.csv",))
    assert str(caught.value) == (
        'frames.csv names no log "c.csv". Fix: choose one of those it names (a.csv, b.csv).'
    )


def test_options_are_checked(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    with pytest.raises(ScalemodelError, match=r"There is no definition \"worst\" of a low"):
        reduce_logs(bench, "worst")
    with pytest.raises(ScalemodelError, match="not between 0 and 1"):
        reduce_logs(bench, level=80)


def test_no_list_of_logs(tmp_path: Path) -> None:
    head, *lines = error_of(lambda: reduce_logs(tmp_path))
    assert head == f"1 problem in {tmp_path}; nothing was read."
    assert lines == [
        "frames.csv: the file is missing. Allowed: frames.csv or frames.parquet. "
        "Fix: put it into the folder."
    ]


def test_everything_wrong_with_the_list_comes_at_once(tmp_path: Path) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text(column(TIMES))
    bench = tmp_path / "bench"
    rows = ("none.csv", "../outside.csv", str(outside), "link.csv", "sub", "a.csv")
    write_logs(bench, rows, a_csv=column(TIMES), stray_csv=column(TIMES))
    (bench / "frames" / "link.csv").symlink_to(outside)
    (bench / "frames" / "sub").mkdir()
    lines = error_of(lambda: reduce_logs(bench))
    end = (
        ". Allowed: a file in the folder frames of the bench. Fix: put it into the folder frames "
        "of the bench, under a path inside it."
    )
    assert lines[0] == f"5 problems and 1 warning in {bench}; nothing was read."
    what = [line.partition(end)[0] for line in lines[1:6]]
    assert what[0] == 'frames.csv, row 2, column file: the log "none.csv" is not there'
    assert what[1].endswith('the log "../outside.csv" leads out of the folder frames')
    assert what[2].endswith("is an absolute path")
    assert what[3] == (
        'frames.csv, row 5, column file: the log "link.csv" is a link, or lies behind one'
    )
    assert what[4].endswith('the log "sub" is not a file')
    assert lines[6:] == [
        "warning: frames/stray.csv: no row of frames.csv names this file. Allowed: a row a run. "
        "Fix: add a row for it, or take it out of the folder."
    ]


def test_a_folder_of_logs_that_is_a_link_is_refused(tmp_path: Path) -> None:
    write_logs(tmp_path / "real", ("a.csv",), a_csv=column(TIMES))
    bench = write_logs(tmp_path / "bench", ("a.csv",))
    (bench / "frames").rmdir()
    (bench / "frames").symlink_to(tmp_path / "real" / "frames")
    assert "is a link, or lies behind one" in error_of(lambda: reduce_logs(bench))[1]


def test_cells_of_the_list_are_checked(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv,frame,fps,-3,0",), a_csv=column(TIMES))
    lines = error_of(lambda: reduce_logs(bench))
    assert lines[1:] == [
        'frames.csv, row 2, column unit: "fps" is not one of the words allowed. Allowed: s, ms, '
        "us, ns, s stamp, ms stamp, us stamp or ns stamp, or nothing. "
        "Fix: correct the cell or delete the row.",
        'frames.csv, row 2, column skip_s: "-3" is too small. Allowed: a number from 0 up to '
        "1,000,000 (s), or nothing. Fix: correct the cell or delete the row.",
        'frames.csv, row 2, column length_s: "0" is too small. Allowed: a number above 0 and up '
        "to 1,000,000 (s), or nothing. Fix: correct the cell or delete the row.",
    ]


def test_a_run_named_twice_is_refused(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv", "a.csv"), a_csv=column(TIMES))
    listing = bench / "frames.csv"
    listing.write_text(listing.read_text().replace(",2,", ",1,"))
    assert error_of(lambda: reduce_logs(bench))[1] == (
        "frames.csv, row 3, column run: the run is there already in row 2. Allowed: each run once. "
        "Fix: number the runs of a cell 1, 2, ..."
        "."
    )


def test_logs_without_a_sound_one_are_refused_all_at_once(tmp_path: Path) -> None:
    bench = write_logs(
        tmp_path,
        ("text.csv", "empty.csv", "two.csv", "minus.csv"),
        text_csv="no numbers here\n",
        empty_csv="",
        two_csv=columns("a,b", TIMES, TIMES[::-1]),
        minus_csv=column(np.where(np.arange(5000) == 41, -1, TIMES)),
    )
    head, *lines = error_of(lambda: reduce_logs(bench))
    assert head == f"4 problems in {bench}; nothing was read."
    places = [line.partition(": ")[0] for line in lines]
    assert places == [
        "frames/text.csv (frames.csv, row 2)",
        "frames/empty.csv (frames.csv, row 3)",
        "frames/two.csv (frames.csv, row 4)",
        "frames/minus.csv, row 43, column frame",
    ]


def test_the_list_is_checked_with_the_bench_and_does_not_change_fits(demo: Path) -> None:
    before = read_bench(demo)
    listing = demo / "frames.csv"
    listing.write_text(listing.read_text().replace("t80-", "T80-"))
    assert read_bench(demo).digest == before.digest
    listing.write_text(listing.read_text().replace(",ms,", ",fps,"))
    with pytest.raises(BenchError, match="column unit"):
        read_bench(demo)


def test_a_trace_has_every_frame(tmp_path: Path) -> None:
    times = frame_times(10_000)
    times[[100, 7000]] = 50.0, 90.0
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(times))
    ids = tuple(reduce_logs(bench).table[list(ID_COLUMNS)].iloc[0])
    found = trace(bench, ids)
    assert len(found.along) == math.ceil(10_000 / 4)
    assert found.along["spikes"].sum() == 2
    assert found.along["slowest_ms"].max() == 90
    assert_allclose(found.along["seconds"].iloc[-1], times.sum() / 1000)
    assert found.along["fastest_ms"].min() == times.min()
    assert_allclose(found.spread["share"].sum(), 1)
    with pytest.raises(ScalemodelError, match=r"frames\.csv names no run of card no,"):
        trace(bench, ("no", *ids[1:]))


def test_the_library_has_it(tmp_path: Path) -> None:
    bench = write_logs(tmp_path, ("a.csv",), a_csv=column(TIMES))
    assert len(sm.reduce_logs(bench).table) == 1
