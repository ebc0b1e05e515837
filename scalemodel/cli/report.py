"""``scalemodel report``: everything to look at, in one file."""

import itertools
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    A_PLACE,
    bench_argument,
    filter_options,
    level_option,
    metric_option,
)
from scalemodel.cli.output import write_file
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.report import Report


def check_ending(ctx: click.Context, param: click.Parameter, value: Path) -> Path:
    """Take a path that ends in .html, or say so."""
    if value.suffix.lower() not in {".html", ".htm"}:
        raise click.BadParameter(f"'{value}' should end in .html.", ctx, param)
    return value


@click.command("report", short_help="Everything to look at, in one file.")
@bench_argument
@click.option(
    "-o",
    "--output",
    "file",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    callback=check_ending,
    metavar="FILE.html",
    help="Write the report to this file.",
)
@click.option(
    "--specs",
    type=A_PLACE,
    metavar="FILE",
    help="Also predict the cards of these spec sheets: the columns of cards.csv.",
)
@metric_option
@level_option
@filter_options
def command(
    bench: BenchPath, *, file: Path, specs: BenchPath | None, metric: str, level: float
) -> None:
    """Answer every question about BENCH in one HTML file.

    The file needs nothing else: it opens without a network, prints, and holds every table as CSV.
    How good the forecasts are is in it once `scalemodel score BENCH` has been run.

    \b
    Example:
      scalemodel report my-bench --specs new-card.csv -o report.html
    """
    from scalemodel.cli.fitted import fitted
    from scalemodel.data.bench import read_specs

    sheets = None if specs is None else read_specs(specs)
    fit = fitted(bench, metric)
    write_file(file, page_of(answers_of(fit, sheets, level)))
    click.echo(f"Wrote {file}", err=True)


def answers_of(fit: "Fit", sheets: "pd.DataFrame | None", level: float) -> "Report":
    """Ask a fit everything, with a bar on the error stream meanwhile."""
    from scalemodel.answers.report import QUESTIONS, report
    from scalemodel.cli.waiting import counting

    with counting("Asking everything") as tell:
        return report(fit, sheets, level, _counter(tell, QUESTIONS))


def page_of(answers: "Report") -> str:
    """Write the page, with a bar on the error stream meanwhile."""
    from scalemodel.cli.waiting import counting
    from scalemodel.views.report.page import SECTIONS, report_page

    with counting("Writing the report") as tell:
        return report_page(answers, _counter(tell, len(SECTIONS)))


def _counter(tell: "Callable[[int, int], None]", total: int) -> "Callable[[], None]":
    """Give a function to call after each of so many pieces of work."""
    done = itertools.count(1)
    return lambda: tell(next(done), total)
