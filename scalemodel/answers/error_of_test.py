"""How far two measured rates may differ though nothing but the test does."""

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm

from scalemodel.model.arrays import FloatArray

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


def sd_of_run(fit: "Fit") -> float:
    """Return the sd of the log rate of one run; without repeats, how far cells stray."""
    noise = fit.model.scales.noise
    return fit.cells.run_sd or float(np.hypot(noise.gpu, noise.cell))


def reach_of_lead(
    sd: float, runs: FloatArray | float, other_runs: FloatArray | float, level: float
) -> FloatArray:
    """Return how far the log ratio of two cells reaches by test error alone.

    Args:
        sd: of the log rate of one run.
        runs, other_runs: runs of each cell.
        level: share of such ratios that lie within.
    """
    reach: FloatArray = float(norm.ppf((1 + level) / 2)) * sd * np.sqrt(1 / runs + 1 / other_runs)
    return reach
