"""``scalemodel reduce``: from frame-time logs to runs."""

from pathlib import Path, PurePath
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import bench_argument, figure_option, level_option
from scalemodel.cli.output import Output, OutputError, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    import pandas as pd

LOWS = ("quantile", "slowest_mean")


@click.command("reduce", short_help="From frame-time logs to runs.")
@bench_argument
@click.option(
    "--lows",
    type=click.Choice(LOWS),
    default="quantile",
    show_default=True,
    help="Definition of the 1% and 0.1% low in the columns of the bench: the rate at the 99th or "
    "99.9th percentile of frame time, or that of the mean of the slowest frames. The other is in "
    "columns of its own.",
)
@level_option
@click.option(
    "--log",
    "logs",
    multiple=True,
    metavar="FILE",
    help="Reduce only this log, named as in frames.csv. May be given several times.",
)
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    lows: str,
    level: float,
    logs: tuple[str, ...],
    figure: Path | None,
    output: Output,
) -> None:
    """Reduce the frame-time logs of BENCH to runs, the rows of results.csv.

    BENCH has a file frames.csv that names the logs in its folder frames. Gives the average rate
    and the lows of each run with ranges that respect that neighbouring frames are alike, and how
    the run went. Column and unit of a log are found from its numbers unless frames.csv gives
    them. Logs that have not changed are not read again. A log with faults is a row with its
    reason. With --figure every run is drawn into a file of its own.

    \b
    Example:
      scalemodel reduce my-bench -o runs.csv
    """
    from scalemodel.answers.reduce import reduce_logs
    from scalemodel.cli.waiting import counting
    from scalemodel.views.terminal.reduce import reduce_view

    if output.file is not None:
        _keep_results(output.file)
    with counting("Reducing logs") as done:
        answer = reduce_logs(bench, lows, level, logs, done=done)
    summary = str(answer)
    about = {
        "command": "reduce",
        "bench": str(bench),
        "summary": summary,
        "lows": lows,
        "level": level,
        "problems": answer.problems,
    }
    deliver(Shown(answer.table, about, lambda: reduce_view(summary, answer)), output)
    if not output.on_terminal:
        for problem in answer.problems:
            click.echo(f"{problem.severity}: {problem}", err=True)
    if figure is not None:
        draw_runs(bench, answer.table, figure)


def draw_runs(bench: BenchPath, table: "pd.DataFrame", figure: Path) -> None:
    """Draw every run that was reduced, each into a file of its own."""
    from scalemodel.answers.trace import trace
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.data.schema import ID_COLUMNS
    from scalemodel.views.figures.run import run_figure
    from scalemodel.views.tables import rows_of

    runs = list(rows_of(table[table["avg_fps"].notna()]))
    for run, path in zip(
        runs,
        numbered_paths(figure, [PurePath(run.file).name.partition(".")[0] for run in runs]),
        strict=True,
    ):
        ids = tuple(str(getattr(run, name)) for name in ID_COLUMNS)
        found = trace(bench, ids)
        write_figure(path, run_figure(run, found.along, found.spread, figure_size()))


def _keep_results(file: Path) -> None:
    """Refuse to write over results that did not come from logs."""
    if file.name != "results.csv" or not file.is_file():
        return
    with file.open("rb") as stream:
        header = stream.readline(1 << 16)
    if b"block_frames" not in header:
        raise OutputError(
            f"{file}: this file holds results already; nothing was overwritten. "
            "Fix: write to another file, such as runs.csv, and add its rows."
        )
