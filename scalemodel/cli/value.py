"""``scalemodel value``: how much rate does a card give for its price?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    A_PLACE,
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    metric_option,
    some_specs_option,
    tolerance_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    import pandas as pd

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.value import Value


@click.command("value", short_help="How much rate does a card give for its price?")
@bench_argument
@click.option(
    "--prices",
    type=A_PLACE,
    metavar="FILE",
    help="Prices: the columns card, price, currency and date. Without it those of the sheets.",
)
@tolerance_option
@some_specs_option
@click.option(
    "--compare",
    nargs=2,
    metavar="A B",
    help="Give instead the price at which two cards are equal.",
)
@click.option(
    "--rows",
    type=click.Choice(["cards", "pairs"]),
    help="Which rows csv gives: a row a card (usual), or a pair of cards with the price at which "
    "both are equal.",
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    prices: BenchPath | None,
    tolerance: float,
    specs: BenchPath | None,
    compare: tuple[str, str] | None,
    rows: str | None,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how much rate the cards of BENCH give for their prices.

    Gives the rate for 100 units of money over the charts that compare cards, which cards no other
    beats in both price and rate, and the prices at which cards are equal. All prices must be in one
    currency.

    \b
    Example:
      scalemodel value my-bench --prices prices.csv --tolerance 4%
      scalemodel value my-bench --compare "Card A" "Card B"
    """
    from scalemodel.views.words import CAUTION, PRICE_CAUTION

    if compare is not None and (rows is not None or figure is not None):
        raise click.UsageError("--compare has rows of its own and no figure: leave out the others.")
    fit, answer = _answer(bench, prices, specs, tolerance, metric, level)
    notes = [PRICE_CAUTION, *([CAUTION] if specs is not None else [])]
    about = _about(bench, fit, answer, notes)
    if compare is not None:
        from scalemodel.views.terminal.value import compared_view

        pairs = answer.compare(*compare)
        shown = Shown(pairs, about, lambda: compared_view(pairs, answer, notes))
    else:
        shown = _shown(answer, rows or "cards", about, notes)
    deliver(shown, output)
    if output.format == "csv":
        click.echo(" ".join(notes), err=True)
    if figure is not None:
        draw_value(answer, figure)


def _answer(
    bench: BenchPath,
    prices: BenchPath | None,
    specs: BenchPath | None,
    tolerance: float,
    metric: str,
    level: float,
) -> "tuple[Fit, Value]":
    from scalemodel.answers.value import check_tolerance
    from scalemodel.cli.fitted import fitted
    from scalemodel.data.bench import read_specs
    from scalemodel.data.prices import read_prices

    check_tolerance(tolerance)
    listed = read_prices(prices) if prices is not None else None
    sheets = read_specs(specs) if specs is not None else None
    fit = fitted(bench, metric)
    return fit, fit.value(listed, tolerance, sheets, level)


def _about(bench: BenchPath, fit: "Fit", answer: "Value", notes: list[str]) -> dict[str, object]:
    from scalemodel.cli.fitted import about_fit

    return {
        **about_fit("value", bench, str(answer), fit),
        "tolerance": answer.tolerance,
        "currency": answer.currency,
        "prices": f"{answer.source} ({answer.dates})" if answer.dates else answer.source,
        "level": answer.level,
        "notes": notes,
    }


def _shown(answer: "Value", rows: str, about: dict[str, object], notes: list[str]) -> Shown:
    from scalemodel.views.terminal.value import value_view

    tables: dict[str, pd.DataFrame] = {"cards": answer.table, "pairs": answer.pairs}
    table = tables.pop(rows)
    return Shown(table, {**about, **tables}, lambda: value_view(answer, notes))


def draw_value(answer: "Value", path: Path) -> None:
    """Draw one figure a platform.

    Raises:
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.value import value_figure

    placed = answer.table[answer.table["position"].notna()]
    platforms = list(dict.fromkeys(placed["platform"]))
    for platform, file in zip(platforms, numbered_paths(path, platforms), strict=True):
        here = answer.table[answer.table["platform"] == platform]
        drawn = value_figure(here, answer.tolerance, answer.level, figure_size())
        write_figure(file, drawn)
