"""Bad input through the command line: one clear message or a row with its reason, never a crash.

What the reader says of single cells is tested word for word beside the reader; here every kind of
bad input goes once through the commands, for their exit status and what they leave behind.
"""

import csv
import io
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scalemodel.cli.main import run
from scalemodel.data import tables
from tests.answers.small_lab import LEVELS, Settings, sheets, simulate

RATE = "a number above 0 and up to 100,000 (frames per second)"
CORRECT = "correct the cell or delete the row"
HEADER = "card,platform,game,preset,resolution,run,avg_fps"
QUICK = Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",), runs=2)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound bench of one chart; nobody tested "Mirel 45"."""
    return simulate(QUICK).write(tmp_path_factory.mktemp("sound") / "bench", without=("Mirel 45",))


@pytest.fixture
def broken(bench: Path, tmp_path: Path) -> Path:
    """A copy of it to be spoilt."""
    folder = tmp_path / "broken"
    folder.mkdir()
    for name in ("cards.csv", "results.csv"):
        (folder / name).write_bytes((bench / name).read_bytes())
    return folder


def call(*words: str | Path, code: int) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def refused(*words: str | Path) -> list[str]:
    """Ask, expect exit status 2 and nothing on standard output, and give the message's lines."""
    result = call(*words, code=2)
    assert result.stdout == ""
    return result.stderr.splitlines()


def rows(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(result.stdout)))


def with_first_rate(folder: Path, cell: str) -> Path:
    head, first, rest = (folder / "results.csv").read_text().split("\n", 2)
    first = f"{first.rsplit(',', 1)[0]},{cell}"
    (folder / "results.csv").write_text(f"{head}\n{first}\n{rest}")
    return folder


@pytest.mark.parametrize(
    ("cell", "what", "fix"),
    [
        ("fast", '"fast" is not a number', CORRECT),
        ("-60", '"-60" is too small', CORRECT),
        ("0", '"0" is too small', CORRECT),
        ("1e6", '"1e6" is too large', CORRECT),
        ("", "the cell is empty", CORRECT),
        ("=1+1", '"=1+1" is a formula', "save the file with values"),
        (
            "nan",
            '"nan" is not a finite number',
            "write the number, or leave the cell empty where that is allowed",
        ),
        (
            "inf",
            '"inf" is not a finite number',
            "write the number, or leave the cell empty where that is allowed",
        ),
    ],
)
@pytest.mark.parametrize("command", ["ceilings", "lead"])
def test_bad_rates(broken: Path, command: str, cell: str, what: str, fix: str) -> None:
    more = ("Mirel 55", "Halvor D") if command == "lead" else ()
    assert refused(command, with_first_rate(broken, cell), *more) == [
        f"1 problem in {broken}; nothing was read.",
        f"results.csv, row 2, column avg_fps: {what}. Allowed: {RATE}. Fix: {fix}.",
    ]
    assert not (broken / ".scalemodel").exists()


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (
            b"",
            "the file is empty. Allowed: a header and at least one row. Fix: fill the file or "
            "remove it.",
        ),
        (
            b"Mirel 10,Bench,Game 1,High,1920x1080,1,60\n",
            "there is no header: the first row names none of the columns. Allowed: card, "
            "platform, game, preset, resolution, run, avg_fps. Fix: make the column names the "
            "first row.",
        ),
        (
            HEADER.encode() + b"\n",
            "the file has a header but no rows. Allowed: at least one row. Fix: add rows.",
        ),
    ],
)
def test_files_without_a_table(broken: Path, content: bytes, problem: str) -> None:
    (broken / "results.csv").write_bytes(content)
    assert refused("fit", broken) == [
        f"1 problem in {broken}; nothing was read.",
        f"results.csv: {problem}",
    ]


