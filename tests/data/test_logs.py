"""Frame-time logs: which column, what unit, and every fault by its row."""

import gzip
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from scalemodel.data.logs import spool as spool_module
from scalemodel.data.logs import text as text_module
from scalemodel.data.logs.columns import Decision
from scalemodel.data.logs.judging import judge
from scalemodel.data.logs.layout import find_layout
from scalemodel.data.logs.reading import Log, read_log
from scalemodel.data.logs.spool import Spool
from scalemodel.data.logs.text import quick_segments
from scalemodel.data.rows import UnreadableError
from tests.data.logs import column, columns, frame_times

TIMES = frame_times()
CLOCK = 812.5 + np.cumsum(TIMES) / 1000


def read(tmp_path: Path, content: str | bytes, told: str = "", unit: str = "") -> Log:
    path = tmp_path / "log"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_log(path, "frames/log", told, unit)


def times_of(log: Log) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return log.times.read(0, log.times.count)


def faults(log: Log) -> list[str]:
    if not log.faults.fatal:
        judge(log, 0, log.times.count)
    return [f"{problem.severity}: {problem}" for problem in log.faults.log.problems()]


def refused(tmp_path: Path, content: str | bytes, told: str = "", unit: str = "") -> str:
    with pytest.raises(UnreadableError) as caught:
        read(tmp_path, content, told, unit)
    error = caught.value
    return f"{error.what}. Allowed: {error.allowed}. Fix: {error.fix}."


@pytest.mark.parametrize(
    ("unit", "factor", "decimals"), [("s", 1e-3, 7), ("ms", 1, 4), ("us", 1e3, 1), ("ns", 1e6, 0)]
)
def test_the_unit_is_found_from_the_size_of_numbers(
    tmp_path: Path, unit: str, factor: float, decimals: int
) -> None:
    log = read(tmp_path, column(TIMES * factor, "anything", decimals))
    assert (log.decision.unit, log.decision.stamp) == (unit, False)
    assert log.decision.why == "the only column of plausible frame times"
    assert_allclose(times_of(log), TIMES, atol=1e-4)
    assert faults(log) == []


@pytest.mark.parametrize(
    ("unit", "factor", "decimals"),
    [("s", 1e-3, 7), ("ms", 1, 4), ("us", 1e3, 1), ("ns", 1e6, 0)],
)
def test_a_clock_is_told_from_frame_times(
    tmp_path: Path, unit: str, factor: float, decimals: int
) -> None:
    log = read(tmp_path, column(CLOCK * 1e3 * factor, "when", decimals))
    assert (log.decision.unit, log.decision.stamp) == (unit, True)
    assert log.decision.why == "the only column that grows by plausible frame times"
    assert_allclose(times_of(log), TIMES[1:], atol=3e-4)
    assert log.row_of(0) == 3


def test_nanoseconds_since_long_ago_keep_their_digits(tmp_path: Path) -> None:
    steps = np.round(TIMES * 1e6).astype(np.int64)
    stamps = 1_700_000_000_000_000_001 + np.cumsum(steps)
    log = read(tmp_path, "\n".join(["t", *map(str, stamps), ""]))
    assert_array_equal(times_of(log), steps[1:] / 1e6)


def test_a_clock_beside_bears_out_the_frame_times(tmp_path: Path) -> None:
    other = TIMES * 0.7 + np.random.default_rng(2).random(len(TIMES))
    log = read(tmp_path, columns("busy,clock,x", other, CLOCK, TIMES, decimals=6))
    assert (log.decision.column, log.decision.unit) == ("x", "ms")
    assert log.decision.why == 'the clock "clock" grows by it from row to row'
    assert_allclose(times_of(log), TIMES, atol=1e-6)


