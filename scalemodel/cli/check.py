"""``scalemodel check``: is my data sound?"""

from pathlib import Path

import click

from scalemodel.cli.options import bench_argument, figure_option
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath


@click.command("check", short_help="Is my data sound?")
@bench_argument
@click.option(
    "--excluded",
    is_flag=True,
    help="Give the runs that are left out, with the reason, as the rows instead of the problems.",
)
@click.option(
    "--tested",
    is_flag=True,
    help="Give one row a cell, with how many of its runs are used and left out, instead.",
)
@figure_option
@output_options
def command(
    bench: BenchPath, *, excluded: bool, tested: bool, figure: Path | None, output: Output
) -> None:
    """Read BENCH: is my data sound?

    BENCH is a folder with cards.csv and results.csv, a workbook, or the address of a database.
    Lists every problem at once, with file, row and how to fix it. The exit status is 0 for a sound
    bench and 1 for one with errors; warnings do not count. --figure draws what is tested.

    \b
    Example:
      scalemodel check my-bench
    """
    from scalemodel.data.bench import check_bench
    from scalemodel.views.terminal.check import check_sentence, check_view, problems_table

    if excluded and tested:
        raise click.UsageError("--excluded and --tested are different rows: ask for one of them.")
    report = check_bench(bench)
    about = {
        "command": "check",
        "bench": report.source,
        "summary": check_sentence(report),
        "ok": report.ok,
        "counts": report.counts,
        "reading": report.reading,
        "drafts": [problem.draft for problem in report.problems if problem.draft],
        "excluded": report.excluded,
    }
    table = problems_table(report.problems)
    if excluded or tested:
        table = report.tested if tested else report.excluded
    deliver(Shown(table, about, lambda: check_view(report)), output)
    if figure is not None and report.ok:
        from scalemodel.cli.figure_file import figure_size, write_figure
        from scalemodel.views.figures.bench import bench_figure

        write_figure(figure, bench_figure(report.tested, figure_size()))
    if not report.ok:
        click.get_current_context().exit(1)