def test_bytes_that_are_not_utf8(broken: Path) -> None:
    with (broken / "results.csv").open("ab") as stream:
        stream.write(b"Mirel 10,Bench,Caf\xe9,High,2560x1440,1,60\n")
    assert refused("fit", broken)[1:] == [
        "results.csv, row 22: the byte 0xE9 is not UTF-8. Allowed: text saved as UTF-8. "
        'Fix: save the file as "CSV UTF-8".'
    ]


def test_a_missing_bench_and_a_missing_file(broken: Path, tmp_path: Path) -> None:
    assert refused("fit", tmp_path / "none")[1:] == [
        f"{tmp_path / 'none'}: there is no such folder. Allowed: a folder with cards.csv and "
        "results.csv. Fix: correct the path."
    ]
    (broken / "cards.csv").unlink()
    assert refused("fit", broken)[1:] == [
        "cards.csv: the file is missing. Allowed: cards.csv or cards.parquet. "
        "Fix: put it into the folder."
    ]


def test_a_missing_file_of_specs(bench: Path, tmp_path: Path) -> None:
    assert refused("predict", bench, "--specs", tmp_path / "no.csv")[1:] == [
        "no.csv: the file is missing. Allowed: a readable file. "
        "Fix: put it there or correct the path."
    ]


def test_a_card_without_a_sheet_is_left_out_with_the_reason(broken: Path) -> None:
    with (broken / "results.csv").open("a") as stream:
        stream.write("Mirel 99,Bench,Game 1,High,2560x1440,1,60\n")
    left_out = rows(call("fit", broken, "--left-out", code=0))
    assert [(row["card"], row["reason"]) for row in left_out] == [
        ("Mirel 99", "the card is not in the table of cards")
    ]
    assert refused("lead", broken, "Mirel 99", "Mirel 10") == [
        'No measured card is named "Mirel 99". Allowed: a card with results, such as "Mirel 55", '
        '"Mirel 35", "Mirel 30".'
    ]


def test_a_run_given_twice_is_left_out_with_the_reason(broken: Path) -> None:
    text = (broken / "results.csv").read_text()
    (broken / "results.csv").write_text(text + text.splitlines()[1] + "\n")
    left_out = rows(call("fit", broken, "--left-out", code=0))
    assert [(row["card"], row["run"], row["reason"]) for row in left_out] == [
        ("Mirel 10", "1", "the same run as row 2")
    ]


def test_a_chart_with_one_card_is_listed_with_the_reason(broken: Path) -> None:
    with (broken / "results.csv").open("a") as stream:
        stream.write("Mirel 30,Bench,Game 1,Low,2560x1440,1,60\n")
    charts = rows(call("ceilings", broken, "--charts", code=0))
    assert [(row["preset"], row["verdict"], row["reason"]) for row in charts][1] == (
        "Low",
        "not_usable",
        "only one card",
    )


def write_specs(folder: Path, **changes: object) -> Path:
    table = sheets()
    one = table[table["card"] == "Mirel 45"].assign(**changes)
    one.to_csv(folder / "specs.csv", index=False)
    return folder / "specs.csv"


