"""``scalemodel ceilings``: which results and charts sit at the ceiling?"""

from pathlib import Path

import click

from scalemodel.cli.options import bench_argument, figure_option, level_option, metric_option
from scalemodel.cli.output import Output, Shown, deliver, output_options


@click.command("ceilings", short_help="Which results and charts sit at the ceiling?")
@bench_argument
@metric_option
@level_option
@click.option("--charts", is_flag=True, help="Give one row a chart instead of one a result.")
@figure_option
@output_options
def command(
    bench: Path, *, metric: str, level: float, charts: bool, figure: Path | None, output: Output
) -> None:
    """Say which results and charts of BENCH sit at the ceiling.

    A chart at the ceiling shows the CPU limit and does not compare cards. The terminal shows one
    line a scene; csv and json have one row a result, or a chart with --charts.

    \b
    Example:
      scalemodel ceilings my-bench --charts -o charts.csv
    """
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.ceilings import ceilings_view

    fit = fitted(bench, metric)
    answer = fit.ceilings(level=level)
    summary = str(answer)
    about = {**about_fit("ceilings", bench, summary, fit), "level": level}
    table = answer.charts if charts else answer.table
    deliver(Shown(table, about, lambda: ceilings_view(summary, answer.charts, level)), output)
    if figure is not None:
        from scalemodel.views.figures.ceilings import ceilings_figure

        drawn = ceilings_figure(answer.table, answer.charts, level, figure_size())
        write_figure(figure, drawn)
