"""``scalemodel fit``: what did the model learn?"""

from pathlib import Path

import click

from scalemodel.cli.options import bench_argument, figure_option, filter_options, metric_option
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath


@click.command("fit", short_help="Fit and store the model; what did it learn?")
@bench_argument
@metric_option
@click.option(
    "--left-out",
    is_flag=True,
    help="Give the cells that the fit does not use, with the reason, as the rows instead.",
)
@click.option(
    "--scenes",
    is_flag=True,
    help="Give what a typical card's frame is made of, scene by scene, as the rows instead.",
)
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    metric: str,
    left_out: bool,
    scenes: bool,
    figure: Path | None,
    output: Output,
) -> None:
    """Fit the model to BENCH and store it there: what did it learn?

    The fit is kept in the folder .scalemodel inside BENCH, so that later questions about the same
    data are answered at once. Changed data are fitted anew. --figure draws what a typical card's
    frame is made of in each scene.

    \b
    Example:
      scalemodel fit my-bench
    """
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.fit import fit_view

    if left_out and scenes:
        raise click.UsageError("--left-out and --scenes are different rows: ask for one of them.")
    fit = fitted(bench, metric)
    summary = str(fit)
    about = about_fit("fit", bench, summary, fit)
    table = fit.left_out if left_out else fit.learned_scenes if scenes else fit.table
    deliver(Shown(table, about, lambda: fit_view(summary, fit.table, fit.left_out)), output)
    if figure is not None:
        from scalemodel.views.figures.shares import shares_figure

        write_figure(figure, shares_figure(fit.learned_scenes, figure_size()))
