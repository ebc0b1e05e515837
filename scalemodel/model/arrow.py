"""Cholesky factors of a symmetric matrix shaped like an arrow: blocks, and one shared border.

Parameters of different games only meet through the shared parameters, so the cost of everything
here grows linearly with the number of games (Rue & Held 2005, Gaussian Markov Random Fields, 2.4).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import linalg
from scipy.sparse import csr_array

from scalemodel.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Arrow:
    """Factors of a positive definite arrow matrix H.

    Attributes:
        bounds: (blocks + 1,) where each block begins; the last is where the border begins.
        factors: lower Cholesky factor of each diagonal block.
        ties: H_bb^-1 H_bg of each block b with the border g.
        border: lower Cholesky factor of the border's Schur complement.
    """

    bounds: IntArray
    factors: tuple[FloatArray, ...]
    ties: tuple[FloatArray, ...]
    border: FloatArray

    def _blocks(self) -> list[tuple[slice, FloatArray, FloatArray]]:
        spans = [slice(a, b) for a, b in pairwise(self.bounds)]
        return list(zip(spans, self.factors, self.ties, strict=True))

    @property
    def _shared(self) -> slice:
        return slice(int(self.bounds[-1]), int(self.bounds[-1]) + len(self.border))

    def log_determinant(self) -> float:
        """Return log det H."""
        diagonals = [np.log(np.diag(f)).sum() for f in (*self.factors, self.border)]
        return 2.0 * float(sum(diagonals))

    def solve(self, right: FloatArray) -> FloatArray:
        """Return H^-1 right for a vector, or for each column of a matrix."""
        out = np.array(right)
        shared = self._shared
        rest = np.array(right[shared])
        for span, _, tie in self._blocks():
            rest -= tie.T @ right[span]
        out[shared] = linalg.cho_solve((self.border, True), rest)
        for span, factor, tie in self._blocks():
            out[span] = linalg.cho_solve((factor, True), right[span]) - tie @ out[shared]
        return out

    def sample(self, normals: FloatArray) -> FloatArray:
        """Return draws with covariance H^-1, one a column, from standard normals (size, draws)."""
        out = np.empty_like(normals)
        shared = self._shared
        out[shared] = linalg.solve_triangular(self.border, normals[shared], lower=True, trans="T")
        for span, factor, tie in self._blocks():
            own = linalg.solve_triangular(factor, normals[span], lower=True, trans="T")
            out[span] = own - tie @ out[shared]
        return out

    def border_covariance(self) -> FloatArray:
        """Return the block of H^-1 that belongs to the border."""
        return linalg.cho_solve((self.border, True), np.eye(len(self.border)))

    def variances(self) -> FloatArray:
        """Return the diagonal of H^-1."""
        out = np.empty(self._shared.stop)
        covariance = self.border_covariance()
        out[self._shared] = np.diag(covariance)
        for span, factor, tie in self._blocks():
            inverse = linalg.solve_triangular(factor, np.eye(len(factor)), lower=True)
            out[span] = (inverse**2).sum(axis=0) + ((tie @ covariance) * tie).sum(axis=1)
        return out

    def row_variances(self, rows: csr_array, block_of_row: IntArray) -> FloatArray:
        """Return the diagonal of ``rows H^-1 rows'`` where each row touches one block.

        Args:
            rows: (n, size) sparse rows.
            block_of_row: (n,) the block whose parameters the row touches beside the border's.
        """
        out = np.zeros(rows.shape[0])
        covariance = self.border_covariance()
        begin = int(self.bounds[-1])
        for b, (span, factor, tie) in enumerate(self._blocks()):
            here = np.flatnonzero(block_of_row == b)
            if not len(here):
                continue
            part = rows[here]
            own = part[:, span].toarray()
            shared = part[:, begin:].toarray() - own @ tie
            scaled = linalg.solve_triangular(factor, own.T, lower=True)
            out[here] = (scaled**2).sum(axis=0) + ((shared @ covariance) * shared).sum(axis=1)
        return out


def factorise(matrix: csr_array, bounds: IntArray) -> Arrow:
    """Factorise a positive definite arrow matrix.

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """
    begin = int(bounds[-1])
    schur = matrix[begin:, begin:].toarray()
    factors, ties = [], []
    for a, b in pairwise(bounds):
        strip = matrix[int(a) : int(b)]
        factor = linalg.cholesky(strip[:, int(a) : int(b)].toarray(), lower=True)
        to_border = strip[:, begin:].toarray()
        tie = linalg.cho_solve((factor, True), to_border)
        schur -= to_border.T @ tie
        factors.append(factor)
        ties.append(tie)
    border = linalg.cholesky(0.5 * (schur + schur.T), lower=True)
    return Arrow(bounds, tuple(factors), tuple(ties), border)