def test_several_columns_that_could_be_it_are_listed(tmp_path: Path) -> None:
    text = columns("gpu,cpu,index", TIMES, TIMES[::-1] * 0.5, np.arange(4000.0))
    assert refused(tmp_path, text) == (
        '2 columns could be the frame times: "gpu" (frame times in ms: 83.48 frames per second); '
        '"cpu" (frame times in ms: 167.3 frames per second). Allowed: one of them. '
        "Fix: give column and unit in frames.csv."
    )
    log = read(tmp_path, text, " CPU ")
    assert log.decision == Decision(
        "cpu", 1, "ms", False, "column as given, unit by the size of its numbers"
    )
    assert_allclose(times_of(log), TIMES[::-1] * 0.5, atol=6e-5)


def test_names_play_no_part(tmp_path: Path) -> None:
    names = "frame_time_ms,clock_s"  # the other way round
    log = read(tmp_path, columns(names, CLOCK, TIMES, decimals=6))
    assert log.decision.column == "clock_s"


def test_what_is_given_is_taken(tmp_path: Path) -> None:
    times = np.sort(TIMES)  # grows like a clock
    log = read(tmp_path, column(times), "frame", "ms")
    assert log.decision.why == "as given"
    assert_array_equal(times_of(log), times)
    stamps = read(tmp_path, column(CLOCK, decimals=6), "frame", "s stamp")
    assert_allclose(times_of(stamps), TIMES[1:], atol=2e-3)
    by_unit = read(tmp_path, columns("a,b", TIMES, TIMES[::-1] * 1e3), "", "us")
    assert by_unit.decision.column == "b"


@pytest.mark.parametrize(
    ("content", "told", "unit", "message"),
    [
        (
            column(TIMES),
            "nosuch",
            "",
            'there is no column "nosuch". Allowed: "frame". '
            "Fix: correct the cell column of frames.csv.",
        ),
        (
            column(TIMES),
            "",
            "ns",
            'no column can be read as frame times in ns: "frame" is typically 11.983. Allowed: '
            "frame times of 0.5 to 200 ms, or a clock that grows by them. "
            "Fix: give column and unit in frames.csv.",
        ),
        (
            column(np.full(50, 16.667)),
            "",
            "",
            'no column can be read as frame times: "frame" is 16.667 in every row. Allowed: '
            "frame times of 0.5 to 200 ms, or a clock that grows by them. "
            "Fix: give column and unit in frames.csv.",
        ),
        (
            column(np.full(50, 16.667)),
            "frame",
            "ms",
            'the column "frame" holds 16.667 in every row. Allowed: frame times, which always '
            "vary a little. Fix: name one in the cell column of frames.csv.",
        ),
        (
            column(TIMES[:5]),
            "",
            "",
            "5 rows are too few to find column and unit from the numbers. Allowed: at least 8. "
            "Fix: give column and unit in frames.csv.",
        ),
        (
            column(0.03 * TIMES),
            "frame",
            "",
            'the unit of "frame" cannot be found from its numbers: "frame" is typically 0.3595. '
            "Allowed: frame times of 0.5 to 200 ms, or a clock that grows by them. "
            "Fix: give column and unit in frames.csv.",
        ),
        ("", "", "", "the log is empty. Allowed: rows of numbers. Fix: fill it or take it out."),
        (
            "these are\nno numbers\n",
            "",
            "",
            'no row of numbers among its first lines, which begin with "these are". '
            "Allowed: one row a frame. Fix: check that this is a frame-time log.",
        ),
        (
            "frame\n1.5\n".encode("utf-16"),
            "",
            "",
            'the text is saved as UTF-16. Allowed: text saved as UTF-8. Fix: save the file as "CSV '
            'UTF-8".',
        ),
        (
            b"\0\1\2",
            "",
            "",
            "the log is neither text nor Parquet. Allowed: text or Parquet, or either packed with "
            "gzip. Fix: export it again.",
        ),
        (
            gzip.compress(column(TIMES).encode())[:9000],
            "",
            "",
            "the gzip file is cut off or damaged (Compressed file ended before the end-of-stream "
            "marker was reached). Allowed: a whole file. Fix: copy or save the log again.",
        ),
    ],
    ids=lambda value: str(value)[:20] if isinstance(value, str) else "bytes",
)
def test_what_cannot_be_read_says_why(
    tmp_path: Path, content: str | bytes, told: str, unit: str, message: str
) -> None:
    assert refused(tmp_path, content, told, unit) == message


