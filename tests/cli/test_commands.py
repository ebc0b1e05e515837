"""Every command, answered by a fake fit."""

import csv
import io
import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from scalemodel.cli import fitted as fitted_module
from scalemodel.cli.main import run
from scalemodel.errors import ScalemodelError
from scalemodel.views.words import CAUTION, EXPECTED
from tests.answers import repeat_bench
from tests.cli.fakes import FakeFit, write_bench, write_specs
from tests.views import examples


@pytest.fixture
def fit(monkeypatch: pytest.MonkeyPatch) -> FakeFit:
    fake = FakeFit()

    def fitted(bench: Path, metric: str) -> FakeFit:
        fake.asked.append((str(bench), metric))
        return fake

    monkeypatch.setattr(fitted_module, "fitted", fitted)
    monkeypatch.setattr(
        fitted_module, "fit_of", lambda read, metric: fitted(Path(read.source), metric)
    )
    return fake


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(run, [str(word) for word in words], catch_exceptions=False)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


CEILINGS = "card,platform,game,preset,resolution,metric,rate,p_ceiling,sensitivity,headroom"
CHARTS = "platform,game,preset,resolution,metric,ceiling_rate,ceiling_low,ceiling_high,cards"
PREDICT = "card,platform,game,preset,resolution,metric,level,lower,median,upper,p_ceiling,basis"


def test_a_pipe_gets_csv_with_the_columns_of_the_question(fit: FakeFit) -> None:
    result = call("ceilings", "bench")
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0] == f"{CEILINGS},ceiling_rate,state"
    assert len(read(result.stdout)) == len(examples.ceilings())
    assert fit.asked == [("bench", "average"), ("ceilings", 0.8)]


def test_charts_are_rows_of_their_own(fit: FakeFit) -> None:
    rows = read(call("ceilings", "bench", "--charts").stdout)
    assert len(rows) == 4
    assert set(CHARTS.split(",")) | {"verdict", "usable_below", "cards_cpu_bound"} == set(rows[0])
    assert rows[2]["usable_below"] == "181.25"
    assert fit.asked[-1] == ("ceilings", 0.8)


def test_metric_and_level_reach_the_fit(fit: FakeFit) -> None:
    call("lead", "bench", "Kc", "Kb", "--metric", "low_1pct", "--level", "0.95")
    assert fit.asked == [("bench", "low_1pct"), ("lead", "Kc", "Kb", 0.95, False)]


def test_the_table_can_be_asked_for(fit: FakeFit) -> None:
    result = call("ceilings", "bench", "--format", "table")
    assert "Ceilings in words." in result.stdout
    assert "○ not usable" in result.stdout
    assert fit.asked


def test_plan_passes_on_what_is_asked(fit: FakeFit, tmp_path: Path) -> None:
    sheets = write_specs(tmp_path / "new.csv")
    words = ("--minutes-per-swap", "7.5", "--specs", sheets, "--in-hand", "--level", "0.9")
    found = read(
        call("plan", "bench", "--hours", "8", *words, "--only", "Ka", "--only", "Kb").stdout
    )
    assert fit.asked[-1] == (
        *("plan", 8.0, 4.0, 7.5, ["New $1"], None, None),
        *(True, ("Ka", "Kb"), 0.9),
    )
    assert [row["range_after"] for row in found] == ["0.0410", "0.0320", "0.0300"]
    call("plan", "bench", "--hours", "8", "--lead", "Ka", "Kb")
    call("plan", "bench", "--hours", "8", "--ceiling", "Saltmarch", "ultra")
    assert fit.asked[-3][4:7] == (None, ("Ka", "Kb"), None)
    assert fit.asked[-1][4:7] == (None, None, ("Saltmarch", "ultra"))


def test_a_plan_without_runs_says_why_beside_the_csv(fit: FakeFit) -> None:
    result = call("plan", "bench", "--hours", "0.05")
    assert read(result.stdout) == []
    assert result.stderr == "Plan in words.\n"
    assert fit.asked


