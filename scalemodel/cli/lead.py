"""``scalemodel lead``: how far is one card ahead of another; who leads whom?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import (
    bench_argument,
    figure_option,
    filter_options,
    level_option,
    margin_option,
    metric_option,
)
from scalemodel.cli.output import Output, Shown, deliver, output_options
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    import pandas as pd

    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.standings import Standings


@click.command("lead", short_help="How far is A ahead of B; who leads whom?")
@bench_argument
@click.argument("a", required=False)
@click.argument("b", required=False)
@click.option(
    "--by",
    metavar="COLUMN",
    help="With A and B: ask whether the lead differs between the groups of charts that this "
    "column of results makes, such as ray_tracing or one of your own.",
)
@click.option(
    "--together",
    is_flag=True,
    help="With A and B: take native and upscaled charts into one mean. Without it each kind has "
    "its own.",
)
@click.option(
    "--places",
    is_flag=True,
    help="Without A and B: give one row a card with its place instead of one a pair.",
)
@margin_option
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
    by: str | None,
    together: bool,
    places: bool,
    margin: float,
    metric: str,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how far card A is ahead of card B in BENCH, or without them who leads whom.

    Gives the lead on every chart both were tested on, which of them lie within test error, the
    typical lead and the odd ones out. Charts at the ceiling are listed but left out. A lead of
    0.12 in csv and json means 12% faster. With --by says whether groups of charts have different
    leads, beyond test error and what scenes differ by anyway; --margin goes with it.

    Without A and B gives all pairs of cards and the place of each card at each resolution;
    --figure then draws the places, and how they change with the resolution.

    \b
    Examples:
      scalemodel lead my-bench "Card A" "Card B"
      scalemodel lead my-bench "Card A" "Card B" --by ray_tracing
      scalemodel lead my-bench
    """
    from scalemodel.cli.fitted import fitted

    if (a is None) != (b is None):
        raise click.UsageError("Name two cards, A and B, or none to compare all of them.")
    if a is not None and places:
        raise click.UsageError("--places is of all cards: leave out A and B.")
    if a is None and (by or together):
        raise click.UsageError("--by and --together are of two cards: name A and B.")
    if by and together:
        raise click.UsageError("--by and --together: ask for one at a time.")
    fit = fitted(bench, metric)
    if a is not None and b is not None and by:
        _by(fit, bench, (a, b), by, margin, level, figure, output)
    elif a is not None and b is not None:
        _pair(fit, bench, (a, b), level, figure, output, together=together)
    else:
        _standings(fit, bench, level, figure, output, places=places)


def _pair(
    fit: "Fit",
    bench: BenchPath,
    cards: tuple[str, str],
    level: float,
    figure: Path | None,
    output: Output,
    *,
    together: bool,
) -> None:
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.lead import lead_view

    answer = fit.lead(*cards, level=level, together=together)
    summary = str(answer)
    about = {**about_fit("lead", bench, summary, fit), "level": level}
    deliver(Shown(answer.table, about, lambda: lead_view(summary, answer.table, level)), output)
    if figure is not None:
        draw_lead(answer.table, level, figure)


def _by(
    fit: "Fit",
    bench: BenchPath,
    cards: tuple[str, str],
    by: str,
    margin: float,
    level: float,
    figure: Path | None,
    output: Output,
) -> None:
    """Answer for groups of charts."""
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.groups import groups_view

    answer = fit.lead_by(by, *cards, margin=margin, level=level)
    about = {**about_fit("lead", bench, str(answer), fit), "level": level, "by": by}
    about |= {"margin": margin, "charts": answer.charts}
    deliver(Shown(answer.table, about, lambda: groups_view(answer)), output)
    if figure is not None:
        from scalemodel.cli.figure_file import figure_size, write_figure
        from scalemodel.views.figures.groups import groups_figure

        write_figure(figure, groups_figure(answer, figure_size()))


def _standings(
    fit: "Fit", bench: BenchPath, level: float, figure: Path | None, output: Output, *, places: bool
) -> None:
    from scalemodel.cli.fitted import about_fit
    from scalemodel.views.terminal.standings import standings_view

    answer = fit.standings(level=level)
    summary = str(answer)
    about = {**about_fit("lead", bench, summary, fit), "level": level}
    rows, others = (answer.places, "pairs") if places else (answer.table, "places")
    about[others] = answer.table if places else answer.places
    view = Shown(rows, about, lambda: standings_view(summary, answer.places, level))
    deliver(view, output)
    if figure is not None:
        draw_standings(answer, figure)


def draw_standings(answer: "Standings", figure: Path) -> None:
    """Draw the places on each platform, and how they change between resolutions."""
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.slopes import slopes_figure
    from scalemodel.views.figures.standings import standings_figure

    size, drawn = figure_size(), {}
    placed = answer.places[answer.places["place"].notna()]
    several = answer.places["platform"].nunique() > 1
    for platform, here in placed.groupby("platform", sort=False):
        of = f"{platform} " if several else ""
        drawn[f"{of}places"] = standings_figure(here, answer.level, size)
        if here["resolution"].nunique() > 1:
            drawn[f"{of}changes"] = slopes_figure(here, answer.table, answer.level, size)
    if not drawn:
        click.echo("No chart compares cards; no figure was drawn.", err=True)
    for path, made in zip(numbered_paths(figure, list(drawn)), drawn.values(), strict=True):
        write_figure(path, made)


def draw_lead(table: "pd.DataFrame", level: float, figure: Path) -> None:
    """Draw the leads; where a figure's room is limited, one a platform and resolution."""
    from scalemodel.cli.figure_file import figure_size, numbered_paths, write_figure
    from scalemodel.views.figures.lead import lead_figure

    size = figure_size()
    if not size.limited:
        write_figure(figure, lead_figure(table, level, size))
        return
    several = table["platform"].nunique() > 1
    drawn = {}
    for (platform, resolution), part in table[table["lead"].notna()].groupby(
        ["platform", "resolution"], sort=False
    ):
        if (part["row_kind"] == "chart").any():
            drawn[f"{platform} {resolution}" if several else str(resolution)] = part
    for path, part in zip(numbered_paths(figure, list(drawn)), drawn.values(), strict=True):
        write_figure(path, lead_figure(part, level, size))
