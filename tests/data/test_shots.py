"""latency.csv: which shots are left out and why, and what is warned of."""

from pathlib import Path

from scalemodel.data.bench import check_bench, read_bench
from tests.data.benches import error_lines, warning_lines, write_bench

HEADER = "card,platform,game,preset,resolution,shot,latency_ms,refresh_hz,exclude,note\n"
PLACE = "Bench 1,Tide,High,2560x1440"


def shots(*rows: str) -> str:
    return HEADER + "".join(f"{row}\n" for row in rows)


def test_shots_are_read_and_counted(tmp_path: Path) -> None:
    text = shots(*(f"Ostra 4,{PLACE},{n},3{n}.5,240,," for n in range(3)))
    folder = write_bench(tmp_path, latency=text)
    bench = read_bench(folder)
    assert bench.latency["latency_ms"].tolist() == [30.5, 31.5, 32.5]
    assert (bench.latency["reason"] == "").all()
    assert check_bench(folder).counts["shots"] == 3


def test_shots_do_not_change_what_a_fit_rests_on(tmp_path: Path) -> None:
    without = read_bench(write_bench(tmp_path))
    text = shots(f"Ostra 4,{PLACE},1,30,240,,")
    assert read_bench(write_bench(tmp_path, latency=text)).digest == without.digest
    assert without.latency.empty
    assert "reason" in without.latency


def test_shots_left_out_have_their_reason(tmp_path: Path) -> None:
    text = shots(
        f"Ostra 4,{PLACE},1,30,240,,",
        f"Ostra 4,{PLACE},1,31,240,,",
        f"ostra 4,{PLACE},2,31,240,,",
        f"Ostra 4,{PLACE},3,,240,yes,slipped",
    )
    write_bench(tmp_path, latency=text)
    found = read_bench(tmp_path).latency
    assert found["reason"].tolist() == [
        "",
        "the same shot as row 2",
        "the card is not in the table of cards",
        "marked exclude: slipped",
    ]
    assert warning_lines(tmp_path)[-2:] == [
        "latency.csv, row 3, column shot: this shot of the card and chart is already in row 2; "
        "this row is left out. Allowed: each shot of a cell and date once. Fix: number the shots "
        "of a cell 1, 2, 3 or delete the row.",
        'latency.csv, row 4, column card: the card "ostra 4" is not in the table of cards; its '
        "shot is left out. Allowed: a card of the table of cards. Fix: write "
        '"Ostra 4" as in the table of cards.',
    ]


def test_a_wild_shot_is_warned_of(tmp_path: Path) -> None:
    times = [30.1, 30.9, 29.7, 30.4, 31.0, 29.9, 30.2, 30.6, 55.0]
    text = shots(*(f"Ostra 4,{PLACE},{n},{t},240,," for n, t in enumerate(times)))
    (line,) = [w for w in warning_lines(write_bench(tmp_path, latency=text)) if "latency" in w]
    assert line.startswith(
        "latency.csv, row 10, column latency_ms: 55 ms is far from the 30.4 ms that its repeats "
        "agree on."
    )


def test_a_bad_latency_stops_the_reading(tmp_path: Path) -> None:
    text = shots(f"Ostra 4,{PLACE},1,-3,240,,", f"Ostra 4,{PLACE},2,,240,,")
    assert len(error_lines(write_bench(tmp_path, latency=text))) == 2
