"""Every message that refuses a bench, word for word."""

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from scalemodel.data.bench import BenchError, check_bench, read_bench, read_specs
from tests.data.benches import CARDS, RESULTS, error_lines, results, write_bench

RATE = "a number above 0 and up to 100,000 (frames per second)"
CORRECT = "correct the cell or delete the row"


def run(rate: str) -> str:
    return results(f"Ostra 4,Bench 1,Tide,High,2560x1440,1,{rate}")


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("abc", f'"abc" is not a number. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("-3", f'"-3" is too small. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("0", f'"0" is too small. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("1e6", f'"1e6" is too large. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("100000.1", f'"100000.1" is too large. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("1e999", f'"1e999" is too large. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("", f"the cell is empty. Allowed: {RATE}. Fix: {CORRECT}."),
        ("  ", f"the cell is empty. Allowed: {RATE}. Fix: {CORRECT}."),
        ("1_000", f'"1_000" is not a number. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("٣", f'"٣" is not a number. Allowed: {RATE}. Fix: {CORRECT}.'),
        ("0x1F", f'"0x1F" is not a number. Allowed: {RATE}. Fix: {CORRECT}.'),
        (
            "NaN",
            f'"NaN" is not a finite number. Allowed: {RATE}. '
            "Fix: write the number, or leave the cell empty where that is allowed.",
        ),
        (
            "-Infinity",
            f'"-Infinity" is not a finite number. Allowed: {RATE}. '
            "Fix: write the number, or leave the cell empty where that is allowed.",
        ),
        (
            "=AVERAGE(B2:B4)",
            f'"=AVERAGE(B2:B4)" is a formula. Allowed: {RATE}. Fix: save the file with values.',
        ),
        (
            '"1,234"',
            f'"1,234" is not a number with a decimal point. Allowed: {RATE}. '
            "Fix: write the number with a decimal point and no thousands separator.",
        ),
        (
            "\x1b[31mred",
            f'"\\x1b[31mred" is not a number. Allowed: {RATE}. Fix: {CORRECT}.',
        ),
        (
            "x" * 60,
            f'"{"x" * 37}..." is not a number. Allowed: {RATE}. Fix: {CORRECT}.',
        ),
    ],
)
def test_rate_cells(tmp_path: Path, cell: str, message: str) -> None:
    lines = error_lines(write_bench(tmp_path, results=run(cell)))
    assert lines == [f"results.csv, row 2, column avg_fps: {message}"]


def test_rate_of_just_one_hundred_thousand_is_allowed(tmp_path: Path) -> None:
    bench = read_bench(write_bench(tmp_path, results=run("100000")))
    assert bench.results["avg_fps"].tolist() == [100_000.0]


@pytest.mark.parametrize(
    ("column", "cell", "message"),
    [
        (
            "low_1pct_fps",
            "low",
            f'"low" is not a number. Allowed: {RATE}, or nothing. Fix: {CORRECT}.',
        ),
        (
            "power_w",
            "0",
            '"0" is too small. Allowed: a number above 0 and up to 10,000 (W), or nothing. '
            f"Fix: {CORRECT}.",
        ),
        (
            "frame_generation",
            "maybe",
            '"maybe" is neither yes nor no. '
            f"Allowed: yes, no, true, false, 1, 0, on or off, or nothing. Fix: {CORRECT}.",
        ),
        (
            "date",
            "2026-02-30",
            '"2026-02-30" is not a date. '
            f"Allowed: a date such as 2026-03-14, 2026-03 or 2026, or nothing. Fix: {CORRECT}.",
        ),
    ],
)
def test_optional_cells(tmp_path: Path, column: str, cell: str, message: str) -> None:
    row = f"Ostra 4,Bench 1,Tide,High,2560x1440,1,60,{cell}"
    lines = error_lines(write_bench(tmp_path, results=results(row, extra=f",{column}")))
    assert lines == [f"results.csv, row 2, column {column}: {message}"]


@pytest.mark.parametrize("cell", ["1440p", "2560*1440", "0x1440", "2560x", "2560x1440x3"])
def test_resolution_cells(tmp_path: Path, cell: str) -> None:
    text = results(f"Ostra 4,Bench 1,Tide,High,{cell},1,60")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        f'results.csv, row 2, column resolution: "{cell}" is not a resolution. '
        f"Allowed: width x height in pixels, such as 1920x1080. Fix: {CORRECT}."
    ]


def test_empty_and_unprintable_ids(tmp_path: Path) -> None:
    text = results(
        ',Bench 1,"Ti\nde",High,2560x1440,,60', "Ostra 4,Bench 1,Ti\u200bde,High,1x1,1,60"
    )
    allowed = f"Allowed: text in one line. Fix: {CORRECT}."
    assert error_lines(write_bench(tmp_path, results=text)) == [
        f"results.csv, row 2, column card: the cell is empty. {allowed}",
        'results.csv, row 2, column game: "Ti\\nde" holds a line break or an invisible '
        f"character. {allowed}",
        f"results.csv, row 2, column run: the cell is empty. {allowed}",
        'results.csv, row 3, column game: "Ti\\u200bde" holds a line break or an invisible '
        f"character. {allowed}",
    ]


def test_missing_columns_name_the_nearest(tmp_path: Path) -> None:
    text = RESULTS.replace("avg_fps", "average_fps").replace(",preset,", ",quality,")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        "results.csv: the column preset is missing. Allowed: every required column. "
        "Fix: add the column.",
        "results.csv: the column avg_fps is missing. Allowed: every required column. "
        'Fix: rename "average_fps" if that is it, or add the column.',
    ]


