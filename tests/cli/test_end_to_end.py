"""Every command with a real fit, on a part of the demo bench."""

import csv
import io
import json
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from scalemodel.cli.main import run

CARDS = ["Ostrel T30", "Ostrel T50", "Ostrel T60", "Ostrel T80", "Kivand L200", "Kivand L240"]
GAMES = ["Saltmarch", "Nine Kilns", "Second Meridian", "Tidewright"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("lab")
    bench = target / "bench"
    bench.mkdir()
    demo = files("scalemodel") / "demo"
    for name in ("cards", "results", "specs"):
        table = pd.read_csv(io.StringIO((demo / f"{name}.csv").read_text("utf-8")), dtype=str)
        if name != "specs":
            table = table[table["card"].isin(CARDS)]
        if name == "results":
            table = table[table["game"].isin(GAMES) & (table["platform"] == "open bench")]
        table.to_csv((target if name == "specs" else bench) / f"{name}.csv", index=False)
    return target


def call(*words: str | Path) -> Result:
    result = CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


def rows(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(result.stdout)))


@pytest.mark.parametrize("form", ["table", "csv", "json"])
def test_every_question_is_answered_in_every_form(folder: Path, form: str) -> None:
    bench, specs = folder / "bench", folder / "specs.csv"
    for words in (
        ("check", bench),
        ("fit", bench),
        ("ceilings", bench, "--charts"),
        ("predict", bench, "--specs", specs, "--against", "Ostrel T80"),
        ("predict", bench, "--specs", specs, "--ranks"),
        ("lead", bench, "Ostrel T80", "Ostrel T60"),
        ("plan", bench, "--hours", "1", "--lead", "Ostrel T80", "Ostrel T60"),
    ):
        result = call(*words, "--format", form)
        assert result.stdout.strip()
        if form == "json":
            assert json.loads(result.stdout)["command"] == words[0]


def test_tables_have_the_columns_that_are_promised(folder: Path) -> None:
    bench, specs = folder / "bench", folder / "specs.csv"
    chart = ["platform", "game", "preset", "resolution"]
    found = rows(call("ceilings", bench))
    state = ["rate", "p_ceiling", "sensitivity", "headroom", "ceiling_rate", "state"]
    assert list(found[0])[: 6 + len(state)] == ["card", *chart, "metric", *state]
    found = rows(call("ceilings", bench, "--charts"))
    ceiling = ["ceiling_rate", "ceiling_low", "ceiling_high", "cards", "cards_cpu_bound"]
    columns = [*chart, "metric", *ceiling, "verdict", "usable_below"]
    assert list(found[0])[: len(columns)] == columns
    found = rows(call("predict", bench, "--specs", specs, "--against", "Ostrel T80"))
    numbers = ["level", "lower", "median", "upper", "p_ceiling", "basis", "reason"]
    columns = ["card", *chart, "metric", *numbers]
    assert list(found[0])[: len(columns)] == columns
    assert {"p_faster", "lead_lower", "lead_median", "lead_upper"} <= set(found[0])
    found = rows(call("lead", bench, "Ostrel T80", "Ostrel T60"))
    lead = ["lead", "lower", "upper", "within_test_error", "used", "reason"]
    assert list(found[0])[:12] == ["a", "b", *chart, *lead]


def test_figures_are_drawn_from_real_answers(folder: Path) -> None:
    bench, specs = folder / "bench", folder / "specs.csv"
    call("ceilings", bench, "--figure", folder / "c.png")
    call("lead", bench, "Ostrel T80", "Ostrel T60", "--figure", folder / "l.svg")
    call("predict", bench, "--specs", specs, "--figure", folder / "p.png")
    call("plan", bench, "--hours", "2", "--figure", folder / "n.png")
    names = ["ostrel-t65", "kivand-l210", "ostrel-t95"]
    assert {path.name for path in folder.glob("p-*.png")} == {
        f"p-{n}-open-bench.png" for n in names
    }
    assert (folder / "c.png").stat().st_size > 10_000
    assert (folder / "l.svg").stat().st_size > 10_000
    assert (folder / "n.png").stat().st_size > 10_000


def test_a_card_that_was_not_tested_is_bad_input(folder: Path) -> None:
    words = ["lead", str(folder / "bench"), "Ostrel T80", "Ostrel T8"]
    result = CliRunner().invoke(run, words, catch_exceptions=False)
    assert result.exit_code == 2
    assert "Ostrel T8" in result.stderr
    assert "Traceback" not in result.output
