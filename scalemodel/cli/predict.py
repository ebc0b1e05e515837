"""``scalemodel predict``: where will this card land?"""

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
)
from scalemodel.cli.output import Output, Shown, deliver, output_options, write_file
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.predict import Prediction


@click.command("predict", short_help="Where will this card land?")
@bench_argument
@click.option(
    "--specs",
    required=True,
    type=A_PLACE,
    metavar="FILE",
    help="Spec sheets of the cards to predict: the columns of cards.csv.",
)
@click.option(
    "--against",
    multiple=True,
    metavar="CARD",
    help="Also how far ahead of this card of the bench it should be. May be given several times.",
)
@click.option(
    "--ranks",
    is_flag=True,
    help="Also the probability of each position on each chart; csv and json then have these rows.",
)
@click.option(
    "--save",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.json",
    help="Also write a sealed forecast, for `score --forecast` once the card is tested.",
)
@metric_option
@level_option
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    specs: BenchPath,
    against: tuple[str, ...],
    ranks: bool,
    save: Path | None,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say where a card that is not in BENCH yet should land, from its spec sheet.

    Gives a range for every chart, and the reason where no honest one can be given. With several
    cards or platforms, --figure draws one file each and adds their names to the file name.

    \b
    Example:
      scalemodel predict my-bench --specs new-card.csv --against "Card A"
    """
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.data.bench import read_specs
    from scalemodel.views.words import CAUTION

    if ranks and against and output.format != "table":
        raise click.UsageError(
            "--ranks and --against have different rows: in csv and json ask for one at a time."
        )
    sheets = read_specs(specs)
    fit = fitted(bench, metric)
    answer = fit.predict(sheets, level=level, against=against, ranks=ranks)
    about = {
        **about_fit("predict", bench, str(answer), fit),
        "specs": str(specs),
        "level": level,
        "notes": [CAUTION],
    }
    deliver(Shown(rows(answer, ranks=ranks), about, lambda: _view(answer, level)), output)
    if output.format == "csv":
        click.echo(CAUTION, err=True)
    if figure is not None:
        draw_predictions(answer, figure)
    if save is not None:
        save_forecast(fit, sheets, save)


def save_forecast(fit: "Fit", sheets: "pd.DataFrame", path: Path) -> None:
    """Write the forecast of today and say its seal on the error stream.

    Raises:
        OutputError: the file cannot be written.
    """
    import datetime

    made = fit.forecast(sheets, datetime.date.today())
    write_file(path, made.to_json())
    click.echo(
        f"Sealed {path} on {made.date}. Its seal, to be kept elsewhere: {made.seal}", err=True
    )


def rows(answer: "Prediction", *, ranks: bool) -> "pd.DataFrame":
    """Give the rows for csv and json: positions, or ranges followed by leads over named cards."""
    import pandas as pd

    if ranks:
        return answer.ranks
    if answer.against.empty:
        return answer.table
    both = [table.astype(object) for table in (answer.table, answer.against)]
    return pd.concat(both, ignore_index=True)


def _view(answer: "Prediction", level: float) -> "RenderableType":
    from scalemodel.views.terminal.parts import stack
    from scalemodel.views.terminal.prediction import against_view, prediction_view, ranks_view

    parts = [prediction_view(str(answer), answer.table)]
    if not answer.against.empty:
        parts.append(against_view(answer.against, level))
    if not answer.ranks.empty:
        parts.append(ranks_view(answer.ranks))
    return stack(*parts)


def draw_predictions(answer: "Prediction", path: Path) -> None:
    """Draw one figure a predicted card and platform.

    Raises:
        OutputError: a file cannot be written.
    """
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.prediction import prediction_figure

    groups = list(answer.table.groupby(["card", "platform"], sort=False))
    paths = numbered_paths(path, [f"{card}-{platform}" for (card, platform), _ in groups])
    for (key, table), file in zip(groups, paths, strict=True):
        near = answer.neighbours
        drawn = prediction_figure(table, near[near["platform"] == key[1]], figure_size())
        write_figure(file, drawn)