def test_double_column(tmp_path: Path) -> None:
    text = RESULTS.replace(",run,", ",Game,")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        'results.csv: the column "Game" is there twice. Allowed: each column once. '
        "Fix: rename or remove one of them.",
        "results.csv: the column run is missing. Allowed: every required column. "
        "Fix: add the column.",
    ]


def test_no_header(tmp_path: Path) -> None:
    text = RESULTS.partition("\n")[2]
    assert error_lines(write_bench(tmp_path, results=text)) == [
        "results.csv: there is no header: the first row names none of the columns. "
        "Allowed: card, platform, game, preset, resolution, run, avg_fps. "
        "Fix: make the column names the first row."
    ]


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "the file is empty"),
        (b"\xef\xbb\xbf", "the file is empty"),
        (b"\n \n;;;\n", "the file holds nothing but blank lines"),
    ],
)
def test_nothing_in_the_file(tmp_path: Path, content: bytes, what: str) -> None:
    assert error_lines(write_bench(tmp_path, cards=content)) == [
        f"cards.csv: {what}. Allowed: a header and at least one row. "
        "Fix: fill the file or remove it."
    ]


def test_header_without_rows(tmp_path: Path) -> None:
    assert error_lines(write_bench(tmp_path, results=results())) == [
        "results.csv: the file has a header but no rows. Allowed: at least one row. Fix: add rows."
    ]


def test_rows_wider_than_the_header(tmp_path: Path) -> None:
    text = results("Ostra 4,Bench 1,Tide,High,2560x1440,1,60,5", extra="")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 2: the row has more cells than the header: "5". '
        "Allowed: one cell for each named column. Fix: name the column or delete the cell; "
        "text or a number with a comma in it needs quotes."
    ]


def test_cells_under_no_name(tmp_path: Path) -> None:
    text = RESULTS.replace(",", ";").replace("avg_fps\n", "avg_fps;\n").replace("97.9", "97.9;x")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        'results.csv, row 5: the row has a cell in a column without a name: "x". '
        "Allowed: one cell for each named column. Fix: name the column or delete the cell."
    ]


def test_bytes_that_are_not_utf8_name_their_row(tmp_path: Path) -> None:
    text = results(
        '"Ostra 4",Bench 1,"Ti\nde",High,1x1,1,60', "", "Ostra 4,Bench 1,Mar\xe9e,High,1x1,1,60"
    )
    assert error_lines(write_bench(tmp_path, results=text.encode("latin-1"))) == [
        "results.csv, row 4: the byte 0xE9 is not UTF-8. Allowed: text saved as UTF-8. "
        'Fix: save the file as "CSV UTF-8".'
    ]


def test_bytes_of_the_header_that_are_not_utf8(tmp_path: Path) -> None:
    assert error_lines(write_bench(tmp_path, results=b"\ncard,\xff\n")) == [
        "results.csv, row 2: the byte 0xFF is not UTF-8. Allowed: text saved as UTF-8. "
        'Fix: save the file as "CSV UTF-8".'
    ]


def test_other_encodings(tmp_path: Path) -> None:
    write_bench(tmp_path, cards=CARDS.encode("utf-16"), results=RESULTS.encode("utf-16-le"))
    assert error_lines(tmp_path) == [
        "cards.csv: the text is saved as UTF-16. Allowed: text saved as UTF-8. "
        'Fix: save the file as "CSV UTF-8".',
        "results.csv, row 1: a NUL byte: the file is not plain text. "
        'Allowed: text saved as UTF-8. Fix: save the file as "CSV UTF-8".',
    ]


