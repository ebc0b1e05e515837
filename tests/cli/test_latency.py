"""The commands latency and lows: what they pass on, their rows, and what they refuse."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import scalemodel.cli.fitted as fitted_module
from scalemodel.cli.main import run
from scalemodel.data.bench import Bench
from scalemodel.errors import ScalemodelError
from tests.answers import latency_bench
from tests.answers.latency_bench import CARDS


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a bench that cannot be fitted."""

    def refused(read: Bench, metric: str) -> None:
        raise ScalemodelError(f"{read.source}: too few to fit {metric}.")

    monkeypatch.setattr(fitted_module, "fit_of", refused)
    return latency_bench.write(tmp_path / "bench", *latency_bench.tables())


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize(
    ("rows", "count"), [("cells", 32), ("lines", 3), ("cards", 8), ("pairs", 28), ("shots", 960)]
)
def test_every_table_can_be_asked_for(bench: Path, rows: str, count: int) -> None:
    assert len(read(call("latency", bench, "--rows", rows).stdout)) == count


def test_numbers_are_written_in_ms_with_two_decimals(bench: Path) -> None:
    row = read(call("latency", bench).stdout)[0]
    assert len(row["latency_ms"].partition(".")[2]) == 2
    assert row["off_line"] == "no"


def test_json_has_everything_and_says_that_there_is_no_fit(bench: Path) -> None:
    found = json.loads(call("latency", bench, "--format", "json", "--margin", "0.5").stdout)
    assert found["margin_ms"] == 0.5
    assert found["no_fit"].endswith("too few to fit average.")
    assert {"lines", "cards", "pairs", "records"} <= set(found)
    assert found["between_fps"] == [200.0, 300.0]


def test_two_cards_can_be_compared(bench: Path) -> None:
    rows = read(call("latency", bench, "--compare", *CARDS[:2]).stdout)
    assert [row["row_kind"] for row in rows] == ["chart"] * 4 + ["summary"]
    text = call("latency", bench, "--compare", *CARDS[:2], "--format", "table").stdout
    assert f"latency of {CARDS[0]} less that of {CARDS[1]}" in text


def test_a_figure_is_drawn(bench: Path, tmp_path: Path) -> None:
    result = call("latency", bench, "--figure", tmp_path / "l.png")
    assert (tmp_path / "l.png").stat().st_size > 10_000
    assert "Drew" in result.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--compare", *CARDS[:2], "--rows", "cells"), "--compare has rows of its own"),
        (("--rows", "ahead"), "--rows ahead goes with --specs only"),
        (("--between", "100", "100"), "100 and 100 are not two different rates"),
        (("--from", "runs"), "there is no run with latency_ms. Fix: ask for shots."),
        (("--specs", "none.csv"), "none.csv: the file is missing"),
    ],
)
def test_what_is_refused(bench: Path, words: tuple[str, ...], message: str) -> None:
    result = call("latency", bench, *words)
    assert result.exit_code == 2
    assert message in result.stderr


def test_lows_and_groups_need_a_fit_and_say_so(bench: Path) -> None:
    for words in (("lows", bench), ("lead", bench, *CARDS[:2], "--by", "preset")):
        result = call(*words)
        assert result.exit_code == 2
        assert "too few to fit average" in result.stderr
    both = call("lead", bench, *CARDS[:2], "--by", "preset", "--together")
    assert "--by and --together: ask for one at a time" in both.stderr


def test_a_part_of_the_bench_is_used_and_said_once(bench: Path) -> None:
    game = read(call("latency", bench).stdout)[0]["game"]
    found = call("latency", bench, "--game", game, "--format", "json")
    rows = json.loads(found.stdout)
    assert {row["game"] for row in rows["records"]} == {game}
    assert found.stderr == f"{rows['chosen']}\n"
    assert f'are used: game "{game}"' in rows["chosen"]