def test_a_damaged_parquet_file_says_why(tmp_path: Path) -> None:
    assert refused(tmp_path, b"PAR1 and no more").startswith(
        "the log is not a sound Parquet file: "
    )


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text,
        lambda text: text.removesuffix("\n"),
        lambda text: text.replace("\n", "\r\n"),
        lambda text: "\ufeff" + text,
        lambda text: "made on the bench\nin märz\n\n" + text,
        lambda text: text.removeprefix("frame\n"),
        lambda text: text.replace("\n", ";7\n").replace("frame;7", "frame;temperature"),
        lambda text: text.replace(".", ",").replace("\n", ";\n"),
        lambda text: text.replace(".", ","),
        lambda text: text.replace("\n", "\tname\n"),
        lambda text: text.replace("\n", "|65\n").replace("frame|65", "frame|heat"),
        lambda text: text.replace("\n", "\n\n"),
        lambda text: text.replace("\n", ' ,"a, ""b"""\n'),
    ],
)
def test_any_layout_gives_the_same_frames(tmp_path: Path, change: object) -> None:
    assert callable(change)
    text = change(column(TIMES))
    for content in (text.encode(), gzip.compress(text.encode())):
        log = read(tmp_path, content)
        assert faults(log) == []
        assert_array_equal(times_of(log), TIMES)


def test_parquet_of_any_type_gives_the_same_frames(tmp_path: Path) -> None:
    whole = np.round(TIMES * 1e6).astype(np.int64)
    stamps = pa.array(np.cumsum(whole)).cast(pa.timestamp("ns"))
    tables = [
        pa.table({"name": ["x"] * 4000, "frame": TIMES}),
        pa.table({"frame": whole}),
        pa.table({"frame": pa.array(TIMES).cast(pa.decimal128(12, 4))}),
        pa.table({"frame": TIMES, "when": stamps}),
    ]
    for table in tables:
        pq.write_table(table, tmp_path / "a")
        data = (tmp_path / "a").read_bytes()
        for content in (data, gzip.compress(data)):
            log = read(tmp_path, content)
            assert faults(log) == []
            assert_allclose(times_of(log), TIMES, rtol=1e-12)


