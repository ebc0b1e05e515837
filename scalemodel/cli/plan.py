"""``scalemodel plan``: which tests next, for the hours I have?"""

from pathlib import Path

import click

from scalemodel.cli.options import (
    A_PLACE,
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    metric_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath


@click.command("plan", short_help="Which tests next, for the hours I have?")
@bench_argument
@click.option("--hours", required=True, type=float, help="Hours there are for tests.")
@click.option(
    "--minutes-per-run",
    type=float,
    default=4.0,
    show_default=True,
    help="Minutes one run takes, loading included.",
)
@click.option(
    "--minutes-per-swap",
    type=float,
    default=10.0,
    show_default=True,
    help="Minutes it takes to install a card on a platform.",
)
@click.option(
    "--specs",
    type=A_PLACE,
    metavar="FILE",
    help="Narrow the place of the cards on these spec sheets: the columns of cards.csv.",
)
@click.option("--in-hand", is_flag=True, help="The cards of --specs can be tested too.")
@click.option(
    "--lead", nargs=2, metavar="A B", help="Narrow the lead of card A over card B instead."
)
@click.option(
    "--ceiling",
    nargs=2,
    metavar="GAME PRESET",
    help="Narrow the ceiling of this scene instead, on each platform.",
)
@click.option(
    "--only",
    multiple=True,
    metavar="CARD",
    help="Only this card can be tested. May be given several times. Default: all of cards.csv.",
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    hours: float,
    minutes_per_run: float,
    minutes_per_swap: float,
    specs: BenchPath | None,
    in_hand: bool,
    lead: tuple[str, str] | None,
    ceiling: tuple[str, str] | None,
    only: tuple[str, ...],
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say which runs to make next in BENCH: those that narrow a question most in the time there is.

    The question is the rate of every card on every chart, unless --specs, --lead or --ceiling asks
    for one thing. Gives the runs in order, card by card, how wide the range is after each, and the
    limit that tests without end would reach. A range of 0.05 in csv and json means that its upper
    end is 5% above its lower one.

    \b
    Examples:
      scalemodel plan my-bench --hours 8 --minutes-per-run 4
      scalemodel plan my-bench --hours 8 --lead "Card A" "Card B"
      scalemodel plan my-bench --hours 3 --specs new-card.csv --in-hand
    """
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.data.bench import read_specs
    from scalemodel.views.terminal.plan import plan_view
    from scalemodel.views.words import EXPECTED

    sheets = None if specs is None else read_specs(specs)
    fit = fitted(bench, metric)
    answer = fit.plan(
        hours,
        minutes_per_run,
        minutes_per_swap,
        specs=sheets,
        lead=lead,
        ceiling=ceiling,
        in_hand=in_hand,
        only=only,
        level=level,
    )
    summary = str(answer)
    about = {
        **about_fit("plan", bench, summary, fit),
        "level": level,
        "hours": hours,
        "minutes_per_run": minutes_per_run,
        "minutes_per_swap": minutes_per_swap,
        "targets": answer.targets,
        "wasted": answer.wasted,
        "notes": [EXPECTED],
    }

    tables = (answer.table, answer.targets, answer.wasted)
    deliver(Shown(answer.table, about, lambda: plan_view(summary, *tables, level)), output)
    if output.format == "csv" and answer.table.empty:
        click.echo(summary, err=True)
    if figure is not None:
        from scalemodel.cli.figure_file import figure_size, write_figure
        from scalemodel.views.figures.plan import plan_figure

        write_figure(figure, plan_figure(answer.table, answer.targets, level, figure_size()))
