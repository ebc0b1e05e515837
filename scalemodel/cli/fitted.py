"""The fit that most commands start from."""

from typing import TYPE_CHECKING

from scalemodel.cli.waiting import waiting
from scalemodel.data.urls import BenchPath

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


def fitted(bench: BenchPath, metric: str) -> "Fit":
    """Read a bench and fit it, or take the fit kept beside it.

    Raises:
        ScalemodelError: the bench cannot be read or fitted.
    """
    from scalemodel.answers.fitting import fit_cached
    from scalemodel.data.bench import read_bench

    read = read_bench(bench)
    with waiting(f"Fitting {len(read.results):,} runs"):
        return fit_cached(read, metric=metric, seed=0)


def about_fit(command: str, bench: BenchPath, summary: str, fit: "Fit") -> dict[str, object]:
    """Give what JSON says before the rows of an answer that comes from a fit."""
    return {
        "command": command,
        "bench": str(bench),
        "summary": summary,
        "settings": fit.settings,
        "status": fit.status,
        "left_out": fit.left_out,
    }
