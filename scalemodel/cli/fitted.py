"""The fit that most commands start from."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.options import asked_for
from scalemodel.cli.waiting import waiting
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit
    from scalemodel.data.bench import Bench


def opened(bench: BenchPath) -> "Bench":
    """Read a bench, take the part that is asked for, and say on the error stream which it is.

    Raises:
        ScalemodelError: the bench cannot be read, or has no such part.
    """
    from scalemodel.data.bench import read_bench
    from scalemodel.data.filters import Filter

    read = Filter(**asked_for()).take(read_bench(bench))
    if read.chosen:
        click.echo(read.chosen, err=True)
    return read


def fitted(bench: BenchPath, metric: str) -> "Fit":
    """Open a bench and fit it, or take the fit kept beside it.

    Raises:
        ScalemodelError: the bench cannot be read or fitted.
    """
    return fit_of(opened(bench), metric)


def fit_of(read: "Bench", metric: str) -> "Fit":
    """Fit a bench that is open, or take the fit kept beside it.

    Raises:
        ScalemodelError: it cannot be fitted.
    """
    from scalemodel.answers.fitting import fit_cached

    closed: list[Path] = []
    with waiting(f"Fitting {len(read.results):,} runs"):
        fit = fit_cached(read, metric=metric, seed=0, not_kept=closed.append)
    for folder in closed:
        click.echo(
            f"The fit is not kept: {folder} cannot be written to. The next question fits again.",
            err=True,
        )
    return fit


def about_fit(command: str, bench: BenchPath, summary: str, fit: "Fit") -> dict[str, object]:
    """Give what JSON says before the rows of an answer that comes from a fit."""
    return {
        "command": command,
        "bench": str(bench),
        "summary": summary,
        "chosen": fit.settings.get("chosen", ""),
        "settings": fit.settings,
        "status": fit.status,
        "left_out": fit.left_out,
    }