@pytest.mark.parametrize(
    ("row", "what"),
    [
        ('Ostra 4,"Bench 1,Tide,High,2560x1440,1,60', "a quote is opened and never closed"),
        (
            'Ostra 4,"Bench" 1,Tide,High,2560x1440,1,60',
            "a quote inside a quoted cell is not doubled",
        ),
        (
            f'Ostra 4,"{"y" * 140_000}",Tide,High,2560x1440,1,60',
            "a cell is longer than 131,072 characters, or its quote is never closed",
        ),
    ],
)
def test_broken_quotes(tmp_path: Path, row: str, what: str) -> None:
    assert error_lines(write_bench(tmp_path, results=results(row))) == [
        f'results.csv, row 2: {what}. Allowed: cells in "double quotes", a quote inside them '
        "doubled. Fix: correct the quotes in this row."
    ]


def test_endless_line(tmp_path: Path) -> None:
    assert error_lines(write_bench(tmp_path, results=RESULTS + "z" * 3_000_000)) == [
        "results.csv, row 6: a line is longer than 1,048,576 characters. "
        "Allowed: one run or card a line. Fix: check that this is a CSV file."
    ]


def test_missing_files_are_named_together(tmp_path: Path) -> None:
    assert error_lines(tmp_path) == [
        "cards.csv: the file is missing. Allowed: cards.csv or cards.parquet. "
        "Fix: put it into the folder.",
        "results.csv: the file is missing. Allowed: results.csv or results.parquet. "
        "Fix: put it into the folder.",
    ]


def test_two_files_for_one_table(tmp_path: Path) -> None:
    (write_bench(tmp_path) / "cards.parquet").write_bytes(b"")
    assert error_lines(tmp_path) == [
        "cards.csv: cards.parquet is there too. Allowed: one file for each table. "
        "Fix: keep the right one."
    ]


def test_missing_folder(tmp_path: Path) -> None:
    path = tmp_path / "nowhere"
    message = (
        f"1 problem in {path}; nothing was read.\n{path}: there is no such folder. "
        "Allowed: a folder with cards.csv and results.csv. Fix: correct the path."
    )
    for reader in (read_bench, check_bench):
        with pytest.raises(BenchError) as caught:
            reader(path)
        assert str(caught.value) == message


def test_file_instead_of_folder(tmp_path: Path) -> None:
    path = tmp_path / "bench.txt"
    path.touch()
    assert error_lines(path) == [
        f"{path}: this is not a folder. Allowed: a folder with cards.csv and results.csv. "
        "Fix: correct the path."
    ]


def test_folder_instead_of_file(tmp_path: Path) -> None:
    write_bench(tmp_path)
    (tmp_path / "cards.csv").unlink()
    (tmp_path / "cards.csv").mkdir()
    assert error_lines(tmp_path) == [
        "cards.csv: this is a folder or a device, not a file. Allowed: a plain file. "
        "Fix: put the table there."
    ]


