"""``scalemodel repeat``: how repeatable are the runs, and is a difference within test error?"""

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
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.repeatability import Repeatability
    from scalemodel.data.bench import Bench

ROWS = {"spread": "table", "scenes": "scenes", "runs": "runs", "stale": "stale"}


@click.command("repeat", short_help="How repeatable are runs; is a difference within test error?")
@bench_argument
@metric_option
@level_option
@margin_option
@click.option(
    "--compare",
    nargs=2,
    metavar="A B",
    help="Ask instead whether two cards, drivers, game versions or dates are tied.",
)
@click.option(
    "--rows",
    type=click.Choice(list(ROWS)),
    help="Which rows csv and json give: the spread by metric and rate (usual), scenes, outlier "
    "runs, or stale results.",
)
@filter_options
@figure_option
@output_options
def command(
    bench: BenchPath,
    *,
    metric: str,
    level: float,
    margin: float,
    compare: tuple[str, str] | None,
    rows: str | None,
    figure: Path | None,
    output: Output,
) -> None:
    """Say how repeatable the runs of BENCH are.

    Gives the repeatability by metric and level of rate, the noisy scenes, the runs that stray too
    far, and older results that can no longer stand beside the new ones. With --compare says whether
    two cards, drivers, game versions or dates differ, are tied, or neither can be said.

    \b
    Example:
      scalemodel repeat my-bench
      scalemodel repeat my-bench --compare "Card A" "Card B" --margin 2%
    """
    from scalemodel.cli.figure_file import figure_size, write_figure
    from scalemodel.cli.fitted import opened

    if compare is not None and rows is not None:
        raise click.UsageError("--compare has rows of its own: leave out --rows.")
    read = opened(bench)
    about: dict[str, object] = {"command": "repeat", "bench": str(bench), "metric": metric}
    about |= {"chosen": read.chosen, "margin": margin, "level": level}
    if compare is not None:
        from scalemodel.answers.comparison import compare as compared
        from scalemodel.views.terminal.comparison import comparison_view

        found = compared(read, *compare, margin=margin, level=level, metric=metric)
        about["summary"] = str(found)
        deliver(Shown(found.table, about, lambda: comparison_view(found)), output)
        if figure is not None:
            from scalemodel.views.figures.comparison import comparison_figure

            write_figure(figure, comparison_figure(found, figure_size()))
        return
    answer = _with_fit_if_needed(read, metric, margin, level)
    deliver(_shown(answer, rows or "spread", about), output)
    if figure is not None:
        from scalemodel.views.figures.repeat import repeat_figure

        drawn = repeat_figure(answer.every_run, answer.scenes, answer.metric, figure_size())
        write_figure(figure, drawn)


def _with_fit_if_needed(
    bench: "Bench", metric: str, margin: float, level: float
) -> "Repeatability":
    """Answer from the runs alone; if older results were not tested again, ask a fit of them too."""
    from scalemodel.answers.repeatability import repeatability
    from scalemodel.cli.fitted import fit_of

    answer = repeatability(bench, metric, margin, level)
    if not answer.asks_for_a_fit:
        return answer
    try:
        return fit_of(bench, metric).repeatability(margin, level)
    except ScalemodelError:  # too small a bench to fit: what the runs say stands
        return answer


def _shown(answer: "Repeatability", rows: str, about: dict[str, object]) -> Shown:
    from scalemodel.views.terminal.repeat import repeat_view

    tables = {name: getattr(answer, field) for name, field in ROWS.items()}
    table = tables.pop(rows)
    return Shown(table, {**about, "summary": str(answer), **tables}, lambda: repeat_view(answer))
