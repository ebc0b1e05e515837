"""``scalemodel ceilings``: which results and charts sit at the ceiling?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    metric_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    import pandas as pd

    from scalemodel.answers.knee import Knee


@click.command("ceilings", short_help="Which results and charts sit at the ceiling?")
@bench_argument
@metric_option
@level_option
@click.option("--charts", is_flag=True, help="Give one row a chart instead of one a result.")
@click.option(
    "--scene",
    "scenes",
    multiple=True,
    metavar="SCENE",
    help='Only this game, or scene as in "Game | preset", with what its cards would reach without '
    "the ceiling. May be given several times.",
)
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    metric: str,
    level: float,
    charts: bool,
    scenes: tuple[str, ...],
    figure: Path | None,
    output: Output,
) -> None:
    """Say which results and charts of BENCH sit at the ceiling.

    A chart at the ceiling shows the CPU limit and does not compare cards. The terminal shows one
    line a scene; csv and json have one row a result, or a chart with --charts.

    With --scene, --figure draws how the rates of the scene run into its ceiling.

    \b
    Examples:
      scalemodel ceilings my-bench --charts -o charts.csv
      scalemodel ceilings my-bench --scene "Game | preset" --figure scene.png
    """
    from scalemodel.answers.knee import Knee
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.ceilings import ceilings_view

    fit = fitted(bench, metric)
    answer = fit.knee(scenes, level=level) if scenes else fit.ceilings(level=level)
    summary = str(answer)
    about = {**about_fit("ceilings", bench, summary, fit), "level": level}
    if isinstance(answer, Knee):
        about["curve"] = answer.curve
    table = answer.charts if charts else answer.table
    deliver(Shown(table, about, lambda: ceilings_view(summary, answer.charts, level)), output)
    if figure is not None and isinstance(answer, Knee):
        draw_knees(answer, figure)
    elif figure is not None:
        from scalemodel.views.figures.ceilings import ceilings_figure

        drawn = ceilings_figure(answer.table, answer.charts, level, figure_size())
        write_figure(figure, drawn)


def draw_knees(answer: "Knee", figure: Path) -> None:
    """Draw each scene on each platform into a file of its own."""
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.knee import knee_figure

    scene = ["platform", "game", "preset"]
    keys = list(answer.charts[scene].drop_duplicates().itertuples(index=False, name=None))

    def of(table: "pd.DataFrame", key: tuple[str, ...]) -> "pd.DataFrame":
        return table[(table[scene] == list(key)).all(axis=1)]

    for path, key in zip(
        numbered_paths(figure, [" ".join(key) for key in keys]), keys, strict=True
    ):
        tables = of(answer.table, key), of(answer.charts, key), of(answer.curve, key)
        write_figure(path, knee_figure(tables, answer.level, figure_size()))