@pytest.mark.parametrize(
    ("error", "what", "fix"),
    [
        (
            PermissionError(13, "Permission denied"),
            "you have no permission to read the file",
            "allow reading it",
        ),
        (
            FileNotFoundError(2, "No such file"),
            "the file is missing",
            "put it there or correct the path",
        ),
        (
            OSError(5, "whatever the system says"),
            f"the file cannot be read ({os.strerror(5)})",
            "check the disk and the path",
        ),
    ],
)
def test_errors_of_the_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, what: str, fix: str
) -> None:
    write_bench(tmp_path)

    def refuse(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(Path, "open", refuse)
    ending = f"{what}. Allowed: a readable file. Fix: {fix}."
    assert error_lines(tmp_path) == [f"cards.csv: {ending}", f"results.csv: {ending}"]


@pytest.fixture
def bench_of_an_ordinary_user() -> Iterator[Path]:
    """Make a bench, and if this is root be somebody whom permissions bind while it is used."""
    if not hasattr(os, "geteuid"):
        pytest.skip("needs permissions as POSIX has them")
    root = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        write_bench(folder)
        if root:
            os.chown(folder, 65534, 65534)
            os.chown(folder / "cards.csv", 65534, 65534)
            os.seteuid(65534)
        try:
            yield folder
        finally:
            if root:
                os.seteuid(0)
            folder.chmod(0o755)


def test_file_without_permission(bench_of_an_ordinary_user: Path) -> None:
    (bench_of_an_ordinary_user / "cards.csv").chmod(0)
    assert error_lines(bench_of_an_ordinary_user) == [
        "cards.csv: you have no permission to read the file. Allowed: a readable file. "
        "Fix: allow reading it."
    ]


def test_folder_without_permission(bench_of_an_ordinary_user: Path) -> None:
    bench_of_an_ordinary_user.chmod(0)
    with pytest.raises(BenchError) as caught:
        check_bench(bench_of_an_ordinary_user)
    assert str(caught.value).splitlines()[1] == (
        f"{bench_of_an_ordinary_user}: the folder cannot be opened ({os.strerror(13)}). "
        "Allowed: a folder with cards.csv and results.csv. "
        "Fix: allow opening it or correct the path."
    )


def test_file_name_in_capitals(tmp_path: Path) -> None:
    write_bench(tmp_path)
    (tmp_path / "results.csv").rename(tmp_path / "Results.CSV")
    if (tmp_path / "results.csv").exists():
        pytest.skip("this file system does not mind capitals")
    assert error_lines(tmp_path) == [
        "results.csv: the file is missing. Allowed: results.csv or results.parquet. "
        'Fix: rename "Results.CSV".'
    ]


def test_unprintable_column_names_stay_in_one_line(tmp_path: Path) -> None:
    text = RESULTS.replace("avg_fps", '"\x01avg\nfps"')
    assert error_lines(write_bench(tmp_path, results=text)) == [
        "results.csv: the column avg_fps is missing. Allowed: every required column. "
        'Fix: rename "\\x01avg\\nfps" if that is it, or add the column.'
    ]


@pytest.mark.parametrize("change", ["content", "time"])
def test_file_that_changes_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    from scalemodel.data import tables

    write_bench(tmp_path)
    file = tmp_path / "results.csv"
    read = tables.read_source

    def read_and_change(*arguments: object) -> object:
        result = read(*arguments)  # type: ignore[arg-type]
        if arguments[2] == file.name:
            before = file.stat()
            if change == "content":
                file.write_text(RESULTS.replace("61.5", "16.5"))
                os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
            else:
                os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns + 10_000_000))
        return result

    monkeypatch.setattr(tables, "read_source", read_and_change)
    assert error_lines(tmp_path) == [
        "results.csv: the file changed while it was being read. Allowed: a file at rest. "
        "Fix: wait until it is saved and try again."
    ]


def test_card_listed_twice(tmp_path: Path) -> None:
    text = CARDS + "Ostra 4 ,Ostra,Reef,2048,2400,12,400\n"
    assert error_lines(write_bench(tmp_path, cards=text)) == [
        'cards.csv, row 4, column card: the card "Ostra 4" is already in row 2. '
        "Allowed: each card once. Fix: delete one of the rows or rename it."
    ]


def test_platform_listed_twice(tmp_path: Path) -> None:
    text = "platform,cpu\nBench 1,a\nBench 1,b\n"
    assert error_lines(write_bench(tmp_path, platforms=text)) == [
        'platforms.csv, row 3, column platform: the platform "Bench 1" is already in row 2. '
        "Allowed: each platform once. Fix: delete one of the rows or rename it."
    ]


def test_spec_sheet_without_bandwidth(tmp_path: Path) -> None:
    text = (
        "card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs,"
        "memory_bus_bits,memory_rate_gbps\nA,V,W,2048,2400,12,,256,\nB,V,W,2048,2400,12,,256,16\n"
    )
    path = tmp_path / "specs.csv"
    path.write_text(text)
    with pytest.raises(BenchError) as caught:
        read_specs(path)
    assert str(caught.value) == (
        f"1 problem in {path}; nothing was read.\n"
        'specs.csv, row 2, column memory_bandwidth_gbs: the card "A" has no memory bandwidth. '
        "Allowed: memory_bandwidth_gbs, or both memory_bus_bits and memory_rate_gbps. "
        "Fix: fill in one of the two from the spec sheet."
    )


def test_spec_sheets_without_any_bandwidth_column(tmp_path: Path) -> None:
    text = CARDS.replace("memory_bandwidth_gbs", "bandwidth_gb_s")
    assert error_lines(write_bench(tmp_path, cards=text)) == [
        "cards.csv: the column memory_bandwidth_gbs is missing. "
        "Allowed: memory_bandwidth_gbs, or both memory_bus_bits and memory_rate_gbps. "
        'Fix: rename "bandwidth_gb_s" if that is it, or add the column.'
    ]


