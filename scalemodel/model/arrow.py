"""Symmetric matrices shaped like an arrow: blocks, and one border shared by all.

Parameters of different games only meet through the shared parameters, so the cost of everything
here grows linearly with the number of games (Rue & Held 2005, Gaussian Markov Random Fields, 2.4).
Blocks are padded to the longest, so that all of them are worked on at once.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Places:
    """Where blocks and border lie in a vector.

    Attributes:
        index: (blocks, longest) positions of the entries of each block; `size` where padded.
        size: size of the vector, whose last entries are the border.
        begin: position where the border begins.
    """

    index: IntArray
    size: int
    begin: int

    @staticmethod
    def of(bounds: IntArray, size: int) -> "Places":
        """Return the places of blocks that begin at `bounds`, the last of which is the border's."""
        lengths = np.diff(bounds)
        steps = np.arange(lengths.max(initial=0))
        index = np.where(steps < lengths[:, None], bounds[:-1, None] + steps, size)
        return Places(index, size, int(bounds[-1]))

    @property
    def cells(self) -> int:
        """Number of entries of blocks, ties and border together."""
        (blocks, longest), border = self.index.shape, self.size - self.begin
        return int(blocks * longest * (longest + border) + border**2)

    def gather(self, vectors: FloatArray) -> FloatArray:
        """Return the blocks' (blocks, longest, k) entries of vectors (size, k), 0 where padded."""
        zero = np.zeros((1, *vectors.shape[1:]))
        taken: FloatArray = np.concatenate([vectors, zero])[self.index]
        return taken

    def join(self, blocks: FloatArray, border: FloatArray) -> FloatArray:
        """Return vectors (size, k) from their (blocks, longest, k) and (border, k) entries."""
        out = np.empty((self.size + 1, *border.shape[1:]))
        out[self.index] = blocks
        out[self.begin : self.size] = border
        return out[: self.size]


@dataclass(frozen=True)
class Diagonal:
    """A matrix that is diagonal but for its border: (size,) diagonal plus (border, border)."""

    diagonal: FloatArray
    border: FloatArray

    def __matmul__(self, vector: FloatArray) -> FloatArray:
        """Return the product with a vector (size,)."""
        out = self.diagonal * vector
        begin = len(out) - len(self.border)
        out[begin:] += self.border @ vector[begin:]
        return out


@dataclass(frozen=True)
class ArrowMatrix:
    """A symmetric arrow matrix.

    Attributes:
        places: where its blocks and its border lie.
        blocks: (blocks, longest, longest) diagonal blocks; zero where padded.
        ties: (blocks, longest, border) between a block and the border; zero where padded.
        border: (border, border).
    """

    places: Places
    blocks: FloatArray
    ties: FloatArray
    border: FloatArray

    def plus(self, other: Diagonal) -> "ArrowMatrix":
        """Return the sum with a matrix that is diagonal but for its border."""
        blocks, at = self.blocks.copy(), np.arange(self.blocks.shape[1])
        blocks[:, at, at] += self.places.gather(other.diagonal)
        border = self.border + other.border
        border[np.diag_indices(len(border))] += other.diagonal[self.places.begin :]
        return ArrowMatrix(self.places, blocks, self.ties, border)

    def diagonal(self) -> FloatArray:
        """Return the diagonal (size,)."""
        at = np.arange(self.blocks.shape[1])
        return self.places.join(self.blocks[:, at, at], np.diag(self.border))

    def damped(self, damping: float) -> "ArrowMatrix":
        """Return the matrix with its diagonal raised by the share `damping`."""
        more = Diagonal(damping * self.diagonal(), np.zeros_like(self.border))
        return self.plus(more)

    def only(self, kept: BoolArray) -> "ArrowMatrix":
        """Return the matrix with the rows and columns that are not `kept` those of the identity."""
        own = kept.astype(np.float64)
        block, border = self.places.gather(own), own[self.places.begin :]
        alone = np.where(self.places.index < self.places.size, 1.0 - block, 0.0)
        at = np.arange(self.blocks.shape[1])
        blocks = self.blocks * block[:, :, None] * block[:, None, :]
        blocks[:, at, at] += alone
        ties = self.ties * block[:, :, None] * border
        shared = self.border * np.outer(border, border) + np.diag(1.0 - border)
        return ArrowMatrix(self.places, blocks, ties, shared)

    def toarray(self) -> FloatArray:
        """Return the matrix whole (size, size)."""
        size, begin = self.places.size, self.places.begin
        out = np.zeros((size + 1, size + 1))
        for where, block, tie in zip(self.places.index, self.blocks, self.ties, strict=True):
            out[np.ix_(where, where)] = block
            out[where, begin:size] = tie
            out[begin:size, where] = tie.T
        out[begin:size, begin:size] = self.border
        return out[:size, :size]

    def factorise(self) -> "Arrow":
        """Return the Cholesky factors.

        Raises:
            numpy.linalg.LinAlgError: the matrix is not positive definite.
        """
        blocks, at = self.blocks.copy(), np.arange(self.blocks.shape[1])
        blocks[:, at, at] += self.places.index == self.places.size
        factors = np.linalg.cholesky(blocks)
        roots = np.linalg.inv(factors)
        half = roots @ self.ties
        flat = half.reshape(-1, len(self.border))
        # Only the lower triangle is worked out, and only it is used.
        schur = linalg.blas.dsyrk(-1.0, flat.T, 1.0, self.border, lower=1)
        border = linalg.cholesky(schur, lower=True)
        log_determinant = 2.0 * float(np.log(factors[:, at, at]).sum())
        log_determinant += 2.0 * float(np.log(np.diag(border)).sum())
        ties = roots.swapaxes(1, 2) @ half
        return Arrow(self.places, roots, ties, border, log_determinant)