def test_a_sheet_without_bandwidth(bench: Path, tmp_path: Path) -> None:
    specs = write_specs(tmp_path, memory_bandwidth_gbs="")
    assert refused("predict", bench, "--specs", specs, "-o", tmp_path / "out.csv") == [
        f"1 problem in {specs}; nothing was read.",
        'specs.csv, row 2, column memory_bandwidth_gbs: the card "Mirel 45" has no memory '
        "bandwidth. Allowed: memory_bandwidth_gbs, or both memory_bus_bits and memory_rate_gbps. "
        "Fix: fill in one of the two from the spec sheet.",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["specs.csv"]


def test_a_card_of_an_unknown_architecture_is_predicted_and_said(
    bench: Path, tmp_path: Path
) -> None:
    specs = write_specs(tmp_path, architecture="Dune")
    (row,) = rows(call("predict", bench, "--specs", specs, code=0))
    assert row["basis"] == "new architecture of a tested vendor"
    assert row["reason"] == ""
    assert float(row["lower"]) < float(row["median"]) < float(row["upper"])


def test_a_card_far_outside_is_a_row_with_the_reason(bench: Path, tmp_path: Path) -> None:
    (row,) = rows(call("predict", bench, "--specs", write_specs(tmp_path, shaders=60000), code=0))
    assert [row[name] for name in ("lower", "median", "upper", "p_ceiling")] == [""] * 4
    assert row["reason"] == (
        "shaders x clock is 7.5x outside the tested cards; nothing is known that far out"
    )


@pytest.mark.parametrize(
    "words",
    [("lead", "Mirel 45", "Mirel 55"), ("predict", "--against", "Mirel 45")],
)
def test_a_card_that_was_not_tested(bench: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    more = ("--specs", write_specs(tmp_path)) if words[0] == "predict" else ()
    assert refused(words[0], bench, *words[1:], *more) == [
        'No measured card is named "Mirel 45". Allowed: a card with results, such as "Mirel 55", '
        '"Mirel 35", "Mirel 25".'
    ]


def test_two_cards_without_a_chart_in_common(tmp_path: Path) -> None:
    lab = simulate(Settings(resolutions=("2560x1440",), runs=2))
    one = (lab.results["card"] == "Mirel 55") & lab.results["game"].isin(["Game 1", "Game 2"])
    two = (lab.results["card"] == "Halvor D") & lab.results["game"].isin(["Game 3", "Game 4"])
    folder = lab.write(tmp_path / "bench")
    lab.results[~(one | two)].to_csv(folder / "results.csv", index=False)
    found = rows(call("lead", folder, "Mirel 55", "Halvor D", code=0))
    assert [(row["game"], row["used"], row["lead"], row["reason"]) for row in found] == [
        ("Game 1", "no", "", "no result of Mirel 55"),
        ("Game 2", "no", "", "no result of Mirel 55"),
        ("Game 3", "no", "", "no result of Halvor D"),
        ("Game 4", "no", "", "no result of Halvor D"),
        ("(all)", "no", "", "no result of Mirel 55 on 2 of 4 charts"),
        ("(all)", "no", "", "no result of Mirel 55 on 2 of 4 charts"),
    ]


def test_every_chart_at_the_ceiling(tmp_path: Path) -> None:
    capped = Settings(ceilings=dict.fromkeys(LEVELS, 20.0), resolutions=("1920x1080",), runs=2)
    folder = simulate(capped).write(tmp_path / "bench", without=("Mirel 45",))
    charts = rows(call("ceilings", folder, "--charts", code=0))
    assert {row["verdict"] for row in charts} == {"not_usable"}
    assert {row["reason"] for row in charts} == {"fewer than two cards stay below the ceiling"}
    found = rows(call("lead", folder, "Mirel 55", "Halvor D", code=0))
    reason = "Mirel 55 and Halvor D sit at the ceiling"
    assert [row["reason"] for row in found[:4]] == [reason] * 4
    predicted = rows(call("predict", folder, "--specs", write_specs(tmp_path), code=0))
    assert len(predicted) == 4
    assert all(float(row["median"]) == pytest.approx(20, rel=0.01) for row in predicted)


@pytest.mark.parametrize("level", ["0", "1", "1.5", "-0.1", "80"])
def test_levels_outside_0_to_1(bench: Path, level: str) -> None:
    said = f"Error: Invalid value for '--level': {float(level)} is not in the range 0<x<1."
    assert refused("lead", bench, "Mirel 55", "Mirel 35", "--level", level)[-1] == said


@pytest.mark.parametrize(
    "words", [("ceilings",), ("lead", "Mirel 55", "Mirel 35"), ("predict", "--specs")]
)
def test_a_level_that_is_no_number(bench: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    more = (write_specs(tmp_path),) if words[0] == "predict" else ()
    assert refused(words[0], bench, *words[1:], *more, "--level", "nan") == [
        "A level of nan is not between 0 and 1. The usual one is 0.8."
    ]


def test_an_unknown_metric(bench: Path) -> None:
    assert refused("ceilings", bench, "--metric", "median")[-1] == (
        "Error: Invalid value for '--metric': 'median' is not one of 'average', 'low_1pct', "
        "'low_01pct'."
    )


def test_a_metric_that_no_run_has(bench: Path) -> None:
    assert refused("ceilings", bench, "--metric", "low_1pct") == [
        f"{bench}: no run has low_1pct_fps. Fill that column of results, or ask for another metric."
    ]


def test_an_answer_into_a_missing_folder(bench: Path, tmp_path: Path) -> None:
    file = tmp_path / "none" / "out.csv"
    assert refused("ceilings", bench, "-o", file) == [
        f"{file}: this file cannot be written (No such file or directory). "
        "Fix: choose a folder that exists and that you may write to."
    ]
    assert list(tmp_path.iterdir()) == []


def test_too_few_cards_to_fit(broken: Path) -> None:
    text = (broken / "results.csv").read_text().splitlines()
    (broken / "results.csv").write_text("\n".join([*text[:5], ""]))
    assert refused("fit", broken) == [
        f"{broken}: 2 cell(s) of 2 card(s) are too few to fit. Needed: at least 6 cells of "
        "3 cards. Add results of more cards."
    ]


@pytest.fixture
def locked(bench: Path) -> Iterator[Path]:
    """A bench whose folder nobody may open, seen by a user whom permissions bind."""
    if not hasattr(os, "geteuid"):
        pytest.skip("needs permissions as POSIX has them")
    root = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "results.csv").write_bytes((bench / "results.csv").read_bytes())
        if root:
            os.chown(folder, 65534, 65534)
            os.seteuid(65534)
        folder.chmod(0)
        try:
            yield folder
        finally:
            folder.chmod(0o755)
            if root:
                os.seteuid(0)


def test_a_folder_without_permission(locked: Path) -> None:
    assert refused("fit", locked)[1:] == [
        f"{locked}: the folder cannot be opened (Permission denied). Allowed: a folder with "
        "cards.csv and results.csv. Fix: allow opening it or correct the path."
    ]


def test_a_file_that_changes_while_it_is_read(
    broken: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = tables.open_rows

    def open_and_spoil(path: Path, known: frozenset[str], delimiter: str):
        if path.name == "results.csv":
            os.utime(path, ns=(1, 1))
        return real(path, known, delimiter)

    monkeypatch.setattr(tables, "open_rows", open_and_spoil)
    assert refused("fit", broken)[1:] == [
        "results.csv: the file changed while it was being read. Allowed: a file at rest. "
        "Fix: wait until it is saved and try again."
    ]


def test_a_million_rows_of_rubbish_are_given_up_early(broken: Path) -> None:
    # The file is written block by block, and reading stops after the first thousand errors.
    block = "x,y,z,q,r,s,t\n" * 10_000
    with (broken / "results.csv").open("w") as stream:
        stream.write(HEADER + "\n")
        for _ in range(100):
            stream.write(block)
    lines = refused("fit", broken)
    assert len(lines) < 60
    assert lines[1] == (
        'results.csv, row 2, column resolution: "r" is not a resolution. '
        f"Allowed: width x height in pixels, such as 1920x1080. Fix: {CORRECT}."
    )
    assert "up to row 10,001 where reading stopped" in lines[-1]


def test_an_interrupted_answer_leaves_the_old_file(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "out.csv"
    file.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert refused("ceilings", bench, "-o", file) == [
        f"{file}: this file cannot be written (No space left on device). "
        "Fix: choose a folder that exists and that you may write to."
    ]
    assert file.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["out.csv"]