def test_json_of_a_plan_has_its_questions_and_what_is_of_no_use(fit: FakeFit) -> None:
    found = json.loads(call("plan", "bench", "--hours", "2", "--format", "json").stdout)
    assert found["targets"][1]["reason"] == "Kz would sit at the ceiling"
    assert found["targets"][1]["range_now"] is None
    assert found["wasted"][0]["sensitivity"] == 0.05
    assert found["notes"] == [EXPECTED]
    assert fit.asked


@pytest.mark.parametrize(
    ("command", "rows"),
    [
        (("ceilings", "bench"), 12),
        (("lead", "bench", "Kc", "Kb"), 7),
        (("explain", "bench", "Kc", "Kb"), 13),
        (("explain", "bench", "--order"), 3),
        (("fit", "bench"), 1),
    ],
)
def test_json_says_what_it_is_about(fit: FakeFit, command: tuple[str, ...], rows: int) -> None:
    document = json.loads(call(*command, "--format", "json").stdout)
    assert document["command"] == command[0]
    assert document["bench"] == "bench"
    assert document["settings"] == {"seed": 0}
    assert document["status"] == "converged"
    assert document["left_out"] == [{"card": "Ka", "reason": "too little memory"}]
    assert document["summary"].endswith("in words.")
    assert len(document["records"]) == rows
    assert fit.asked


def test_explain_passes_on_where_from_and_to(fit: FakeFit) -> None:
    where = ("--from", "3840x2160", "--to", "1920x1080")
    scenes = ("--scene", "Oxbow", "--scene", "Saltmarch | ultra")
    rows = read(call("explain", "bench", "Kc", "Kb", *where, *scenes, "--level", "0.9").stdout)
    asked = ("3840x2160", "1920x1080", ("Oxbow", "Saltmarch | ultra"), 0.9)
    assert fit.asked[-1] == ("explain", "Kc", "Kb", *asked)
    assert (rows[1]["part"], rows[1]["points"], rows[1]["upper"]) == (
        "ceiling",
        "-0.2000",
        "-0.1800",
    )
    assert rows[0]["weighs"] == ""
    flips = read(call("explain", "bench", "--order", *where).stdout)
    assert fit.asked[-1] == ("order", "3840x2160", "1920x1080", (), 0.8)
    assert (flips[0]["p_flip"], flips[0]["cause_points"]) == ("0.970", "-0.3000")


@pytest.mark.parametrize("words", [(), ("Kc",), ("Kc", "Kb", "--order"), ("Kc", "--order")])
def test_explain_takes_two_cards_or_order(fit: FakeFit, words: tuple[str, ...]) -> None:
    result = call("explain", "bench", *words)
    assert result.exit_code == 2
    said = "Error: Name two cards, A and B, or ask for --order without any card."
    assert result.stderr.splitlines()[-1] == said
    assert not fit.asked


def test_fit_can_list_what_it_left_out(fit: FakeFit) -> None:
    assert call("fit", "bench").stdout == (
        "quantity,of,value,lower,upper,unit\nsharpness,all,1.5,1,2,number\n"
    )
    assert call("fit", "bench", "--left-out").stdout == "card,reason\nKa,too little memory\n"
    assert "1 result: too little memory" in call("fit", "bench", "--format", "table").stdout
    assert fit.asked


def test_predict_reads_the_sheets_and_cautions_once(fit: FakeFit, tmp_path: Path) -> None:
    specs = write_specs(tmp_path / "specs.csv")
    result = call("predict", "bench", "--specs", specs)
    assert result.stdout.splitlines()[0] == f"{PREDICT},reason"
    assert result.stderr == f"{CAUTION}\n"
    assert fit.asked[-1] == ("predict", ["New $1"], 0.8, (), False)
    table = call("predict", "bench", "--specs", specs, "--format", "table")
    assert " ".join(table.output.split()).count(CAUTION) == 1
    document = json.loads(call("predict", "bench", "--specs", specs, "--format", "json").stdout)
    assert document["notes"] == [CAUTION]


