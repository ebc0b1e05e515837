"""``scalemodel score`` and ``predict --save`` with real fits of a small bench."""

import csv
import io
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scalemodel.cli.main import run
from tests.answers import small_lab
from tests.answers.test_score import FOUR, SMALL

NEW = "Mirel 55"
CELLS = "card,platform,game,preset,resolution,metric,measured,level,lower,median,upper,error,inside"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench of five cards, the same before the fifth was tested, and its sheet."""
    target = tmp_path_factory.mktemp("scores")
    lab = small_lab.simulate(SMALL)
    others = set(lab.cards["card"]) - {*FOUR, NEW}
    lab.write(target / "bench", without=tuple(others))
    lab.write(target / "before", without=(*others, NEW))
    lab.cards[lab.cards["card"] == NEW].to_csv(target / "new.csv", index=False)
    return target


@pytest.fixture(scope="module")
def sealed(folder: Path) -> Path:
    call("predict", folder / "before", "--specs", folder / "new.csv", "--save", folder / "new.json")
    return folder / "new.json"


def call(*words: str | Path, code: int = 0) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def rows(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(result.stdout)))


def score(folder: Path, *words: str | Path, code: int = 0) -> Result:
    return call("score", folder / "bench", "--jobs", "1", *words, code=code)


def test_one_row_a_held_out_cell(folder: Path) -> None:
    result = score(folder)
    assert result.stdout.startswith(f"{CELLS},crps,pit,p_ceiling,p_ceiling_measured,reason\n")
    found = rows(result)
    assert len(found) == 5 * 4
    assert {row["inside"] for row in found} <= {"yes", "no"}
    assert re.fullmatch(r"\d+\.\d\d", found[0]["measured"])
    assert result.stderr == ""


def test_the_table_says_it_in_a_glance_and_figures_are_drawn(folder: Path) -> None:
    result = score(folder, "--format", "table", "--figure", folder / "score.png")
    words = " ".join(result.stdout.split())
    assert words.startswith("Held out in turn, 5 cards were predicted within")
    for part in ("nearest card", "Gaussian process", "cards, the worst first", NEW):
        assert part in words
    assert "nan" not in words
    assert (folder / "score.png").stat().st_size > 10_000


def test_json_has_every_table(folder: Path) -> None:
    document = json.loads(score(folder, "--format", "json", "--largest", "--level", "0.5").stdout)
    assert document["held_out"] == "largest"
    assert {card["card"] for card in document["cards"]} == {NEW}  # a fifth of five
    assert {"scores", "shifts", "calibration", "summary", "records"} <= set(document)
    assert len(document["records"]) == 4


@pytest.mark.parametrize(
    ("which", "columns"),
    [
        ("summary", "method,group,cells,cards,mean_abs_error"),
        ("cards", "card,cells,mean_error,scatter,inside,p,where,status"),
        ("calibration", "what,stated,happened,lower,upper,count,brier"),
    ],
)
def test_other_rows(folder: Path, which: str, columns: str) -> None:
    assert score(folder, "--largest", "--rows", which).stdout.startswith(columns)


def test_a_forecast_is_sealed_and_judged(folder: Path, sealed: Path) -> None:
    saved = call("predict", folder / "before", "--specs", folder / "new.csv", "--save", sealed)
    seal = json.loads(sealed.read_text(encoding="utf-8"))["seal"]
    assert f"Its seal, to be kept elsewhere: {seal}" in saved.stderr
    judged = call("score", folder / "bench", "--forecast", sealed)
    assert judged.stdout.startswith(f"{CELLS},pit,surprise,p_ceiling,reason\n")
    assert [row["card"] for row in rows(judged)] == [NEW] * 4
    picture = folder / "forecast.png"
    shown = call(
        "score", folder / "bench", "--forecast", sealed, "--format", "table", "--figure", picture
    )
    assert f"Seal of the forecast: {seal}" in shown.stdout
    assert picture.stat().st_size > 10_000
    document = json.loads(
        call("score", folder / "bench", "--forecast", sealed, "--format", "json").stdout
    )
    assert document["seal"] == seal
    assert document["cards"][0]["cells"] == 4
    changes = call("score", folder / "bench", "--forecast", sealed, "--rows", "changes")
    assert changes.stdout == "what,name,change\n"


def test_nothing_measured_yet(folder: Path, sealed: Path) -> None:
    words = ("score", folder / "before", "--forecast", sealed)
    assert {row["reason"] for row in rows(call(*words))} == {"not measured yet"}
    shown = call(*words, "--format", "table", "--figure", folder / "none.png")
    assert "4 charts: not measured yet" in shown.stdout
    assert shown.stderr == "Nothing is measured yet; no figure was drawn.\n"
    assert not (folder / "none.png").exists()


def test_a_forecast_that_cannot_be_used(folder: Path, sealed: Path, tmp_path: Path) -> None:
    text = sealed.read_text(encoding="utf-8")
    for content, what in (
        (text[:-50], "this is not a whole JSON document"),
        (text.replace(NEW, "Mirel 56"), "the content does not match its seal"),
        ("{}", "this is not a forecast"),
    ):
        (tmp_path / "f.json").write_text(content, encoding="utf-8")
        result = call("score", folder / "bench", "--forecast", tmp_path / "f.json", code=2)
        assert result.stdout == ""
        assert what in result.stderr
    other = small_lab.simulate(
        small_lab.Settings(ceilings={"Game 2": 200.0}, platforms={"Elsewhere": 1.0})
    ).write(tmp_path / "other")
    result = call("score", other, "--forecast", sealed, code=2)
    assert "the forecast was made from another bench" in result.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--largest", "--newest-architecture"), "ask for one at a time"),
        (("--workers", "tcp://127.0.0.1:1"), "choose where the work is done"),
        (("--rows", "changes"), "--rows changes goes with --forecast only"),
        (("--forecast", "f.json"), "leave out --jobs"),
        (("--scene", "Saltmarch"), 'No scene is named "Saltmarch"'),
        (("--newest-architecture",), "without a release_date"),
    ],
)
def test_what_does_not_go_together(folder: Path, words: tuple[str, ...], message: str) -> None:
    assert message in score(folder, *words, code=2).stderr


def test_options_that_a_forecast_has_no_use_for(folder: Path, sealed: Path) -> None:
    words = ("score", folder / "bench", "--forecast", sealed)
    result = call(*words, "--metric", "average", "--scene", "Game 1 | High", code=2)
    assert "leave out --metric, --scene" in result.stderr
    assert "does not go with" in call(*words, "--rows", "summary", code=2).stderr


def test_workers_that_are_not_there(folder: Path) -> None:
    pytest.importorskip("distributed")
    result = call("score", folder / "bench", "--workers", "tcp://127.0.0.1:1", code=2)
    assert result.stderr.startswith('No Dask scheduler answers at "tcp://127.0.0.1:1".')


def test_too_few_cards(tmp_path: Path) -> None:
    lab = small_lab.simulate(SMALL)
    few = lab.write(tmp_path / "few", without=tuple(set(lab.cards["card"]) - set(FOUR[:3])))
    assert "2 cards would be left to predict from" in call("score", few, code=2).stderr


def test_a_forecast_that_cannot_be_written(folder: Path) -> None:
    words = ("predict", folder / "before", "--specs", folder / "new.csv")
    result = call(*words, "--save", folder / "no" / "f.json", code=2)
    assert "this file cannot be written" in result.stderr
