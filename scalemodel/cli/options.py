"""Options and arguments that several commands share."""

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from scalemodel.cli.figure_file import check_ending

FC = TypeVar("FC", bound=Callable[..., object])

METRICS = ("average", "low_1pct", "low_01pct")

bench_argument = click.argument("bench", type=click.Path(path_type=Path))

metric_option = click.option(
    "--metric",
    type=click.Choice(METRICS),
    default="average",
    show_default=True,
    help="Which number of a run to use: the average rate, or its 1% or 0.1% low.",
)

level_option = click.option(
    "--level",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=0.8,
    metavar="SHARE",
    show_default=True,
    help="How much of the truth the ranges should hold: 0.8 is 8 times in 10.",
)

figure_option = click.option(
    "--figure",
    type=click.Path(path_type=Path, dir_okay=False),
    callback=check_ending,
    metavar="FILE.png|FILE.svg",
    help="Also draw the answer into this file.",
)


def _share(context: click.Context, option: click.Parameter, text: str) -> float:
    """Read a share written as 2% or 0.02."""
    del context
    number = text.strip().removesuffix("%")
    try:
        return float(number) / (100 if text.strip().endswith("%") else 1)
    except ValueError:
        message = f"{text!r} is not a share. Allowed: a number such as 2% or 0.02."
        raise click.BadParameter(message, param=option) from None


def margin_of(default: str, words: str) -> "Callable[[FC], FC]":
    """Give the option --margin with its usual value and its help."""
    return click.option(
        "--margin",
        default=default,
        callback=_share,
        metavar="SHARE",
        show_default=True,
        help=words,
    )


margin_option = margin_of("2%", "The smallest lead that matters, such as 2% or 0.02.")
