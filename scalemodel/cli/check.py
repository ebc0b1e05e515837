"""``scalemodel check``: is my data sound?"""

from pathlib import Path

import click

from scalemodel.cli.options import bench_argument
from scalemodel.cli.output import Output, Shown, deliver, output_options


@click.command("check", short_help="Is my data sound?")
@bench_argument
@click.option(
    "--excluded",
    is_flag=True,
    help="Give the runs that are left out, with the reason, as the rows instead of the problems.",
)
@output_options
def command(bench: Path, *, excluded: bool, output: Output) -> None:
    """Read BENCH, a folder with cards.csv and results.csv: is my data sound?

    Lists every problem at once, with file, row and how to fix it. The exit status is 0 for a
    sound bench and 1 for one with errors; warnings do not count.

    \b
    Example:
      scalemodel check my-bench
    """
    from scalemodel.data.bench import check_bench
    from scalemodel.views.terminal.check import check_sentence, check_view, problems_table

    report = check_bench(bench)
    about = {
        "command": "check",
        "bench": report.source,
        "summary": check_sentence(report),
        "ok": report.ok,
        "counts": report.counts,
        "reading": report.reading,
        "excluded": report.excluded,
    }
    table = report.excluded if excluded else problems_table(report.problems)
    deliver(Shown(table, about, lambda: check_view(report)), output)
    if not report.ok:
        click.get_current_context().exit(1)
