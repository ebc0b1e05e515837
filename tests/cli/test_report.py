"""``scalemodel report`` with a real fit of a small bench."""

import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scalemodel.cli import report as report_module
from scalemodel.cli.main import run
from tests.answers import small_lab
from tests.answers.test_score import FOUR
from tests.views.html_page import Page

NEW = "Mirel 45"
USE = small_lab.Settings(ceilings={"Game 1": 150.0}, resolutions=("1920x1080", "3840x2160"), runs=2)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("report")
    lab = small_lab.simulate(USE)
    lab.write(target / "bench", without=tuple(set(lab.cards["card"]) - set(FOUR)))
    lab.cards[lab.cards["card"] == NEW].to_csv(target / "new.csv", index=False)
    return target


def call(*words: str | Path, code: int = 0) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def test_it_writes_one_file_and_says_so(folder: Path) -> None:
    target = folder / "one.html"
    result = call("report", folder / "bench", "--specs", folder / "new.csv", "-o", target)
    assert result.stdout == ""
    assert result.stderr == f"Wrote {target}\n"
    page = Page(target.read_text(encoding="utf-8"))
    assert any(NEW in item.text for item in page.all("li"))


def test_a_second_call_gives_the_same_bytes(folder: Path) -> None:
    first, second = folder / "a.html", folder / "b.html"
    for target in (first, second):
        call("report", folder / "bench", "-o", target, "--level", "0.9")
    assert first.read_bytes() == second.read_bytes()
    assert "ranges of 90%" in first.read_text(encoding="utf-8")


def test_a_score_is_shown_once_there_is_one(folder: Path) -> None:
    target = folder / "scored.html"
    call("report", folder / "bench", "-o", target)
    command = f"scalemodel score {folder / 'bench'}"
    assert f"run {command} first" in target.read_text(encoding="utf-8")
    score = call("score", folder / "bench", "--jobs", "1")
    again = call("score", folder / "bench", "--jobs", "1")
    assert again.stdout == score.stdout
    call("report", folder / "bench", "-o", target)
    text = target.read_text(encoding="utf-8")
    assert command not in text
    assert "Held out in turn, 4 cards were predicted within" in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("report", "bench"), "Missing option '-o' / '--output'."),
        (("report", "bench", "-o", "report.pdf"), "'report.pdf' should end in .html."),
        (("report", "bench", "-o", "r.html", "--level", "1"), "1.0 is not in the range 0<x<1."),
    ],
)
def test_bad_usage(words: tuple[str, ...], message: str) -> None:
    assert message in call(*words, code=2).stderr


def test_bad_input_leaves_no_file(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "r.html"
    call("report", tmp_path / "nothing", "-o", target, code=2)
    call("report", folder / "bench", "--specs", tmp_path / "no.csv", "-o", target, code=2)
    result = call("report", folder / "bench", "-o", tmp_path / "no" / "r.html", code=2)
    assert "this file cannot be written" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_report_that_fails_leaves_the_old_one(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "r.html"
    target.write_text("old")

    def broken(*_: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr(report_module, "page_of", broken)
    call("report", folder / "bench", "-o", target, code=130)
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["r.html"]  # noqa: PTH208 - hidden files too
