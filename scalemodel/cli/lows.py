"""``scalemodel lows``: are lows where averages say they should be?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    margin_of,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    from scalemodel.answers.lows import Lows

ROWS = {"cells": "table", "places": "places", "cards": "cards", "scenes": "scenes"}


@click.command("lows", short_help="Are a card's lows where its averages say?")
@bench_argument
@click.option(
    "--metric",
    type=click.Choice(("low_1pct", "low_01pct")),
    default="low_1pct",
    show_default=True,
    help="Which low: the 1% low or the 0.1% low.",
)
@margin_of("5%", "The smallest departure that matters, such as 5% or 0.05.")
@click.option(
    "--rows",
    type=click.Choice(list(ROWS)),
    default="cells",
    show_default=True,
    help="Which rows csv and json give: cells, places (a card in one scene), cards, or the "
    "relation of each scene.",
)
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    metric: str,
    margin: float,
    rows: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say which lows in BENCH are out of step with their averages.

    How far a low lies below its average depends on the scene and on how near the ceiling is. What
    departs from that, beyond the noise of the low itself, points at memory that does not suffice
    or a driver at fault. With several platforms, --figure draws one file each.

    \b
    Example:
      scalemodel lows my-bench
      scalemodel lows my-bench --rows places --format csv
    """
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.lows import lows_view

    fit = fitted(bench, "average")
    answer = fit.lows(metric, margin=margin, level=level)
    tables = {name: getattr(answer, field) for name, field in ROWS.items()}
    table = tables.pop(rows)
    about = {**about_fit("lows", bench, str(answer), fit), "metric": metric, "level": level}
    about |= {"margin": margin, "tail": answer.tail, **tables}
    deliver(Shown(table, about, lambda: lows_view(answer)), output)
    if figure is not None:
        draw_lows(answer, figure)


def draw_lows(answer: "Lows", path: Path) -> None:
    """Draw one figure a platform.

    Raises:
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.lows import lows_figure

    judged = answer.table[answer.table["reason"] == ""]
    platforms = list(dict.fromkeys(judged["platform"]))
    if not platforms:
        click.echo("No low can be judged; no figure was drawn.", err=True)
    for platform, file in zip(platforms, numbered_paths(path, platforms), strict=True):
        write_figure(file, lows_figure(answer, platform, figure_size()))
