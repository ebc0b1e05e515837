"""Odd and tiny benches through every command: an answer, or one message that says why not."""

import csv
import io
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scalemodel.cli.main import run
from tests.answers.odd_benches import BENCHES, TESTED, write_odd

#: Benches too small for a fit, with what their message must say they hold.
NO_FIT = {"one card": "9 cell(s) of 1 card(s)", "two cards": "18 cell(s) of 2 card(s)"}
FIRST, LAST = TESTED[1], TESTED[2]
#: Of these every card is held out in turn and a report is made, which takes long.
WHOLE = ("one card", "three cards", "one chart", "all equal", "most cells missing")


def call(*words: str | Path) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def numbers_or_reasons(text: str, names: tuple[str, ...]) -> None:
    """Hold a table to it: a number, or an empty cell with its reason beside it."""
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows
    for row in rows:
        for name in names:
            assert row[name] or row["reason"], row


@pytest.fixture(scope="module", params=list(BENCHES))
def odd(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple:
    name = str(request.param)
    return name, write_odd(name, tmp_path_factory.mktemp("odd") / "bench")


def questions(bench: Path) -> list[list[str | Path]]:
    specs = bench / "specs.csv"
    return [
        ["check", bench],
        ["repeat", bench],
        ["fit", bench],
        ["ceilings", bench, "--scene", "Game 1"],
        ["predict", bench, "--specs", specs, "--against", FIRST, "--ranks"],
        ["lead", bench],
        ["lead", bench, FIRST, LAST],
        ["explain", bench, FIRST, LAST],
        ["plan", bench, "--hours", "1"],
        ["power", bench],
        ["value", bench],
        ["latency", bench],
        ["lows", bench],
    ]


def test_every_question_has_an_answer_or_a_reason(odd: tuple[str, Path]) -> None:
    name, bench = odd
    asked = questions(bench) + ([["score", bench]] if name in WHOLE else [])
    for words in asked:
        result = call(*words, "--format", "table")
        assert not re.search(r"\b(nan|inf|NaT)\b|\bNone\b(?! of|\.)", result.output), result.output
        if result.exit_code == 2:
            assert "Traceback" not in result.output
            assert result.output.strip().endswith("."), result.output
            if name in NO_FIT:
                assert NO_FIT[name] in result.output
        elif name in NO_FIT:
            assert words[0] in ("check", "repeat", "latency")


def test_no_number_is_missing_without_a_reason(odd: tuple[str, Path]) -> None:
    name, bench = odd
    if name in NO_FIT:
        pytest.skip("too few cards to fit")
    found = call("predict", bench, "--specs", bench / "specs.csv")
    numbers_or_reasons(found.stdout, ("lower", "median", "upper"))
    numbers_or_reasons(call("ceilings", bench).stdout, ("rate", "headroom", "sensitivity"))
    numbers_or_reasons(call("lead", bench, FIRST, LAST).stdout, ("lead", "lower", "upper"))


def test_a_report_is_written_of_every_bench_with_a_fit(odd: tuple[str, Path]) -> None:
    name, bench = odd
    if name not in WHOLE:
        pytest.skip("other odd benches have one")
    page = bench / "report.html"
    result = call("report", bench, "-o", page)
    assert result.exit_code == (2 if name in NO_FIT else 0), result.output
    assert page.exists() != (name in NO_FIT)