@dataclass(frozen=True)
class Arrow:
    """Factors of a positive definite arrow matrix H.

    Attributes:
        places: where its blocks and its border lie.
        roots: (blocks, longest, longest) inverse of the lower Cholesky factor of each block.
        ties: (blocks, longest, border) H_bb^-1 H_bg of each block b with the border g.
        border: lower Cholesky factor of the border's Schur complement.
        log_determinant: log det H.
    """

    places: Places
    roots: FloatArray
    ties: FloatArray
    border: FloatArray
    log_determinant: float

    def solve(self, right: FloatArray) -> FloatArray:
        """Return H^-1 right for a vector, or for each column of a matrix."""
        columns = right.reshape(len(right), -1)
        own = self.places.gather(columns)
        rest = columns[self.places.begin :] - self._tied(own)
        shared = linalg.cho_solve((self.border, True), rest)
        own = self.roots.swapaxes(1, 2) @ (self.roots @ own) - self.ties @ shared
        return self.places.join(own, shared).reshape(right.shape)

    def _tied(self, own: FloatArray) -> FloatArray:
        """Return the sum over blocks of ties' own."""
        return self.ties.reshape(-1, len(self.border)).T @ own.reshape(-1, own.shape[-1])

    def sample(self, normals: FloatArray) -> FloatArray:
        """Return draws with covariance H^-1, one a column, from standard normals (size, draws)."""
        shared = linalg.solve_triangular(
            self.border, normals[self.places.begin :], lower=True, trans="T"
        )
        own = self.roots.swapaxes(1, 2) @ self.places.gather(normals) - self.ties @ shared
        return self.places.join(own, shared)

    def border_covariance(self) -> FloatArray:
        """Return the block of H^-1 that belongs to the border."""
        return self._of_border[0]

    @cached_property
    def _of_border(self) -> tuple[FloatArray, FloatArray]:
        """The border's block of H^-1, and (blocks, longest, border) those between it and blocks."""
        covariance = linalg.cho_solve((self.border, True), np.eye(len(self.border)))
        return covariance, -self.ties @ covariance

    def block_covariances(self) -> tuple[FloatArray, FloatArray]:
        """Return the blocks of H^-1, and between blocks and border.

        Returns:
            (blocks, longest, longest) and (blocks, longest, border).
        """
        between = self._of_border[1]
        own = self.roots.swapaxes(1, 2) @ self.roots - between @ self.ties.swapaxes(1, 2)
        return own, between

    def variances(self) -> FloatArray:
        """Return the diagonal of H^-1."""
        covariance, between = self._of_border
        own = (self.roots**2).sum(axis=1) - np.einsum("bij,bij->bi", between, self.ties)
        return self.places.join(own, np.diag(covariance))
