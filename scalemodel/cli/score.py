"""``scalemodel score``: how good are these predictions?"""

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

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
    from scalemodel.answers.score import Score
    from scalemodel.answers.score_forecast import ForecastScore

ROWS = ("cells", "summary", "cards", "calibration")
FORECAST_ROWS = ("cells", "cards", "changes")
#: Options that are of no use beside --forecast.
HOLDING_OUT = ("metric", "largest", "newest_architecture", "scene", "by", "jobs", "workers")


@click.command("score", short_help="How good are these predictions, or how good was a forecast?")
@bench_argument
@click.option(
    "--largest",
    is_flag=True,
    help="Hold out the largest fifth of the cards, by shaders x clock, at once.",
)
@click.option(
    "--newest-architecture",
    is_flag=True,
    help="Hold out all cards of the newest architecture at once.",
)
@click.option(
    "--scene",
    default="",
    metavar="SCENE",
    help='Judge only the cells of this game, or scene as in "Game | preset". Cards are held out of '
    "every scene all the same.",
)
@click.option(
    "--by",
    default="",
    metavar="COLUMN",
    help="Also sum up by the groups of charts that this column of results makes, such as "
    "ray_tracing.",
)
@click.option(
    "--forecast",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Compare a forecast that predict --save wrote with what has been measured since.",
)
@click.option(
    "--rows",
    type=click.Choice([*dict.fromkeys((*ROWS, *FORECAST_ROWS))]),
    default="cells",
    show_default=True,
    help="The rows of csv; json has them all. changes: what else changed since a forecast.",
)
@click.option(
    "--jobs",
    type=click.IntRange(min=1),
    metavar="N",
    help="Processes to use on this machine. Default: one a core. The answer is the same.",
)
@click.option(
    "--workers",
    metavar="ADDRESS",
    help="Let the workers of the Dask scheduler at this address do it. The answer is the same.",
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
@click.pass_context
def command(
    context: click.Context,
    bench: BenchPath,
    *,
    largest: bool,
    newest_architecture: bool,
    scene: str,
    by: str,
    forecast: Path | None,
    rows: str,
    jobs: int | None,
    workers: str | None,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how good predictions for BENCH are.

    Every card is held out in turn: fitted without its results, predicted from its spec sheet, and
    compared with what was measured, next to plain peers on the same split. With --forecast, a
    sealed forecast is compared with the results that its cards have by now.

    \b
    Example:
      scalemodel score my-bench
      scalemodel score my-bench --forecast new-card.json
    """
    if forecast is not None:
        _refuse_beside_forecast(context, rows)
        _score_forecast(bench, forecast, rows, level, figure, output)
        return
    if rows not in ROWS:
        raise click.UsageError(f"--rows {rows} goes with --forecast only.")
    if largest and newest_architecture:
        raise click.UsageError("--largest and --newest-architecture: ask for one at a time.")
    if jobs and workers:
        raise click.UsageError("--jobs and --workers: choose where the work is done.")
    held_out = "largest" if largest else "newest_architecture" if newest_architecture else "each"
    _score(bench, held_out, scene, by, rows, jobs, workers, metric, level, figure, output)


def _refuse_beside_forecast(context: click.Context, rows: str) -> None:
    given = [
        name
        for name in HOLDING_OUT
        if context.get_parameter_source(name) == ParameterSource.COMMANDLINE
    ]
    if given:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in given)
        raise click.UsageError(f"--forecast judges a forecast as it is; leave out {names}.")
    if rows not in FORECAST_ROWS:
        raise click.UsageError(f"--rows {rows} does not go with --forecast.")


def _score(
    bench: BenchPath,
    held_out: str,
    scene: str,
    by: str,
    rows: str,
    jobs: int | None,
    workers: str | None,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    from scalemodel.answers.kept_score import score_cached
    from scalemodel.answers.workers import Cluster, Cores
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.cli.waiting import counting
    from scalemodel.views.terminal.score import score_view

    with ExitStack() as stack:
        team = stack.enter_context(Cluster(workers)) if workers else Cores(jobs)
        fit = fitted(bench, metric)
        with counting("Holding cards out") as progress:
            answer = score_cached(fit, level, held_out, scene, team, progress, by)
    about = {**about_fit("score", bench, str(answer), fit), **_about_score(answer)}
    table = {"cells": answer.table, "summary": answer.summary, "cards": answer.cards}
    table["calibration"] = answer.calibration
    deliver(Shown(table[rows], about, lambda: score_view(str(answer), answer)), output)
    if figure is not None:
        from scalemodel.views.figures.score import score_figure

        write_figure(figure, score_figure(answer, figure_size()))


def _about_score(answer: "Score") -> dict[str, object]:
    return {
        "level": answer.level,
        "held_out": answer.held_out,
        "scene": answer.scene,
        "scores": answer.summary,
        "cards": answer.cards,
        "shifts": answer.shifts,
        "calibration": answer.calibration,
    }


def _score_forecast(
    bench: BenchPath, forecast: Path, rows: str, level: float, figure: Path | None, output: Output
) -> None:
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.data.forecast_file import read_forecast
    from scalemodel.views.terminal.forecast import forecast_view

    made = read_forecast(forecast)
    fit = fitted(bench, made.metric)
    answer = fit.score_forecast(made, level)
    about = {
        **about_fit("score", bench, str(answer), fit),
        "forecast": str(forecast),
        "seal": answer.seal,
        "date": answer.date,
        "level": level,
        "cards": answer.cards,
        "shifts": answer.shifts,
        "changes": answer.changes,
    }
    table = {"cells": answer.table, "cards": answer.cards, "changes": answer.changes}[rows]
    deliver(Shown(table, about, lambda: forecast_view(str(answer), answer)), output)
    if figure is not None:
        _draw_forecast(answer, figure)


def _draw_forecast(answer: "ForecastScore", path: Path) -> None:
    """Draw one figure a card and platform that has results by now."""
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.forecast import forecast_figure

    judged = answer.table[answer.table["reason"] == ""]
    groups = list(judged.groupby(["card", "platform"], sort=False))
    if not groups:
        click.echo("Nothing is measured yet; no figure was drawn.", err=True)
    paths = numbered_paths(path, [f"{card}-{platform}" for (card, platform), _ in groups])
    for ((card, _), table), file in zip(groups, paths, strict=True):
        row = answer.cards[answer.cards["card"] == card].iloc[0]
        where = str(row["where"])
        drawn = forecast_figure(table, where, answer.date, answer.level, figure_size())
        write_figure(file, drawn)
