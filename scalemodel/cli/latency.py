"""``scalemodel latency``: how long from a click to the screen, and what of it is the card's?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    A_PLACE,
    bench_argument,
    figure_option,
    filter_options,
    level_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    import pandas as pd

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.latency import Latency
    from scalemodel.data.bench import Bench

ROWS = {
    "cells": "table",
    "lines": "lines",
    "cards": "cards",
    "pairs": "pairs",
    "shots": "shots",
    "ahead": "ahead",
}


@click.command("latency", short_help="How long from click to screen; which cards break the rule?")
@bench_argument
@click.option(
    "--specs",
    type=A_PLACE,
    metavar="FILE",
    help="Also the latency to expect of these cards: the columns of cards.csv.",
)
@click.option(
    "--compare",
    nargs=2,
    metavar="A B",
    help="Ask instead whether the latencies of two cards are tied, chart by chart.",
)
@click.option(
    "--from",
    "source",
    type=click.Choice(("shots", "runs")),
    help="Use the shots of latency.csv, or latency_ms of the runs. Default: shots if there are "
    "any. They are never mixed.",
)
@click.option(
    "--between",
    nargs=2,
    type=click.FloatRange(0, min_open=True),
    default=(200.0, 300.0),
    metavar="FPS FPS",
    show_default=True,
    help="Say what going from one rate to the other buys.",
)
@click.option(
    "--margin",
    type=click.FloatRange(0, min_open=True),
    default=1.0,
    metavar="MS",
    show_default=True,
    help="The smallest difference that matters, in ms.",
)
@click.option(
    "--rows",
    type=click.Choice(list(ROWS)),
    help="Which rows csv and json give: cells (usual), the lines of scenes, cards, pairs of cards, "
    "shots with their tests, or (usual with --specs) ahead: those cards.",
)
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    specs: BenchPath | None,
    compare: tuple[str, str] | None,
    source: str | None,
    between: tuple[float, float],
    margin: float,
    rows: str | None,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how latency in BENCH follows the frame time.

    Latency from click to photon is about a constant and a few frames. Gives both for each scene,
    the cards that break from the line, the cards that are tied, and what a higher rate buys. With
    --specs also a range for cards that nobody has tested. With several platforms, --figure draws
    one file each and adds their names to the file name.

    \b
    Example:
      scalemodel latency my-bench
      scalemodel latency my-bench --compare "Card A" "Card B" --margin 1
      scalemodel latency my-bench --specs new-card.csv
    """
    from scalemodel.answers.latency import latency
    from scalemodel.cli.fitted import opened
    from scalemodel.data.bench import read_specs

    if compare is not None and (rows is not None or figure is not None or specs is not None):
        raise click.UsageError("--compare has rows of its own and no figure: leave out the others.")
    if rows == "ahead" and specs is None:
        raise click.UsageError("--rows ahead goes with --specs only.")
    sheets = read_specs(specs) if specs else None
    read = opened(bench)
    fit, why = _fit(read, needed=specs is not None)
    answer = latency(
        read,
        source=source or "",
        margin_ms=margin,
        level=level,
        between=between,
        fit=fit,
        specs=sheets,
    )
    about: dict[str, object] = {"command": "latency", "bench": str(bench), "source": answer.source}
    about |= {
        "chosen": read.chosen,
        "margin_ms": margin,
        "level": level,
        "between_fps": list(between),
    }
    if why:
        about["no_fit"] = why
    if compare is not None:
        _compare(answer, compare, about, output)
        return
    deliver(_shown(answer, rows or ("ahead" if specs else "cells"), about), output)
    if specs is not None and output.format == "csv":
        from scalemodel.views.words import CAUTION

        click.echo(CAUTION, err=True)
    if figure is not None:
        _draw(answer, figure)


def _fit(bench: "Bench", *, needed: bool) -> "tuple[Fit | None, str]":
    """Fit the bench; without a fit, if it is not needed, say why there is none."""
    from scalemodel.cli.fitted import fit_of

    try:
        return fit_of(bench, "average"), ""
    except ScalemodelError as error:
        if needed:
            raise
        return None, str(error)


def _compare(
    answer: "Latency", cards: tuple[str, str], about: dict[str, object], output: Output
) -> None:
    from scalemodel.views.terminal.latency import compare_view, compare_words

    table = answer.compare(*cards)
    summary = compare_words(table, answer.margin_ms)
    shown = Shown(table, {**about, "summary": summary}, lambda: compare_view(table, answer))
    deliver(shown, output)


def _shown(answer: "Latency", rows: str, about: dict[str, object]) -> Shown:
    from scalemodel.views.terminal.latency import latency_view
    from scalemodel.views.words import CAUTION

    tables: dict[str, pd.DataFrame] = {name: getattr(answer, field) for name, field in ROWS.items()}
    del tables["shots"]  # thousands of rows, for those who ask for them
    table = answer.shots if rows == "shots" else tables.pop(rows)
    notes = [CAUTION] if len(answer.ahead) else []
    told = {**about, "summary": str(answer), "notes": notes, **tables}
    return Shown(table, told, lambda: latency_view(answer))


def _draw(answer: "Latency", path: Path) -> None:
    """Draw one figure a platform that has a line.

    Raises:
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.latency import latency_figure

    platforms = list(dict.fromkeys(answer.table.loc[answer.table["reason"] == "", "platform"]))
    if not platforms:
        click.echo("There is no line of latency; no figure was drawn.", err=True)
    for platform, file in zip(platforms, numbered_paths(path, platforms), strict=True):
        write_figure(file, latency_figure(answer, platform, figure_size()))