def test_missing_spec_file(tmp_path: Path) -> None:
    path = tmp_path / "specs.csv"
    with pytest.raises(BenchError) as caught:
        read_specs(path)
    assert str(caught.value) == (
        f"1 problem in {path}; nothing was read.\nspecs.csv: the file is missing. "
        "Allowed: a readable file. Fix: put it there or correct the path."
    )


def test_two_scenes_of_one_name(tmp_path: Path) -> None:
    text = results("Ostra 4,Bench 1,A | B,C,1x1,1,60", "Ostra 4,Bench 1,A,B | C,1x1,1,60")
    assert error_lines(write_bench(tmp_path, results=text))[0] == (
        'results.csv, row 3, column preset: two different scenes would both be called "A | B | C". '
        'Allowed: names of games and presets without " | ". Fix: rename the preset.'
    )


def test_no_usable_run(tmp_path: Path) -> None:
    text = results("Ostra 4,Bench 1,Tide,High,1x1,1,60,yes", extra=",exclude")
    assert error_lines(write_bench(tmp_path, results=text)) == [
        "results.csv: no run is left after those to be left out. "
        "Allowed: at least one usable run. Fix: see the reasons above, or add runs."
    ]


def test_damaged_parquet(tmp_path: Path) -> None:
    write_bench(tmp_path)
    (tmp_path / "cards.csv").unlink()
    (tmp_path / "cards.parquet").write_bytes(b"PAR1 this is not it PAR1")
    (line,) = error_lines(tmp_path)
    assert line.startswith('cards.parquet: the file is not a sound Parquet file: "')
    assert line.endswith(
        '". Allowed: a Parquet file, or a CSV file named .csv. Fix: save the file again.'
    )


def test_all_problems_of_all_files_come_at_once_with_warnings_last(tmp_path: Path) -> None:
    cards = CARDS.replace("2048", "two") + "OSTRA 6,Ostra,Reef,0,2300,16,640\n"
    write_bench(tmp_path, cards=cards, results=run("abc"), platforms="platform\n\n")
    with pytest.raises(BenchError) as caught:
        read_bench(tmp_path)
    shaders = "Allowed: a number above 0 and up to 1,000,000. Fix: correct the cell or delete"
    assert str(caught.value).splitlines() == [
        f"4 problems and 1 warning in {tmp_path}; nothing was read.",
        f'cards.csv, row 2, column shaders: "two" is not a number. {shaders} the row.',
        f'cards.csv, row 4, column shaders: "0" is too small. {shaders} the row.',
        "platforms.csv: the file has a header but no rows. Allowed: at least one row. "
        "Fix: add rows.",
        f'results.csv, row 2, column avg_fps: "abc" is not a number. Allowed: {RATE}. '
        f"Fix: {CORRECT}.",
        'warning: cards.csv, row 4, column card: "OSTRA 6" and "Ostra 6" differ only in capitals '
        "or spaces. Allowed: one spelling for one thing. "
        "Fix: write both alike if they are the same.",
    ]
    assert [p.row for p in caught.value.problems] == [2, 4, None, 2, 4]
    assert [p.value for p in caught.value.problems] == ["two", "0", None, "abc", "OSTRA 6"]


def test_many_problems_of_a_kind_are_counted_not_listed(tmp_path: Path) -> None:
    rows = [f"Ostra 4,Bench 1,Tide,High,2560x1440,{i},bad" for i in range(25)]
    lines = error_lines(write_bench(tmp_path, results=results(*rows, ",P,G,H,1x1,1,5")))
    assert len(lines) == 22
    assert lines[19].startswith("results.csv, row 21, column avg_fps:")
    assert lines[20].startswith("results.csv, row 27, column card: the cell is empty.")
    assert lines[21] == (
        "results.csv, column avg_fps: and 5 more like the 20 listed. "
        "Fix: see to the ones listed and check again."
    )


def test_reading_rubbish_stops_early(tmp_path: Path) -> None:
    row = "Ostra 4,Bench 1,Tide,High,2560x1440,1,bad\n"
    text = RESULTS.partition("\n")[0] + "\n" + row * 60_000
    with pytest.raises(BenchError) as caught:
        read_bench(write_bench(tmp_path, results=text))
    head, *lines = str(caught.value).splitlines()
    assert head == f"10,000 problems in {tmp_path}; nothing was read."
    assert lines[-1] == (
        "results.csv, column avg_fps: and 9,980 more like the 20 listed, up to row 10,001 where "
        "reading stopped. Fix: see to the ones listed and check again."
    )
