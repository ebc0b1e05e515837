"""The tour, with a fake fit: what it writes, says, and leaves alone."""

import shutil
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from scalemodel.answers.fitting import Fit
from scalemodel.cli import guide as guide_module
from scalemodel.cli import report as report_module
from scalemodel.cli.main import run
from scalemodel.views.words import CAUTION, PRICE_CAUTION
from tests.cli.fakes import FakeFit
from tests.views import latency_examples


@pytest.fixture(scope="module")
def everything(money_fit: Fit) -> SimpleNamespace:
    """What a report asks, as far as the tour tells it."""
    return SimpleNamespace(
        power=money_fit.power(),
        value=money_fit.value(),
        latency=latency_examples.latency(),
        lows=latency_examples.lows(),
    )


@pytest.fixture
def fit(monkeypatch: pytest.MonkeyPatch, everything: SimpleNamespace) -> FakeFit:
    fake = FakeFit(cards=("New 1", "New 2", "New 3"))
    monkeypatch.setattr(guide_module, "fitted", lambda *_: fake)
    monkeypatch.setattr(report_module, "answers_of", lambda *_: everything)
    monkeypatch.setattr(report_module, "page_of", lambda *_: "<!doctype html>")
    return fake


def tour(folder: Path) -> Result:
    return CliRunner().invoke(run, ["tour", str(folder)], catch_exceptions=False)


def test_the_tour_answers_every_question_and_keeps_the_results(
    fit: FakeFit, tmp_path: Path, demo_folder: Path
) -> None:
    folder = tmp_path / "tour"
    result = tour(folder)
    assert result.exit_code == 0
    made = {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}
    made = {path for path in made if ".scalemodel" not in path}
    tables = {
        "check.csv",
        "runs.csv",
        "fit.csv",
        "ceilings.csv",
        "ceilings-charts.csv",
        "predict.csv",
    }
    tables |= {"lead.csv", "explain.csv", "order.csv", "plan.csv"}
    tables |= {"power.csv", "value.csv", "latency.csv", "lows.csv"}
    tables |= {"repeat.csv", "repeat-runs.csv", "repeat-stale.csv"}
    figures = {"ceilings.png", "lead.png", "explain.png", "order.png", "plan.png", "repeat.png"}
    figures |= {"run.png"}
    figures |= {f"predict-new-{n}-open-bench.png" for n in (1, 2, 3)}
    names = ("cards", "platforms", "results", "frames", "latency")
    bench = {f"bench/{name}.csv" for name in names}
    bench |= {f"bench/frames/{log.name}" for log in (demo_folder / "frames").iterdir()}
    assert made == bench | tables | figures | {"specs.csv", "report.html"}
    for words in (
        "Sound: 24 cards",
        "Reduced 5 of 6 logs to runs",
        "Ceilings in words.",
        "Prediction in words.",
        CAUTION,
        f"$ scalemodel power {folder}/bench --specs {folder}/specs.csv On Bench ",
        f"$ scalemodel value {folder}/bench --specs {folder}/specs.csv On Bench ",
        f"{PRICE_CAUTION} $ scalemodel latency {folder}/bench A click takes 10.0 ms and 2.0 frames",
        f"$ scalemodel lows {folder}/bench The 1% low of ",
    ):
        assert words in " ".join(result.stdout.split())
    first, second = guide_module.LEAD
    assert f'$ scalemodel lead {folder}/bench "{first}" "{second}"' in result.stdout
    asked = [question[0] for question in fit.asked]
    assert asked == ["repeat", "ceilings", "predict", "lead", "explain", "order", "plan"]


def test_a_second_tour_uses_its_folder_again(fit: FakeFit, tmp_path: Path) -> None:
    assert tour(tmp_path / "tour").exit_code == 0
    assert tour(tmp_path / "tour").exit_code == 0
    assert fit.asked


@pytest.mark.parametrize("name", ["notes.txt", "bench/results.csv", "bench"])
def test_the_tour_leaves_other_files_alone(fit: FakeFit, tmp_path: Path, name: str) -> None:
    mine = tmp_path / name
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine")
    result = tour(tmp_path)
    assert result.exit_code == 2
    assert result.stderr == (
        f"{tmp_path}: there is something else here already; nothing was overwritten. "
        "Fix: name a new folder, as in: scalemodel tour another-folder\n"
    )
    assert mine.read_text() == "mine"
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1
    assert fit.asked == []


def test_a_changed_bench_is_not_overwritten(fit: FakeFit, tmp_path: Path) -> None:
    assert tour(tmp_path / "tour").exit_code == 0
    cards = tmp_path / "tour" / "bench" / "cards.csv"
    cards.write_text(cards.read_text() + "\n")
    assert tour(tmp_path / "tour").exit_code == 2
    shutil.rmtree(tmp_path / "tour")
    (tmp_path / "tour").write_text("a file")
    assert tour(tmp_path / "tour").exit_code == 2
    assert fit.asked


def test_the_cards_of_the_tour_are_in_the_demo() -> None:
    with (files("scalemodel") / "demo" / "cards.csv").open() as stream:
        cards = set(pd.read_csv(stream)["card"])
    assert {*guide_module.LEAD, *guide_module.AGAINST} <= cards
