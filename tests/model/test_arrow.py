"""The arrow-shaped factors against plain dense matrices."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from scalemodel.model.arrow import Arrow, factorise

sizes = st.lists(st.integers(1, 6), min_size=1, max_size=5)
same_each_time = settings(derandomize=True, deadline=None, max_examples=40)


def random_arrow(
    blocks: list[int], border: int, seed: int
) -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    """Make a positive definite matrix whose blocks meet through the border only."""
    rng = np.random.default_rng(seed)
    bounds = np.concatenate([[0], np.cumsum(blocks)]).astype(np.intp)
    size = int(bounds[-1]) + border
    matrix = np.zeros((size, size))
    for a, b in pairwise(bounds):
        own = np.r_[np.arange(a, b), np.arange(bounds[-1], size)]
        root = rng.standard_normal((len(own), len(own) + 2))
        matrix[np.ix_(own, own)] += root @ root.T
    matrix += 0.5 * np.eye(size)
    return matrix, bounds, rng


def factors(matrix: np.ndarray, bounds: np.ndarray) -> Arrow:
    return factorise(csr_array(matrix), bounds)


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_everything_agrees_with_dense_algebra(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, rng = random_arrow(blocks, border, seed)
    arrow = factors(matrix, bounds)
    inverse = np.linalg.inv(matrix)
    size = len(matrix)
    close = {"rtol": 1e-8, "atol": 1e-10}

    assert arrow.log_determinant() == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-10)
    right = rng.standard_normal((size, 3))
    np.testing.assert_allclose(arrow.solve(right), np.linalg.solve(matrix, right), **close)
    np.testing.assert_allclose(arrow.solve(right[:, 0]), inverse @ right[:, 0], **close)
    np.testing.assert_allclose(arrow.variances(), np.diag(inverse), **close)
    begin = int(bounds[-1])
    np.testing.assert_allclose(arrow.border_covariance(), inverse[begin:, begin:], **close)


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_draws_have_exactly_the_inverse_as_covariance(
    blocks: list[int], border: int, seed: int
) -> None:
    # `sample` is linear in its normals: with the identity for normals it gives a root R of the
    # covariance, and R R' has to be the inverse itself, without any sampling error.
    matrix, bounds, _ = random_arrow(blocks, border, seed)
    root = factors(matrix, bounds).sample(np.eye(len(matrix)))
    np.testing.assert_allclose(root @ root.T, np.linalg.inv(matrix), rtol=1e-8, atol=1e-10)


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_row_variances(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, rng = random_arrow(blocks, border, seed)
    block_of_row = rng.integers(0, len(blocks), 12)
    rows = np.zeros((12, len(matrix)))
    for i, b in enumerate(block_of_row):
        own = np.r_[np.arange(bounds[b], bounds[b + 1]), np.arange(bounds[-1], len(matrix))]
        rows[i, own] = rng.standard_normal(len(own))
    got = factors(matrix, bounds).row_variances(csr_array(rows), block_of_row)
    np.testing.assert_allclose(got, np.diag(rows @ np.linalg.inv(matrix) @ rows.T), rtol=1e-8)


def test_the_input_of_solve_is_left_alone() -> None:
    matrix, bounds, rng = random_arrow([2, 3], 2, 0)
    right = rng.standard_normal(len(matrix))
    before = right.copy()
    factors(matrix, bounds).solve(right)
    np.testing.assert_array_equal(right, before)


@pytest.mark.parametrize("place", [0, 4, 6])
def test_a_matrix_that_is_not_positive_definite_is_refused(place: int) -> None:
    matrix, bounds, _ = random_arrow([3, 2], 2, 1)
    matrix[place, place] = -1.0
    with pytest.raises(np.linalg.LinAlgError):
        factors(matrix, bounds)
