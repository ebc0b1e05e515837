"""``scalemodel lead``: how far is one card ahead of another?"""

from pathlib import Path

import click

from scalemodel.cli.options import bench_argument, figure_option, level_option, metric_option
from scalemodel.cli.output import Output, Shown, deliver, output_options


@click.command("lead", short_help="How far is A ahead of B, and on which charts?")
@bench_argument
@click.argument("a")
@click.argument("b")
@metric_option
@level_option
@figure_option
@output_options
def command(
    bench: Path, a: str, b: str, *, metric: str, level: float, figure: Path | None, output: Output
) -> None:
    """Say how far card A is ahead of card B in BENCH.

    Gives the lead on every chart both were tested on, which of them lie within test error, the
    typical lead and the odd ones out. Charts at the ceiling are listed but left out. A lead of
    0.12 in csv and json means 12% faster.

    \b
    Example:
      scalemodel lead my-bench "Card A" "Card B"
    """
    from scalemodel.cli.figure_file import write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.lead import lead_view

    fit = fitted(bench, metric)
    answer = fit.lead(a, b, level=level)
    summary = str(answer)
    about = {**about_fit("lead", bench, summary, fit), "level": level}
    deliver(Shown(answer.table, about, lambda: lead_view(summary, answer.table, level)), output)
    if figure is not None:
        from scalemodel.views.figures.lead import lead_figure

        write_figure(figure, lead_figure(answer.table, level))