FAULTS = [
    (
        "frame times below zero",
        lambda x: column(np.where(np.arange(4000) == 700, -3, x)),
        "row 702, column frame: a frame time of -3 ms. Allowed: times above 0. "
        "Fix: delete the row, or correct the clock.",
    ),
    (
        "no time",
        lambda x: column(np.where(np.arange(4000) == 700, 0, x)),
        "row 702, column frame: a frame time of 0 ms. Allowed: times above 0. "
        "Fix: delete the row, or correct the clock.",
    ),
    (
        "a clock that runs backwards",
        lambda _: column(CLOCK - 0.5 * (np.arange(4000) >= 2000), "t", 6),
        "row 2002, column t: the clock runs backwards by {} ms. Allowed: time stamps that grow. "
        "Fix: delete the row, or correct the clock.",
    ),
    (
        "a clock that stands still",
        lambda _: column(np.maximum.accumulate(np.delete(CLOCK, 9)[[*range(99), 98]]), "t", 6),
        "row 101, column t: two frames have the same time stamp. Allowed: time stamps that grow. "
        "Fix: delete the row, or correct the clock.",
    ),
    (
        "a clock of whole numbers that stands still",
        lambda _: column(
            np.maximum.accumulate(np.delete(CLOCK, 9)[[*range(99), 98]]) * 1e6, "t", 0
        ),
        "row 101, column t: two frames have the same time stamp. Allowed: time stamps that grow. "
        "Fix: delete the row, or correct the clock.",
    ),
    (
        "two runs glued",
        lambda _: column(np.concatenate([CLOCK, CLOCK]), "t", 6),
        'row 4002, column t: the clock "t" starts again: two runs in one file. Allowed: one run a '
        "file. Fix: move what follows into a file of its own.",
    ),
    (
        "two runs glued, seen in the clock beside",
        lambda x: columns("t,f", np.r_[CLOCK, CLOCK], np.r_[x, x], decimals=6),
        'row 4002, column t: the clock "t" starts again: two runs in one file. Allowed: one run a '
        "file. Fix: move what follows into a file of its own.",
    ),
    (
        "a header in the middle",
        lambda x: column(x) + column(x),
        "row 4002: the header is there again: two logs in one file. Allowed: one run a file. "
        "Fix: move what follows into a file of its own.",
    ),
    (
        "a pause",
        lambda x: column(np.where(np.arange(4000) == 700, 180_000, x)),
        "row 702, column frame: a pause of 180 s. Allowed: one run without a pause. "
        "Fix: cut it out with skip_s and length_s, or delete these rows.",
    ),
    (
        "a pause that only the clock beside shows",
        lambda x: columns("t,f", CLOCK + 200 * (np.arange(4000) > 99), x, decimals=6),
        "row 102, column t: a pause of 200 s. Allowed: one run without a pause. "
        "Fix: cut it out with skip_s and length_s, or delete these rows.",
    ),
    (
        "mixed units, the other one smaller",
        lambda x: column(np.where(np.arange(4000) >= 3000, x / 1000, x), decimals=7),
        "row 3002, column frame: mixed units: {} ms here, typically {} ms. "
        "Allowed: one unit in the whole column. Fix: write it in one unit.",
    ),
    (
        "mixed units, the other one larger",
        lambda x: column(np.where(np.arange(4000) >= 3000, x * 1000, x)),
        "row 3002, column frame: mixed units: {} ms here, typically {} ms. "
        "Allowed: one unit in the whole column. Fix: write it in one unit.",
    ),
    (
        "a word",
        lambda x: column(x).replace(f"{x[2]:.4f}", "N/A", 1),
        'row 4, column frame: "N/A" is not a number. Allowed: a number in every row. '
        "Fix: delete the row.",
    ),
    (
        "a word in the first rows",
        lambda x: column(x).replace(f"{x[0]:.4f}", "0", 1).replace(f"{x[1]:.4f}", "N/A", 1),
        'row 3, column frame: "N/A" is not a number. Allowed: a number in every row. '
        "Fix: delete the row.",
    ),
    (
        "a short first row",
        lambda x: columns("a,b", x, np.arange(4000.0)).replace(",0.0000\n", "\n", 1),
        "row 2: the row has 1 cells, the others have 2. Allowed: 2 cells. "
        "Fix: correct or delete the row.",
    ),
    (
        "a short row",
        lambda x: columns("a,b", x, np.arange(4000.0)).replace(",7.0000\n", "\n", 1),
        "row 9: the row has 1 cells, the others have 2. Allowed: 2 cells. "
        "Fix: correct or delete the row.",
    ),
]


def without_numbers(message: str, pattern: str) -> bool:
    begin, *rest = pattern.split("{}")
    place = message.find(begin)
    return place >= 0 and all(part in message[place:] for part in rest)


