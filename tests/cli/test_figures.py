"""Figures of the commands: every size and format, one file or several."""

import importlib
from pathlib import Path

import pytest

from scalemodel.cli.main import COMMANDS
from tests.cli.fakes import FakeFit, write_bench
from tests.cli.test_commands import call, fit, read  # noqa: F401
from tests.views import wide_examples

ANSWER_NOTHING = {"tour", "start", "export", "report"}
"""Commands that write files instead."""


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ANSWER_NOTHING])
def test_every_command_that_answers_draws_in_every_size(name: str) -> None:
    command = importlib.import_module(f"scalemodel.cli.{name}").command
    options = {option for parameter in command.params for option in parameter.opts}
    assert {"--figure", "--figure-size"} <= options


def pixels(file: Path) -> list[int]:
    picture = file.read_bytes()
    return [int.from_bytes(picture[at : at + 4], "big") for at in (16, 20)]


@pytest.mark.usefixtures("fit")
@pytest.mark.parametrize(
    "words",
    [
        ("ceilings", "bench"),
        ("ceilings", "bench", "--scene", "Saltmarch"),
        ("explain", "bench", "Kc", "Kb"),
        ("explain", "bench", "--order"),
        ("fit", "bench"),
        ("plan", "bench", "--hours", "2"),
    ],
)
def test_a_slide_is_1920_by_1080(tmp_path: Path, words: tuple[str, ...]) -> None:
    file = tmp_path / "slide.png"
    assert call(*words, "--figure", file, "--figure-size", "slide").exit_code == 0
    assert pixels(file) == [1920, 1080]
    assert call(*words, "--figure", file).exit_code == 0
    assert pixels(file)[0] == 1200


@pytest.mark.usefixtures("fit")
def test_a_pdf_is_one(tmp_path: Path) -> None:
    file = tmp_path / "sheet.pdf"
    assert call("lead", "bench", "--figure", file, "--figure-size", "print").exit_code == 0
    assert files(tmp_path) == ["sheet-changes.pdf", "sheet-places.pdf"]
    assert (tmp_path / "sheet-places.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.usefixtures("fit")
def test_a_lead_has_a_slide_for_each_resolution(tmp_path: Path) -> None:
    words = ("lead", "bench", "Kc", "Kb", "--figure", tmp_path / "lead.png")
    assert call(*words, "--figure-size", "slide").exit_code == 0
    assert files(tmp_path) == ["lead-1920x1080.png", "lead-3840x2160.png"]
    assert all(pixels(file) == [1920, 1080] for file in tmp_path.iterdir())


@pytest.mark.usefixtures("fit")
def test_a_size_without_a_figure_is_refused() -> None:
    result = call("lead", "bench", "--figure-size", "slide")
    assert result.exit_code == 2
    assert "--figure-size says how large a figure is: give --figure FILE too." in result.stderr


def test_without_cards_lead_is_about_all_of_them(fit: FakeFit) -> None:  # noqa: F811
    rows = read(call("lead", "bench").stdout)
    assert [row["a"] for row in rows] == list(wide_examples.pairs()["a"])
    assert fit.asked[-1] == ("standings", 0.8)
    rows = read(call("lead", "bench", "--places", "--level", "0.9").stdout)
    assert [row["place"] for row in rows] == ["1", "2", "3", "4"] * 2
    assert rows[0]["over_field"] == "0.8000"
    assert fit.asked[-1] == ("standings", 0.9)
    shown = call("lead", "bench", "--format", "table").stdout
    assert "▍places  open bench" in shown
    assert "2 (2–3)  83.7 ≈" in shown
    assert "○ 1  200" in shown


@pytest.mark.usefixtures("fit")
@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("lead", "bench", "Kc"), "Name two cards, A and B, or none to compare all of them."),
        (("lead", "bench", "Kc", "Kb", "--places"), "--places is of all cards: leave out A and B."),
        (("fit", "bench", "--scenes", "--left-out"), "--left-out and --scenes are different rows"),
    ],
)
def test_what_does_not_go_together_is_refused(words: tuple[str, ...], message: str) -> None:
    result = call(*words)
    assert result.exit_code == 2
    assert message in result.stderr


def test_a_scene_has_what_its_cards_would_reach(fit: FakeFit) -> None:  # noqa: F811
    rows = read(call("ceilings", "bench", "--scene", "Saltmarch").stdout)
    assert fit.asked[-1] == ("knee", ("Saltmarch",), 0.8)
    assert rows[0]["gpu_rate"] == "100.00"
    shares = read(call("fit", "bench", "--scenes").stdout)
    assert list(shares[0]) == ["game", "preset", "resolution", "stage", "share", "lower", "upper"]


def test_check_draws_what_was_tested(tmp_path: Path) -> None:
    bench, file = write_bench(tmp_path / "bench"), tmp_path / "tested.png"
    result = call("check", bench, "--tested", "--figure", file)
    assert [row["runs"] for row in read(result.stdout)] == ["1"]
    assert pixels(file)[0] == 1200
    assert call("check", bench, "--tested", "--excluded").exit_code == 2
    broken = write_bench(tmp_path / "broken", rate="fast")
    assert call("check", broken, "--figure", tmp_path / "none.png").exit_code == 1
    assert not (tmp_path / "none.png").exists()
