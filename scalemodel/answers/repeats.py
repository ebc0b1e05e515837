"""The test error of one run: what two measurements of the same cell differ by."""

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from scalemodel.model.arrays import FloatArray

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NO_REPEATS = (
    "No cell has repeated runs: the test error is taken from how far cells stray from the model."
)


def run_sd(fit: "Fit") -> float:
    """Return the sd of the log rate of one run; without repeats, what cells stray by."""
    noise = fit.model.scales.noise
    return fit.cells.run_sd or float(np.hypot(noise.gpu, noise.cell))


def standard_errors(fit: "Fit") -> FloatArray:
    """Return (cells,) standard errors of the log rates by test error alone."""
    cells = fit.cells.table
    if fit.cells.run_sd:
        return np.asarray(cells["se"].to_numpy(dtype=float))
    return np.asarray(run_sd(fit) / np.sqrt(cells["runs"].to_numpy(dtype=float)))


def note_on_repeats(fit: "Fit") -> str:
    """Say what the test error rests on where the bench has no repeated runs, else ""."""
    return "" if fit.cells.run_sd else NO_REPEATS


def reach_of_lead(
    error: FloatArray | float, other_error: FloatArray | float, level: float
) -> FloatArray:
    """Return how far the log ratio of two cells reaches by test error alone.

    Args:
        error, other_error: standard error of the log rate of each cell.
        level: share of such ratios that lie within.
    """
    reach: FloatArray = float(norm.ppf((1 + level) / 2)) * np.hypot(error, other_error)
    return reach
