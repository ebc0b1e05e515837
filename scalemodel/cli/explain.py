"""``scalemodel explain``: why does a lead, or the order of cards, change?"""

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
    from scalemodel.answers.fitting import Fit


@click.command("explain", short_help="Why does a lead, or the order of cards, change?")
@bench_argument
@click.argument("a", required=False)
@click.argument("b", required=False)
@click.option(
    "--order",
    is_flag=True,
    help="Instead of one lead: every pair of cards that changes places, and why.",
)
@click.option(
    "--from",
    "start",
    metavar="WHERE",
    help="Resolution, preset or platform to go from. Default: the highest resolution.",
)
@click.option(
    "--to",
    "end",
    metavar="WHERE",
    help="Resolution, preset or platform to go to. Default: the lowest resolution.",
)
@click.option(
    "--scene",
    "scenes",
    multiple=True,
    metavar="SCENE",
    help='Only this game, or scene as in "Game | preset". May be given several times.',
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    a: str | None,
    b: str | None,
    *,
    order: bool,
    start: str | None,
    end: str | None,
    scenes: tuple[str, ...],
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say why the lead of card A over card B changes between charts of BENCH.

    The change is shared out among the CPU ceiling, what the cards' specs do at each resolution, the
    architecture, the board, and what the model leaves unexplained. The parts sum to the change.
    With --order, for every pair of cards that changes places: the main cause, or that it is within
    test error.

    \b
    Examples:
      scalemodel explain my-bench "Card A" "Card B" --from 3840x2160 --to 1920x1080
      scalemodel explain my-bench --order
    """
    from scalemodel.cli.fitted import fitted

    if order == (a is not None) or (not order and b is None):
        raise click.UsageError("Name two cards, A and B, or ask for --order without any card.")
    fit = fitted(bench, metric)
    if a is not None and b is not None:
        _lead(fit, bench, (a, b), start, end, scenes, level, figure, output)
    else:
        _order(fit, bench, start, end, scenes, level, figure, output)


def _lead(
    fit: "Fit",
    bench: BenchPath,
    cards: tuple[str, str],
    start: str | None,
    end: str | None,
    scenes: tuple[str, ...],
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.explain import explain_view

    answer = fit.explain(*cards, start=start, end=end, scenes=scenes, level=level)
    summary = str(answer)
    about = {**about_fit("explain", bench, summary, fit), "level": level, "shares": answer.shares}
    deliver(Shown(answer.table, about, lambda: explain_view(summary, answer.table, level)), output)
    if figure is not None:
        from scalemodel.views.figures.explain import explain_figure

        write_figure(figure, explain_figure(answer.table, level, figure_size()))


def _order(
    fit: "Fit",
    bench: BenchPath,
    start: str | None,
    end: str | None,
    scenes: tuple[str, ...],
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.order import order_view

    answer = fit.order(start=start, end=end, scenes=scenes, level=level)
    summary, places = str(answer), (answer.start, answer.end)
    about = {**about_fit("explain", bench, summary, fit), "level": level, "scenes": answer.scenes}
    view = Shown(
        answer.table, about, lambda: order_view(summary, answer.table, answer.scenes, places, level)
    )
    deliver(view, output)
    if figure is not None:
        from scalemodel.views.figures.order import order_figure

        write_figure(figure, order_figure(answer.table, places, level, figure_size()))
