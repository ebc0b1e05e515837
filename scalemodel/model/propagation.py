"""From the uncertainty of some numbers to that of what is computed from them."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scalemodel.model.arrays import FloatArray

STEP = 1e-3
"""Standard errors by which a number is moved to see how much a result follows it."""


@dataclass(frozen=True)
class Propagated:
    """Results and the covariance of their errors, (results,) and (results, results)."""

    value: FloatArray
    covariance: FloatArray

    @property
    def se(self) -> FloatArray:
        """(results,) standard errors."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def propagate(
    function: Callable[[FloatArray], FloatArray], values: FloatArray, covariance: FloatArray
) -> Propagated:
    """Carry errors through a function by its slopes, correlations included.

    The law of propagation of uncertainty (JCGM 100:2008, 5.2.2); slopes are central differences
    over a small part of each standard error, so they are exact as far as the function is straight.

    Args:
        function: takes (numbers,), gives (results,).
        values: (numbers,) estimates.
        covariance: (numbers, numbers) of their errors.
    """
    slopes = []
    for k, se in enumerate(np.sqrt(np.diag(covariance))):
        move = np.zeros_like(values)
        move[k] = STEP * se
        change = function(values + move) - function(values - move)
        slopes.append(change / (2 * move[k]) if se else np.zeros_like(change))
    jacobian = np.stack(slopes, axis=1)
    return Propagated(function(values), jacobian @ covariance @ jacobian.T)


def rectangular(rng: np.random.Generator, reach: float, shape: tuple[int, ...]) -> FloatArray:
    """Draw errors of which only the largest possible size is known.

    All errors up to `reach` either way are equally likely (JCGM 100:2008, 4.3.7); draws go
    through a function one by one (JCGM 101:2008), so its result need not be normal either.
    """
    return np.asarray(rng.uniform(-reach, reach, shape))