def test_against_adds_rows_and_columns(fit: FakeFit, tmp_path: Path) -> None:
    specs = write_specs(tmp_path / "specs.csv")
    rows = read(call("predict", "bench", "--specs", specs, "--against", "Kb").stdout)
    assert [row["against"] for row in rows] == [""] * 4 + ["Kb"] * 4
    assert rows[4]["p_faster"] == "0.750"
    assert rows[5]["lead_median"] == "0.1200"
    assert rows[4]["median"] == ""
    assert fit.asked[-1] == ("predict", ["New $1"], 0.8, ("Kb",), False)


def test_ranks_are_rows_of_their_own(fit: FakeFit, tmp_path: Path) -> None:
    specs = write_specs(tmp_path / "specs.csv")
    rows = read(call("predict", "bench", "--specs", specs, "--ranks").stdout)
    assert rows[1]["position"] == "2"
    assert rows[1]["probability"] == "0.600"
    both = ("predict", "bench", "--specs", specs, "--ranks", "--against", "Kb")
    refused = call(*both)
    assert refused.exit_code == 2
    assert "in csv and json ask for one at a time" in refused.stderr
    shown = call(*both, "--format", "table").stdout
    assert "▍New $1 against Kb" in shown
    assert "▍New $1: position" in shown
    assert fit.asked


@pytest.mark.parametrize(("name", "start"), [("a.csv", "a,b,"), ("a.json", "{"), ("a.txt", "\n")])
def test_the_ending_of_the_file_decides_the_format(
    fit: FakeFit, tmp_path: Path, name: str, start: str
) -> None:
    file = tmp_path / name
    result = call("lead", "bench", "Kc", "Kb", "-o", file)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert result.stderr == f"Wrote {file}\n"
    assert file.read_text(encoding="utf-8").startswith(start)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert fit.asked


def test_a_file_that_cannot_be_written_is_one_message(fit: FakeFit, tmp_path: Path) -> None:
    result = call("lead", "bench", "Kc", "Kb", "-o", tmp_path / "no" / "a.csv")
    assert result.exit_code == 2
    assert result.stderr == (
        f"{tmp_path}/no/a.csv: this file cannot be written (No such file or directory). "
        "Fix: choose a folder that exists and that you may write to.\n"
    )
    assert fit.asked


