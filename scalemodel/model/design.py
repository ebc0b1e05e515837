"""What runs that have not been made yet are expected to tell: a linear Gaussian view of a bench.

Around its mode the posterior is Gaussian and a log rate is linear in the parameters, so how much a
run narrows a range does not depend on what it will show (Lindley 1956, Annals of Mathematical
Statistics 27; Chaloner & Verdinelli 1995, Statistical Science 10). Ranges after runs come two ways
that check each other: `expected_variances` sums information, `Course` follows run after run.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg
from scipy.sparse import csr_array, diags_array

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.arrow import Arrow, ArrowMatrix

#: Targets worked on at once.
CHUNK = 1000


@dataclass(frozen=True)
class Prospects:
    """Rows that runs can show, as what they share and what each has of its own.

    A row is f = slopes @ states + a part of its own. States are the fitted parameters, then
    effects of variance 1 that no data inform yet. A run shows f with an error of its own; f itself
    stays the same from run to run, so repeats average the error away and nothing else.

    Attributes:
        precision: of the fitted parameters.
        factors: its factors.
        slopes: (rows, states) derivatives of the rows.
        own: (rows,) variance of each row's own part.
        run: (rows,) variance of the error of one run.
    """

    precision: ArrowMatrix
    factors: Arrow
    slopes: csr_array
    own: FloatArray
    run: FloatArray

    @staticmethod
    def of(
        precision: ArrowMatrix, slopes: csr_array, own: FloatArray, run: FloatArray
    ) -> "Prospects":
        """Return the prospects of rows with these slopes and variances."""
        return Prospects(precision, precision.factorise(), slopes, own, run)

    def covariance(self, slopes: FloatArray) -> FloatArray:
        """Return (states, k) covariances of the states with combinations of them (states, k)."""
        size = self.precision.places.size
        known = self.factors.solve(slopes[:size])
        covariance: FloatArray = np.concatenate([known, slopes[size:]])
        return covariance

    def dense_precision(self) -> FloatArray:
        """Return the precision of all states (states, states)."""
        return linalg.block_diag(
            self.precision.toarray(), np.eye(self.slopes.shape[1] - self.precision.places.size)
        )


def expected_variances(prospects: Prospects, targets: csr_array, runs: FloatArray) -> FloatArray:
    """Return the variances of targets once every row was run so many times.

    Information adds up over rows, whatever the order of the runs. With n runs a row shows the
    states with variance own + run / n, and what is left of its own part has variance
    own (run / n) / (own + run / n).

    Args:
        prospects: the rows.
        targets: (targets, rows) each target as a combination of rows.
        runs: (rows,) runs of each row; infinitely many show the row itself.

    Returns:
        (targets,) variances.
    """
    after = _After.runs(prospects, runs)
    slopes = csr_array(targets @ after.slopes)
    variances = targets.power(2) @ after.own
    for a in range(0, len(variances), CHUNK):
        part = slopes[a : a + CHUNK].toarray()
        variances[a : a + CHUNK] += (part.T * after.covariance(part.T)).sum(axis=0)
    return np.asarray(variances)


def what_is_left(
    prospects: Prospects, target: FloatArray, runs: FloatArray, group: IntArray
) -> FloatArray:
    """Return what the variance of a target (rows,) is made of once every row was run so often.

    Returns:
        (groups + 1,) variance that comes with each group of states, then with the rows' own parts.
        A state's is its covariance with the target times its slope, so they add up to the whole.
    """
    after = _After.runs(prospects, runs)
    slopes = after.slopes.T @ target
    parts = slopes * after.covariance(slopes[:, None])[:, 0]
    own = float(target**2 @ after.own)
    return np.append(np.bincount(group, parts, int(group.max()) + 1), own)


@dataclass(frozen=True)
class _After:
    """What is known after runs.

    Attributes:
        factor: lower Cholesky factor of the precision of the states.
        slopes: (rows, states) slopes of what is not known of each row.
        own: (rows,) variance of what is left of each row's own part.
    """

    factor: FloatArray
    slopes: csr_array
    own: FloatArray

    @staticmethod
    def runs(prospects: Prospects, runs: FloatArray) -> "_After":
        """Take in so many runs of each row."""
        tested = runs > 0
        error = np.divide(prospects.run, runs, out=np.zeros_like(prospects.run), where=tested)
        total = prospects.own + error
        # A row without any variance of its own is known already, whatever is run.
        tells = tested & (total > 0)
        safe = np.where(tells, total, 1.0)
        information = diags_array(np.where(tells, 1.0 / safe, 0.0))
        shown = (prospects.slopes.T @ information @ prospects.slopes).toarray()
        factor = linalg.cholesky(prospects.dense_precision() + shown, lower=True)
        kept = np.where(tested, error / safe, 1.0)
        return _After(factor, csr_array(diags_array(kept) @ prospects.slopes), prospects.own * kept)

    def covariance(self, slopes: FloatArray) -> FloatArray:
        """Return (states, k) covariances of the states with combinations of them (states, k)."""
        covariance: FloatArray = linalg.cho_solve((self.factor, True), slopes)
        return covariance


@dataclass(frozen=True)
class Look:
    """What a run of one row would tell, given the runs before.

    Attributes:
        row: the row.
        rows, states: covariances of every row, and of every state, with this row.
    """

    row: int
    rows: FloatArray
    states: FloatArray

    @property
    def variance(self) -> float:
        """Variance of the row."""
        return max(float(self.rows[self.row]), 0.0)


class Course:
    """Covariances while runs come in one after another.

    Each run takes the outer product of what it tells out of the covariance. The products are
    kept, not the matrix, so the work grows with the number of rows times that of the runs.

    Attributes:
        variances: (targets,) variances of the targets after the runs so far.
    """

    def __init__(self, prospects: Prospects, targets: csr_array, most: int) -> None:
        """Start before any run; at most `most` results will be seen."""
        self._prospects, self._targets = prospects, targets
        self._rows = np.zeros((most, len(prospects.own)))
        self._states = np.zeros((most, prospects.slopes.shape[1]))
        self._seen = 0
        self.variances = expected_variances(prospects, targets, np.zeros_like(prospects.own))

    def look(self, row: int) -> Look:
        """Return what a run of a row would tell."""
        own = self._prospects.slopes[[row]].toarray()[0]
        states = self._prospects.covariance(own[:, None])[:, 0]
        rows = self._prospects.slopes @ states
        rows[row] += self._prospects.own[row]
        shares = self._rows[: self._seen, row]
        return Look(
            row,
            rows - shares @ self._rows[: self._seen],
            states - shares @ self._states[: self._seen],
        )

    def spread(self, weights: FloatArray) -> FloatArray:
        """Return (rows,) covariances of all rows with a combination of rows."""
        prospects, seen = self._prospects, self._rows[: self._seen]
        through = prospects.covariance((prospects.slopes.T @ weights)[:, None])[:, 0]
        spread: FloatArray = prospects.slopes @ through + prospects.own * weights
        return spread - (seen @ weights) @ seen

    def see(self, look: Look, error: float) -> None:
        """Take in a result of the row, whose error has this variance."""
        total = look.variance + error
        if total <= 0.0:
            return
        root = np.sqrt(total)
        self._rows[self._seen], self._states[self._seen] = look.rows / root, look.states / root
        told = self._targets @ self._rows[self._seen]
        self.variances = np.maximum(self.variances - told**2, 0.0)
        self._seen += 1
