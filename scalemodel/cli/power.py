"""``scalemodel power``: how many frames does a card give for its power?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    metric_option,
    some_specs_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    from scalemodel.answers.power import Power

ROWS = {
    "cards": "cards",
    "results": "table",
    "architectures": "siblings",
    "limits": "limits",
    "curves": "curves",
    "predicted": "predicted",
    "held-out": "held_out",
}


@click.command("power", short_help="How many frames does a card give for its power?")
@bench_argument
@some_specs_option
@click.option(
    "--rows",
    type=click.Choice(list(ROWS)),
    default="cards",
    show_default=True,
    help="Which rows csv gives: a row a card, a result, a card against its architecture, a power "
    "limit, a curve of rate over power, a predicted result, or a card whose power was held out.",
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    specs: BenchPath | None,
    rows: str,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how many frames the cards of BENCH give for their power.

    Gives frames per joule over all charts that compare cards, which cards are out of line with
    their architecture, what the last watts bring where a card was tested at several power limits,
    and with --specs the board power of cards to come. Results need power_w.

    \b
    Example:
      scalemodel power my-bench --specs new-card.csv
    """
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.data.bench import read_specs
    from scalemodel.views.words import CAUTION

    sheets = read_specs(specs) if specs is not None else None
    fit = fitted(bench, metric)
    answer = fit.power(sheets, level=level)
    about = {**about_fit("power", bench, str(answer), fit), "level": level}
    if specs is not None:
        about |= {"specs": str(specs), "notes": [CAUTION]}
    deliver(_shown(answer, rows, about), output)
    if specs is not None and output.format == "csv":
        click.echo(CAUTION, err=True)
    if figure is not None:
        draw_power(answer, figure)


def _shown(answer: "Power", rows: str, about: dict[str, object]) -> Shown:
    from scalemodel.views.terminal.power import power_view

    tables = {name: getattr(answer, field) for name, field in ROWS.items()}
    table = tables.pop(rows)
    return Shown(table, {**about, **tables}, lambda: power_view(answer))


def draw_power(answer: "Power", path: Path) -> None:
    """Draw one figure a platform.

    Raises:
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.power import power_figure

    platforms = list(dict.fromkeys(answer.cards["platform"]))
    for platform, file in zip(platforms, numbered_paths(path, platforms), strict=True):
        cards, limits, curves = (
            table[table["platform"] == platform]
            for table in (answer.cards, answer.limits, answer.curves)
        )
        drawn = power_figure(cards, limits, curves, answer.level, figure_size())
        write_figure(file, drawn)
