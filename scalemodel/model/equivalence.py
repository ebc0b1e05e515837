"""Is a difference within test error: a range, and a test of being equal within a margin."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray

#: Chance of calling different what is not, and of calling equal what is not.
ALPHA = 0.05


@dataclass(frozen=True)
class Tested:
    """A difference and what can be said of it.

    Attributes:
        difference: the estimate.
        se: its standard error.
        dof: degrees of freedom of that; infinite if it is known.
        p_different: chance of so large a difference if there is none.
        p_equal: chance of so small a difference if the true one is at the margin or beyond: the
            larger of two one-sided t tests (Schuirmann 1987, Journal of Pharmacokinetics and
            Biopharmaceutics 15).
    """

    difference: float
    se: float
    dof: float
    p_different: float
    p_equal: float

    def range(self, level: float) -> tuple[float, float]:
        """Return the ends of the difference's range."""
        reach = float(student.ppf((1 + level) / 2, self.dof)) * self.se
        return self.difference - reach, self.difference + reach


def tested(difference: float, se: float, dof: float, margin: float) -> Tested:
    """Test a difference against none, and against a margin either way."""
    p_different = 2 * student.sf(abs(difference) / se, dof)
    p_equal = student.cdf((abs(difference) - margin) / se, dof)
    return Tested(difference, se, dof, float(p_different), float(p_equal))


def mean_difference(differences: FloatArray, ses: FloatArray) -> tuple[float, float, float]:
    """Return the mean of differences, its standard error and degrees of freedom.

    Without two of them the error is that of the one; else the larger of what they spread by and
    what their own errors give, so that two that agree by chance do not seem exact.
    """
    count = len(differences)
    known = float(np.sqrt((ses**2).sum())) / count
    if count == 1:
        return float(differences[0]), known, np.inf
    spread = float(differences.std(ddof=1)) / np.sqrt(count)
    return float(differences.mean()), max(spread, known), count - 1.0


def chance_of_one_shift(differences: FloatArray, ses: FloatArray) -> float:
    """Return the chance that differences spread so much if all share one; 1 for a single one.

    Cochran 1954, Biometrics 10: chi-square of the weighted residuals.
    """
    weight = 1 / ses**2
    centre = (weight * differences).sum() / weight.sum()
    q = float((weight * (differences - centre) ** 2).sum())
    return float(chi2.sf(q, len(differences) - 1)) if len(differences) > 1 else 1.0


def effective_dof(parts: FloatArray, dofs: FloatArray) -> float:
    """Return the degrees of freedom of a standard error put together from independent parts.

    Welch 1947, Biometrika 34, and Satterthwaite 1946, Biometrics Bulletin 2 (JCGM 100:2008, G.4.1).

    Args:
        parts: standard errors whose squares add up.
        dofs: degrees of freedom of each.
    """
    squares = parts**2
    return float(squares.sum() ** 2 / (squares**2 / dofs).sum())
