"""The fit that most commands start from."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from scalemodel.cli.waiting import waiting

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


def fitted(bench: Path, metric: str) -> "Fit":
    """Read a bench and fit it, or take the fit kept beside it.

    Raises:
        ScalemodelError: the bench cannot be read or fitted.
    """
    from scalemodel.answers.fitting import fit_cached
    from scalemodel.data.bench import read_bench

    read = read_bench(bench)
    closed: list[Path] = []
    with waiting(f"Fitting {len(read.results):,} runs"):
        fit = fit_cached(read, metric=metric, seed=0, not_kept=closed.append)
    for folder in closed:
        click.echo(
            f"The fit is not kept: {folder} cannot be written to. The next question fits again.",
            err=True,
        )
    return fit


def about_fit(command: str, bench: Path, summary: str, fit: "Fit") -> dict[str, object]:
    """Give what JSON says before the rows of an answer that comes from a fit."""
    return {
        "command": command,
        "bench": str(bench),
        "summary": summary,
        "settings": fit.settings,
        "status": fit.status,
        "left_out": fit.left_out,
    }
