"""``scalemodel lead``: how far is one card ahead of another?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    bench_argument,
    figure_option,
    level_option,
    margin_option,
    metric_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


@click.command("lead", short_help="How far is A ahead of B, and on which charts?")
@bench_argument
@click.argument("a")
@click.argument("b")
@click.option(
    "--by",
    default="",
    metavar="COLUMN",
    help="Ask instead whether the lead differs between the groups of charts that this column of "
    "results makes, such as ray_tracing or one of your own.",
)
@click.option(
    "--together",
    is_flag=True,
    help="Take native and upscaled charts into one mean. Without it each kind has its own.",
)
@margin_option
@metric_option
@level_option
@figure_option
@output_options
def command(
    bench: Path,
    a: str,
    b: str,
    *,
    by: str,
    together: bool,
    margin: float,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how far card A is ahead of card B in BENCH.

    Gives the lead on every chart both were tested on, which of them lie within test error, the
    typical lead and the odd ones out. Charts at the ceiling are listed but left out. A lead of
    0.12 in csv and json means 12% faster. With --by says whether groups of charts have different
    leads, beyond test error and what scenes differ by anyway; --margin goes with it.

    \b
    Example:
      scalemodel lead my-bench "Card A" "Card B"
      scalemodel lead my-bench "Card A" "Card B" --by ray_tracing
    """
    from scalemodel.cli.figure_file import write_figure
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.lead import lead_view

    if by and together:
        raise click.UsageError("--by and --together: ask for one at a time.")
    fit = fitted(bench, metric)
    if by:
        _by(fit, bench, (a, b), by, margin, level, figure, output)
        return
    answer = fit.lead(a, b, level=level, together=together)
    summary = str(answer)
    about = {**about_fit("lead", bench, summary, fit), "level": level}
    deliver(Shown(answer.table, about, lambda: lead_view(summary, answer.table, level)), output)
    if figure is not None:
        from scalemodel.views.figures.lead import lead_figure

        write_figure(figure, lead_figure(answer.table, level))


def _by(
    fit: "Fit",
    bench: Path,
    cards: tuple[str, str],
    by: str,
    margin: float,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Answer for groups of charts."""
    from scalemodel.cli.figure_file import write_figure
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.groups import groups_view

    answer = fit.lead_by(by, *cards, margin=margin, level=level)
    about = {**about_fit("lead", bench, str(answer), fit), "level": level, "by": by}
    about |= {"margin": margin, "charts": answer.charts}
    deliver(Shown(answer.table, about, lambda: groups_view(answer)), output)
    if figure is not None:
        from scalemodel.views.figures.groups import groups_figure

        write_figure(figure, groups_figure(answer))
