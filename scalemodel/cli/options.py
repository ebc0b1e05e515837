"""Options and arguments that several commands share."""

import functools
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from scalemodel.cli.figure_file import check_ending, keep_size
from scalemodel.data.urls import DatabaseUrl, is_url
from scalemodel.views.sizes import SIZES

FC = TypeVar("FC", bound=Callable[..., object])

METRICS = ("average", "low_1pct", "low_01pct")

ASKED = "scalemodel.filter"
"""Where the context of a command keeps which part of the bench it is to use."""


class Place(click.Path):
    """A path, or the address of a database."""

    def convert(
        self,
        value: str | os.PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:
        """Tell addresses from paths."""
        if isinstance(value, str) and is_url(value):
            return DatabaseUrl.of(value)
        return super().convert(value, param, ctx)


A_PLACE = Place(path_type=Path)

bench_argument = click.argument("bench", type=A_PLACE)

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


def figure_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add --figure and --figure-size to a command, which gets the path of its ``figure``."""

    @click.option(
        "--figure",
        type=click.Path(path_type=Path, dir_okay=False),
        callback=check_ending,
        metavar="FILE.png|.svg|.pdf",
        help="Also draw the answer into this file.",
    )
    @click.option(
        "--figure-size",
        type=click.Choice(list(SIZES)),
        help="What the figure is for: a page on a screen (the default), a slide of 1920x1080 "
        "pixels, or print on a sheet of paper. The last two leave rows out if they must.",
    )
    @functools.wraps(command)
    def with_figure(
        *args: Any, figure: Path | None, figure_size: str | None, **options: Any
    ) -> None:
        keep_size(figure_size, figure)
        command(*args, figure=figure, **options)

    return with_figure


def filter_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add --since, --game, --platform and --driver to a command that opens a bench."""

    @click.option(
        "--since",
        default="",
        metavar="DATE",
        help="Use only runs dated on this day, month or year or later.",
    )
    @click.option(
        "--game",
        "games",
        multiple=True,
        metavar="NAME",
        help="Use only runs of this game. May be given several times.",
    )
    @click.option(
        "--platform",
        "platforms",
        multiple=True,
        metavar="NAME",
        help="Use only runs on this platform. May be given several times.",
    )
    @click.option(
        "--driver",
        "drivers",
        multiple=True,
        metavar="NAME",
        help="Use only runs with this driver. May be given several times.",
    )
    @functools.wraps(command)
    def with_filter(
        *args: Any,
        since: str,
        games: tuple[str, ...],
        platforms: tuple[str, ...],
        drivers: tuple[str, ...],
        **options: Any,
    ) -> None:
        asked = {"games": games, "platforms": platforms, "drivers": drivers, "since": since}
        click.get_current_context().meta[ASKED] = asked
        command(*args, **options)

    return with_filter


def asked_for() -> dict[str, Any]:
    """Give the part of the bench that the command that runs is to use, as a `Filter` takes it."""
    context = click.get_current_context(silent=True)
    asked: dict[str, Any] = {} if context is None else context.meta.get(ASKED, {})
    return asked


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

tolerance_option = click.option(
    "--tolerance",
    default="4%",
    callback=_share,
    metavar="SHARE",
    show_default=True,
    help="By how much a price may be off, either way: all prices up to it are equally likely.",
)

some_specs_option = click.option(
    "--specs",
    type=A_PLACE,
    metavar="FILE",
    help="Also place the cards of these spec sheets, by what should be measured.",
)
