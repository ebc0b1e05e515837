"""The tour itself: what is run, kept and said."""

import textwrap
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.figure_file import write_figure
from scalemodel.cli.fitted import fitted
from scalemodel.cli.output import write_file
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    import pandas as pd

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.report import Report

BENCH_FILES = ("cards.csv", "platforms.csv", "results.csv", "frames.csv", "latency.csv")
LOG_SHOWN = "t80-saltmarch-1440.csv.gz"
SPECS_FILE = "specs.csv"
LEAD = ("Ostrel T80", "Ostrel F90")
AGAINST = ("Ostrel T60", "Ostrel T80")
EXPLAIN = ("Ostrel C60", "Kivand L160")
HOURS = 3.0
LEVEL = 0.8
WIDTH = 88
OTHERS = "power, value, latency, lows"


class TourError(ScalemodelError):
    """The tour would overwrite something that it did not write."""


def guide(folder: Path) -> None:
    """Write the invented bench, run every step on it and say what each answered.

    Raises:
        TourError: the folder holds something else.
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.report import answers_of
    from scalemodel.data.bench import read_specs

    bench, specs = write_demo(folder)
    click.echo(f"Wrote an invented bench to {bench}. Nothing in it is a real product.")
    _check(bench)
    _reduce(folder, bench)
    with_fit = fitted(bench, "average")
    _say("fit", (f"scalemodel fit {_quoted(bench)}", str(with_fit)))
    _table(folder / "fit.csv", with_fit.table)
    _repeat(folder, bench, with_fit)
    _ceilings(folder, bench, with_fit)
    _predict(folder, bench, specs, with_fit)
    _lead(folder, bench, with_fit)
    _explain(folder, bench, with_fit)
    _plan(folder, bench, specs, with_fit)
    answers = answers_of(with_fit, read_specs(specs), LEVEL)
    _others(folder, bench, specs, answers)
    _report(folder, bench, specs, answers)
    click.echo(
        "\nYour turn:\n"
        "  scalemodel start my-bench    an empty bench with every column explained\n"
        "  scalemodel check my-bench    once your rows are in\n"
        "  scalemodel score my-bench    how good its predictions are; half a minute on this bench\n"
        "  scalemodel --help            all commands"
    )


def write_demo(folder: Path) -> tuple[Path, Path]:
    """Write the invented bench and spec sheets; give the paths of both.

    A folder in which an earlier tour left the same bench is used again.

    Raises:
        TourError: the folder holds anything else; nothing is written then.
        OutputError: a file cannot be written.
    """
    source = files("scalemodel") / "demo"
    content = {folder / "bench" / name: (source / name).read_bytes() for name in BENCH_FILES}
    content[folder / SPECS_FILE] = (source / SPECS_FILE).read_bytes()
    for log in sorted((source / "frames").iterdir(), key=lambda log: log.name):
        content[folder / "bench" / "frames" / log.name] = log.read_bytes()
    if not _is_free(folder) and not all(_holds(path, data) for path, data in content.items()):
        raise TourError(
            f"{folder}: there is something else here already; nothing was overwritten. "
            "Fix: name a new folder, as in: scalemodel tour another-folder"
        )
    try:
        (folder / "bench" / "frames").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TourError(
            f"{folder}: this folder cannot be made ({error.strerror}). "
            "Fix: name a folder you may write to."
        ) from None
    for path, data in content.items():
        write_file(path, data)
    return folder / "bench", folder / SPECS_FILE


def _is_free(folder: Path) -> bool:
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.read_bytes() == data


def _check(bench: Path) -> None:
    from scalemodel.data.bench import check_bench
    from scalemodel.views.terminal.check import check_sentence, problems_table

    report = check_bench(bench)
    _say("check", (f"scalemodel check {_quoted(bench)}", check_sentence(report)))
    for problem in report.problems:
        click.echo(textwrap.indent(textwrap.fill(str(problem), WIDTH), "      "))
    _table(bench.parent / "check.csv", problems_table(report.problems))


def _reduce(folder: Path, bench: Path) -> None:
    from scalemodel.answers.reduce import reduce_logs
    from scalemodel.cli.reduce import draw_runs

    answer = reduce_logs(bench, level=LEVEL)
    _say("reduce", (f"scalemodel reduce {_quoted(bench)} -o runs.csv", str(answer)))
    for problem in answer.problems:
        click.echo(textwrap.indent(textwrap.fill(str(problem), WIDTH), "      "))
    _table(folder / "runs.csv", answer.table)
    shown = answer.table[answer.table["file"] == LOG_SHOWN]
    draw_runs(bench, shown, folder / "run.png")


def _ceilings(folder: Path, bench: Path, fit: "Fit") -> None:
    from scalemodel.views.figures.ceilings import ceilings_figure

    answer = fit.ceilings(level=LEVEL)
    _say("ceilings", (f"scalemodel ceilings {_quoted(bench)}", str(answer)))
    _table(folder / "ceilings.csv", answer.table)
    _table(folder / "ceilings-charts.csv", answer.charts)
    write_figure(folder / "ceilings.png", ceilings_figure(answer.table, answer.charts, LEVEL))


def _predict(folder: Path, bench: Path, specs: Path, fit: "Fit") -> None:
    from scalemodel.cli.predict import draw_predictions, rows
    from scalemodel.data.bench import read_specs

    answer = fit.predict(read_specs(specs), level=LEVEL, against=AGAINST, ranks=False)
    rivals = " ".join(f'--against "{card}"' for card in AGAINST)
    line = f"scalemodel predict {_quoted(bench)} --specs {_quoted(specs)} {rivals}"
    _say("predict", (line, str(answer)))
    _table(folder / "predict.csv", rows(answer, ranks=False))
    draw_predictions(answer, folder / "predict.png")


def _lead(folder: Path, bench: Path, fit: "Fit") -> None:
    from scalemodel.views.figures.lead import lead_figure

    answer = fit.lead(*LEAD, level=LEVEL)
    first, second = LEAD
    _say("lead", (f'scalemodel lead {_quoted(bench)} "{first}" "{second}"', str(answer)))
    _table(folder / "lead.csv", answer.table)
    write_figure(folder / "lead.png", lead_figure(answer.table, LEVEL))


def _explain(folder: Path, bench: Path, fit: "Fit") -> None:
    from scalemodel.views.figures.explain import explain_figure
    from scalemodel.views.figures.order import order_figure

    answer, order = fit.explain(*EXPLAIN, level=LEVEL), fit.order(level=LEVEL)
    first, second = EXPLAIN
    line = f'scalemodel explain {_quoted(bench)} "{first}" "{second}"'
    _say("explain", (line, f"{answer} {order}"))
    _table(folder / "explain.csv", answer.table)
    _table(folder / "order.csv", order.table)
    write_figure(folder / "explain.png", explain_figure(answer.table, LEVEL))
    write_figure(folder / "order.png", order_figure(order.table, (order.start, order.end), LEVEL))


def _plan(folder: Path, bench: Path, specs: Path, fit: "Fit") -> None:
    from scalemodel.data.bench import read_specs
    from scalemodel.views.figures.plan import plan_figure

    answer = fit.plan(HOURS, specs=read_specs(specs), in_hand=True, level=LEVEL)
    line = f"scalemodel plan {_quoted(bench)} --specs {_quoted(specs)} --in-hand --hours {HOURS:g}"
    _say("plan", (line, str(answer)))
    _table(folder / "plan.csv", answer.table)
    write_figure(folder / "plan.png", plan_figure(answer.table, answer.targets, LEVEL))


def _repeat(folder: Path, bench: Path, fit: "Fit") -> None:
    from scalemodel.views.figures.repeat import repeat_figure

    answer = fit.repeatability(level=LEVEL)
    _say("repeat", (f"scalemodel repeat {_quoted(bench)}", str(answer)))
    _table(folder / "repeat.csv", answer.table)
    _table(folder / "repeat-runs.csv", answer.runs)
    _table(folder / "repeat-stale.csv", answer.stale)
    figure = repeat_figure(answer.every_run, answer.scenes, answer.metric)
    write_figure(folder / "repeat.png", figure)


def _others(folder: Path, bench: Path, specs: Path, answers: "Report") -> None:
    """Say in a sentence each what else the results tell; all of it was asked for the report."""
    from scalemodel.views.report import latency, lows, power, value
    from scalemodel.views.words import PRICE_CAUTION

    sheets = f" --specs {_quoted(specs)}"
    told = []
    if answers.power is not None:
        told.append((f"power{sheets}", power.sentence(answers.power), answers.power.cards))
    if answers.value is not None:
        words = f"{value.sentence(answers.value)} {PRICE_CAUTION}"
        told.append((f"value{sheets}", words, answers.value.table))
    if answers.latency is not None:
        words = latency.sentence(answers.latency)
        told.append(("latency", words, answers.latency.table))
    if answers.lows is not None:
        told.append(("lows", lows.sentence(answers.lows), answers.lows.table))
    lines = []
    for command, words, table in told:
        verb, _, options = command.partition(" ")
        lines.append((f"scalemodel {verb} {_quoted(bench)} {options}".rstrip(), words))
        _table(folder / f"{verb}.csv", table)
    _say(OTHERS, *lines)


def _report(folder: Path, bench: Path, specs: Path, answers: "Report") -> None:
    from scalemodel.cli.report import page_of

    target = folder / "report.html"
    write_file(target, page_of(answers))
    line = f"scalemodel report {_quoted(bench)} --specs {_quoted(specs)} -o report.html"
    _say("report", (line, f"Everything above and more in one file: {target}"))


def _say(name: str, *told: tuple[str, str]) -> None:
    """Write a question, each command that answers it with its answer, and what to look at."""
    number = list(QUESTIONS).index(name) + 1
    click.echo(f"\n{number}. {name}: {QUESTIONS[name]}")
    for line, answer in told:
        click.echo(f"   $ {line}")
        click.echo(textwrap.indent(textwrap.fill(answer, WIDTH), "   "))
    click.echo(textwrap.indent(textwrap.fill(LOOK_AT[name], WIDTH), "   "))


def _quoted(path: Path) -> str:
    """Write a path so that it can be pasted into a shell."""
    return f'"{path}"' if " " in str(path) else str(path)


def _table(path: Path, table: "pd.DataFrame") -> None:
    from scalemodel.views.tables import to_csv

    write_file(path, to_csv(table))


QUESTIONS = {
    "check": "is the data sound?",
    "reduce": "what do the frame-time logs come to?",
    "fit": "what did the model learn?",
    "repeat": "how repeatable are the runs, and which results can no longer be used?",
    "ceilings": "which charts compare cards, which show the CPU limit?",
    "predict": "where will a card land that nobody has tested?",
    "lead": "how far is one card ahead of another?",
    "explain": "why does a lead, or the order of cards, change at lower resolutions?",
    "plan": "the cards that were predicted arrive: what to test in three hours?",
    OTHERS: "what else do the results tell?",
    "report": "where is all of that to look at, for me and for others?",
}

LOOK_AT = {
    "check": "Look at: check.csv. Warnings do not stop anything; they are worth a second look.",
    "reduce": "Look at: runs.csv, rows for results.csv, and run.png. One log is faulty on purpose.",
    "fit": "Look at: fit.csv. The fit is kept beside the bench, so the next questions are quick.",
    "ceilings": "Look at: ceilings.png. Hollow marks are the CPU's rate, not the card's.",
    "predict": "Look at: predict-*.png. An estimate from the spec sheet, not a measurement.",
    "lead": "Look at: lead.png. Hollow charts are at the ceiling and left out of the lead.",
    "plan": "Look at: plan.csv, the runs in their order; plan.png, what each brings.",
    "explain": "Look at: explain.png, step by step; order.png has all cards that change places.",
    OTHERS: "Look at: power.csv, value.csv, latency.csv, lows.csv; the report has the figures.",
    "report": "Look at: report.html, in a browser. It needs no network and nothing else.",
    "repeat": "Look at: repeat.png, then repeat-runs.csv and repeat-stale.csv: runs to make again.",
}