@pytest.mark.parametrize(
    "command",
    [
        ("ceilings", "bench"),
        ("lead", "bench", "Kc", "Kb"),
        ("predict", "bench"),
        ("explain", "bench", "Kc", "Kb"),
        ("explain", "bench", "--order"),
        ("plan", "bench", "--hours", "2"),
    ],
)
@pytest.mark.parametrize(("ending", "first"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_figures_go_to_their_file(
    fit: FakeFit, tmp_path: Path, command: tuple[str, ...], ending: str, first: bytes
) -> None:
    specs = write_specs(tmp_path / "specs.csv")
    more = ("--specs", specs) if command[0] == "predict" else ()
    file = tmp_path / f"picture.{ending}"
    result = call(*command, *more, "--figure", file)
    assert result.exit_code == 0
    assert f"Drew {file}\n" in result.stderr
    assert file.read_bytes().startswith(first)
    assert fit.asked


def test_several_predicted_cards_get_a_figure_each(fit: FakeFit, tmp_path: Path) -> None:
    fit.cards = ("New 1", "New/1", "../Neu 2")
    specs = write_specs(tmp_path / "specs.csv")
    result = call("predict", "bench", "--specs", specs, "--figure", tmp_path / "p.png")
    assert result.exit_code == 0
    made = sorted(path.name for path in tmp_path.glob("*.png"))
    names = ["new-1-open-bench", "new-1-open-bench-2", "neu-2-open-bench"]
    assert made == sorted(f"p-{name}.png" for name in names)


def test_a_figure_of_another_kind_is_refused_before_anything_runs(fit: FakeFit) -> None:
    result = call("ceilings", "bench", "--figure", "a.gif")
    assert result.exit_code == 2
    assert "'a.gif' should end in .png, .svg or .pdf." in result.stderr
    assert fit.asked == []


@pytest.mark.parametrize("level", ["0", "1", "80", "x"])
def test_levels_are_shares_between_0_and_1(fit: FakeFit, level: str) -> None:
    assert call("ceilings", "bench", "--level", level).exit_code == 2
    assert fit.asked == []


def test_errors_for_the_user_are_a_message_and_2(
    monkeypatch: pytest.MonkeyPatch, fit: FakeFit
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ScalemodelError('there is no card "Kd". Fix: choose one of the bench.')

    monkeypatch.setattr(FakeFit, "lead", refuse)
    result = call("lead", "bench", "Kd", "Kb")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr == 'there is no card "Kd". Fix: choose one of the bench.\n'
    assert fit.asked


@pytest.mark.parametrize(("error", "code"), [(KeyboardInterrupt, 130), (BrokenPipeError, 141)])
def test_interrupts_and_closed_pipes_are_quiet(
    monkeypatch: pytest.MonkeyPatch, error: type[BaseException], code: int
) -> None:
    def stop(*_: object) -> None:
        raise error

    monkeypatch.setattr(fitted_module, "fitted", stop)
    monkeypatch.setattr("scalemodel.cli.main.close_output", lambda: None)
    result = call("fit", "bench")
    assert result.exit_code == code
    assert result.output == ""


def test_check_says_no_with_1_and_lists_everything(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench", rate="abc")
    result = call("check", bench)
    assert result.exit_code == 1
    rows = read(result.stdout)
    assert rows[0]["file"] == "results.csv"
    assert rows[0]["row"] == "2"
    assert rows[0]["severity"] == "error"
    document = json.loads(call("check", bench, "--format", "json").stdout)
    assert document["ok"] is False
    assert document["records"][0]["column"] == "avg_fps"


def test_check_says_yes_with_0(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench")
    result = call("check", bench, "--format", "table")
    assert result.exit_code == 0
    assert "Sound: 1 card, 1 chart, 1 cell, 1 run" in result.stdout
    document = json.loads(call("check", bench, "--format", "json").stdout)
    assert document["counts"]["runs"] == 1
    assert document["reading"][0]["name"] == "cards.csv"
    header = "row,card,platform,game,preset,resolution,run,avg_fps,reason,"
    header += "low_1pct_fps,low_01pct_fps\n"
    assert call("check", bench, "--excluded").stdout == header


def test_check_of_nothing_is_bad_input(tmp_path: Path) -> None:
    result = call("check", tmp_path / "none")
    assert result.exit_code == 2
    assert "there is no such folder" in result.stderr
    assert "Traceback" not in result.output


def test_start_writes_a_bench_that_is_sound_and_never_overwrites(tmp_path: Path) -> None:
    first = call("start", tmp_path / "mine")
    assert first.exit_code == 0
    assert f"Wrote {tmp_path / 'mine' / 'results.csv'}" in first.stdout
    assert call("check", tmp_path / "mine").exit_code == 0
    again = call("start", tmp_path / "mine")
    assert again.exit_code == 2
    assert "nothing was overwritten" in again.stderr


def test_unknown_commands_are_usage_errors() -> None:
    result = call("rank", "bench")
    assert result.exit_code == 2
    assert "No such command 'rank'" in result.stderr


def test_every_command_shows_an_example_of_itself() -> None:
    with click.Context(run) as context:
        for name in run.list_commands(context):
            command = run.get_command(context, name)
            assert command is not None
            assert f"  scalemodel {name}" in (command.help or "")


@pytest.fixture
def repeated(tmp_path: Path) -> Path:
    """A bench with repeats, and older results that nobody tested again."""
    repeat_bench.bench(tmp_path, sessions=2, shift={0: 0.06}, skip=repeat_bench.CARDS[4:])
    return tmp_path


def test_repeat_gives_the_rows_asked_for(repeated: Path) -> None:
    first = call("repeat", repeated)
    assert first.exit_code == 0
    assert first.stdout.startswith("metric,rates,rate_from,rate_to,cells,runs,s_r,")
    assert [row["reason"] for row in read(first.stdout)][-1] == "no run has low_01pct_fps"
    scenes = read(call("repeat", repeated, "--rows", "scenes").stdout)
    assert len(scenes) == 4
    assert call("repeat", repeated, "--rows", "runs").stdout.startswith("row,card,platform,")
    stale = read(call("repeat", repeated, "--rows", "stale").stdout)
    assert [row["stands"] for row in stale] == ["no", "yes", "yes", "yes"]
    document = json.loads(call("repeat", repeated, "--format", "json").stdout)
    assert {"summary", "scenes", "runs", "stale", "margin", "level"} <= set(document)
    assert len(document["records"]) == 6
    assert "▍older results" in call("repeat", repeated, "--format", "table").stdout


def test_repeat_asks_a_fit_only_for_what_nobody_tested_again(
    fit: FakeFit, repeated: Path, tmp_path: Path
) -> None:
    assert call("repeat", repeated).exit_code == 0
    assert fit.asked == []
    text = (repeated / "results.csv").read_text()
    lone = tmp_path / "lone"
    lone.mkdir()
    (lone / "cards.csv").write_bytes((repeated / "cards.csv").read_bytes())
    late = [line for line in text.splitlines() if not line.startswith(repeat_bench.CARDS[:4])]
    both = [line for line in text.splitlines() if line.startswith(repeat_bench.CARDS[:4])]
    new = [line for line in both if line.endswith("1.1")]
    (lone / "results.csv").write_text("\n".join([*late, *new, ""]))
    result = call("repeat", lone, "--margin", "3%", "--rows", "stale")
    assert result.exit_code == 0
    assert fit.asked == [(str(lone), "average"), ("repeat", 0.03, 0.8)]
    assert read(result.stdout)[0]["basis"] == "same cells"  # of the example


def test_repeat_keeps_to_the_runs_where_a_bench_cannot_be_fitted(
    monkeypatch: pytest.MonkeyPatch, repeated: Path
) -> None:
    def refuse(*_: object) -> None:
        raise ScalemodelError("too few")

    monkeypatch.setattr(fitted_module, "fit_of", refuse)
    lines = (repeated / "results.csv").read_text().splitlines()
    old = [line for line in lines[1:] if line.endswith("1.0") and "Game 0" in line]
    new = [line for line in lines[1:] if line.endswith("1.1")]
    (repeated / "results.csv").write_text("\n".join([lines[0], *old[-8:], *new, ""]))
    result = call("repeat", repeated, "--rows", "stale")
    assert result.exit_code == 0
    assert read(result.stdout)[0]["reason"] == "no cell was tested both before and after"


def test_repeat_compares(repeated: Path) -> None:
    result = call("repeat", repeated, "--compare", "1.1", "1.0", "--margin", "0.03")
    rows = read(result.stdout)
    assert {"a", "b", "kind", "lead", "lower", "upper", "verdict"} <= set(rows[0])
    assert {row["verdict"] for row in rows if row["row_kind"] == "chart"} >= {"tied", "different"}
    shown = call("repeat", repeated, "--compare", "1.1", "1.0", "--format", "table").stdout
    assert "▍1.1 against 1.0" in shown
    document = call("repeat", repeated, "--compare", "1.1", "1.0", "--format", "json").stdout
    assert json.loads(document)["summary"].startswith("On P game version 1.1 is")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--margin", "0"), "A margin of 0 cannot be tested"),
        (("--margin", "x"), "'x' is not a share. Allowed: a number such as 2% or 0.02."),
        (("--compare", "1.0", "9"), 'No run has the card, driver, game version or date "9".'),
        (("--compare", "1.0", "1.1", "--rows", "runs"), "--compare has rows of its own"),
        (("--metric", "low_1pct"), "no run has low_1pct_fps"),
    ],
)
def test_repeat_refuses_what_it_cannot_answer(
    repeated: Path, words: tuple[str, ...], message: str
) -> None:
    result = call("repeat", repeated, *words)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output


def test_repeat_draws_its_figure(repeated: Path, tmp_path: Path) -> None:
    file = tmp_path / "repeat.png"
    assert call("repeat", repeated, "--figure", file).exit_code == 0
    assert file.read_bytes().startswith(b"\x89PNG")
