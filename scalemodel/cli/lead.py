"""``scalemodel lead``: how far is one card ahead of another?"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import bench_argument, figure_option, level_option, metric_option
from scalemodel.cli.output import Output, Shown, deliver, output_options

if TYPE_CHECKING:
    import pandas as pd


@click.command("lead", short_help="How far is A ahead of B, and on which charts?")
@bench_argument
@click.argument("a")
@click.argument("b")
@metric_option
@level_option
@figure_option
@output_options
def command(
    bench: Path, a: str, b: str, *, metric: str, level: float, figure: Path | None, output: Output
) -> None:
    """Say how far card A is ahead of card B in BENCH.

    Gives the lead on every chart both were tested on, which of them lie within test error, the
    typical lead and the odd ones out. Charts at the ceiling are listed but left out. A lead of
    0.12 in csv and json means 12% faster.

    \b
    Example:
      scalemodel lead my-bench "Card A" "Card B"
    """
    from scalemodel.cli.fitted import about_fit, fitted
    from scalemodel.views.terminal.lead import lead_view

    fit = fitted(bench, metric)
    answer = fit.lead(a, b, level=level)
    summary = str(answer)
    about = {**about_fit("lead", bench, summary, fit), "level": level}
    deliver(Shown(answer.table, about, lambda: lead_view(summary, answer.table, level)), output)
    if figure is not None:
        draw_lead(answer.table, level, figure)


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