@pytest.mark.parametrize(("make", "message"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_faults_are_errors_with_their_row(tmp_path: Path, make: object, message: str) -> None:
    assert callable(make)
    found = faults(read(tmp_path, make(TIMES)))
    assert len([one for one in found if one.startswith("error")]) == 1, found
    assert without_numbers(found[0], f"error: frames/log, {message}"), found


WARNINGS = [
    (
        column(TIMES) + "11.",
        '4002: the last row is cut off ("11.") and left out. Allowed: whole rows. '
        "Fix: nothing, if one frame less is fine.",
    ),
    (
        columns("a,b", TIMES, np.full(4000, 7.0)) + "12.1",
        '4002: the last row is cut off ("12.1") and left out. Allowed: whole rows. '
        "Fix: nothing, if one frame less is fine.",
    ),
    (
        column(np.r_[0, TIMES]).replace("\n0.0000\n", "\nN/A\n"),
        "2, column frame: the first row has no frame time and is left out. Allowed: a frame time "
        "in every row. Fix: nothing: a first frame has no frame before it.",
    ),
    (
        column(np.r_[0, TIMES]),
        "2, column frame: the first row has no frame time and is left out. Allowed: a frame time "
        "in every row. Fix: nothing: a first frame has no frame before it.",
    ),
]


@pytest.mark.parametrize(("content", "message"), WARNINGS)
def test_what_can_be_put_right_is_a_warning(tmp_path: Path, content: str, message: str) -> None:
    log = read(tmp_path, content)
    assert faults(log) == [f"warning: frames/log, row {message}"]
    assert_array_equal(times_of(log), TIMES)


def test_a_long_frame_is_worth_a_word(tmp_path: Path) -> None:
    log = read(tmp_path, column(np.where(np.arange(4000) == 700, 7000, TIMES)))
    assert faults(log) == [
        "warning: frames/log, row 702, column frame: one frame takes 7.0 s. "
        "Fix: cut it out with skip_s and length_s, or delete these rows."
    ]


def test_many_faults_are_counted(tmp_path: Path) -> None:
    log = read(tmp_path, column(np.where(np.arange(4000) % 10 == 5, -1, TIMES)))
    found = log.faults.log.problems()
    assert len(found) == 21
    assert found[-1].what == "and 380 more like the 20 listed"
    assert [problem.row for problem in found[:3]] == [7, 17, 27]


def test_rows_are_right_behind_blank_lines(tmp_path: Path) -> None:
    text = column(np.where(np.arange(4000) == 700, -3, TIMES)).replace("\n", "\n\n")
    (found,) = faults(read(tmp_path, text))
    assert "row 1403, column frame: a frame time of -3 ms" in found


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(64, 20_000), st.booleans(), st.booleans())
def test_frames_do_not_depend_on_the_size_of_segments(size: int, clock: bool, end: bool) -> None:
    text = column(CLOCK if clock else TIMES, decimals=6)
    data = (text if end else text.removesuffix("\n")).encode()
    layout = find_layout(data, whole_file=True)
    from io import BytesIO

    segments = list(quick_segments(BytesIO(data), layout, [0], size))
    whole = list(quick_segments(BytesIO(data), layout, [0]))
    assert len(whole) == (1 if end else 2)
    joined, at_once = (np.concatenate([c[0] for _, c in found]) for found in (segments, whole))
    assert_array_equal(joined, at_once)
    counts = np.cumsum([2, *(len(found[0]) for _, found in segments)])
    assert [row for row, _ in segments] == list(counts[:-1])


def test_a_log_in_many_segments_has_the_same_frames_and_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = column(CLOCK - 0.5 * (np.arange(4000) >= 2000), "t", 6)
    whole = read(tmp_path, text)
    monkeypatch.setattr(text_module, "SEGMENT", 1000)
    monkeypatch.setattr(text_module.quick_segments, "__defaults__", (1000,))
    parts = read(tmp_path, text)
    assert_array_equal(times_of(parts), times_of(whole))
    assert faults(parts) == faults(whole)
    blank = text.replace("\n", "\n\n")
    assert_array_equal(times_of(read(tmp_path, blank)), times_of(whole))


@pytest.mark.parametrize("limit", [1, 1000, 10**9])
def test_a_spool_gives_back_what_it_took(limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spool_module, "IN_MEMORY", limit)
    spool = Spool()
    for part in np.array_split(TIMES, 9):
        spool.append(part)
    assert spool.count == 4000
    assert_array_equal(spool.read(0, 4000), TIMES)
    assert_array_equal(spool.read(1234, 1239), TIMES[1234:1239])
    assert len(spool.read(7, 7)) == 0
    spool.close()


def test_a_file_that_changes_meanwhile_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from scalemodel.data.logs import reading

    prints = iter([(1, 1), (2, 2)])
    monkeypatch.setattr(reading, "fingerprint", lambda _: next(prints))
    assert refused(tmp_path, column(TIMES)).startswith("the file changed while it was being read")
