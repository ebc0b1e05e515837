"""The command reduce: its forms, its figures, what it says on the error stream, what it keeps."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from scalemodel.answers.reduced_rows import DEFINITIONS
from scalemodel.cli.main import run
from scalemodel.cli.reduce import LOWS
from tests.data.logs import column, frame_times, write_logs

TIMES = frame_times(4000)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    rows = ("a.csv", "b.csv", "bad.csv")
    bad = np.where(np.arange(4000) == 41, -1, TIMES)
    logs = {"a_csv": column(TIMES), "b_csv": column(TIMES[:500]), "bad_csv": column(bad)}
    return write_logs(tmp_path / "bench", rows, **logs)


BAD = (
    "error: frames/bad.csv, row 43, column frame: a frame time of -1 ms. Allowed: times above 0. "
    "Fix: delete the row, or correct the clock.\n"
)


def call(*words: object) -> Result:
    return CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)


def test_csv_has_the_runs_and_the_error_stream_what_is_wrong(bench: Path) -> None:
    result = call("reduce", bench)
    assert result.exit_code == 0
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["file"] for row in rows] == ["a.csv", "b.csv", "bad.csv"]
    assert rows[0]["avg_fps"] == f"{1000 * 4000 / TIMES.sum():.2f}"
    assert rows[0]["low_1pct_fps"] == f"{1000 / np.quantile(TIMES, 0.99):.2f}"
    assert rows[1]["low_01pct_fps"] == ""
    assert rows[2]["exclude"] == "yes"
    assert rows[2]["reason"] == "not reduced: row 43: a frame time of -1 ms"
    assert result.stderr == BAD


def test_json_names_the_definition(bench: Path) -> None:
    document = json.loads(call("reduce", bench, "--format", "json", "--lows", LOWS[1]).stdout)
    assert document["lows"] == "slowest_mean"
    assert document["problems"][0]["row"] == 43
    assert document["records"][0]["lows"] == "slowest_mean"
    assert document["records"][2]["avg_fps"] is None


def test_the_table_says_which_definition_and_what_to_look_at(bench: Path) -> None:
    result = call("reduce", bench, "--format", "table")
    words = " ".join(result.stdout.split())
    assert "Lows are by the definition quantile" in words
    assert "by slowest_mean" in words
    assert "b.csv: 0.1% low: 500 frames are fewer than the 2,995 needed" in words
    assert '2 logs: column "frame" in ms: the only column of plausible frame times' in words
    assert "error frames/bad.csv, row 43" in words


def test_runs_are_drawn(bench: Path, tmp_path: Path) -> None:
    result = call("reduce", bench, "--figure", tmp_path / "run.png", "-o", tmp_path / "r.csv")
    assert result.exit_code == 0
    made = sorted(path.name for path in tmp_path.glob("*.png"))
    assert made == ["run-a.png", "run-b.png"]
    result = call("reduce", bench, "--log", "a.csv", "--figure", tmp_path / "one.svg")
    assert (tmp_path / "one.svg").read_bytes().startswith(b"<?xml")
    assert result.stderr == f"Drew {tmp_path / 'one.svg'}\n"


def test_measured_results_are_not_written_over(bench: Path) -> None:
    results = bench / "results.csv"
    results.write_text("card,avg_fps\nmine,60\n")
    result = call("reduce", bench, "-o", results)
    assert result.exit_code == 2
    assert result.stderr == (
        f"{results}: this file holds results already; nothing was overwritten. "
        "Fix: write to another file, such as runs.csv, and add its rows.\n"
    )
    assert results.read_text() == "card,avg_fps\nmine,60\n"
    results.unlink()
    assert call("reduce", bench, "-o", results).exit_code == 0
    assert call("reduce", bench, "-o", results).exit_code == 0


def test_no_logs_is_bad_input(tmp_path: Path) -> None:
    result = call("reduce", tmp_path)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "frames.csv: the file is missing" in result.stderr


def test_the_definitions_are_those_of_the_answer() -> None:
    assert tuple(DEFINITIONS) == LOWS
