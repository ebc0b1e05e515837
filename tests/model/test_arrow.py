"""The arrow-shaped factors against plain dense matrices."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scalemodel.model.arrow import Arrow, ArrowMatrix, Diagonal, Places

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


def as_arrow(matrix: np.ndarray, bounds: np.ndarray) -> ArrowMatrix:
    places = Places.of(bounds, len(matrix))
    padded = np.pad(matrix, (0, 1))
    return ArrowMatrix(
        places,
        np.stack([padded[np.ix_(own, own)] for own in places.index]),
        np.stack([padded[own, places.begin : places.size] for own in places.index]),
        matrix[places.begin :, places.begin :],
    )


def factors(matrix: np.ndarray, bounds: np.ndarray) -> Arrow:
    return as_arrow(matrix, bounds).factorise()


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_everything_agrees_with_dense_algebra(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, rng = random_arrow(blocks, border, seed)
    arrow = factors(matrix, bounds)
    inverse = np.linalg.inv(matrix)
    size = len(matrix)
    close = {"rtol": 1e-8, "atol": 1e-10}

    assert arrow.log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-10)
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
def test_covariances_of_blocks(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, _ = random_arrow(blocks, border, seed)
    inverse, begin = np.linalg.inv(matrix), int(bounds[-1])
    own, between = factors(matrix, bounds).block_covariances()
    for block, (a, b) in enumerate(pairwise(bounds)):
        close = {"rtol": 1e-7, "atol": 1e-10}
        np.testing.assert_allclose(own[block, : b - a, : b - a], inverse[a:b, a:b], **close)
        np.testing.assert_allclose(between[block, : b - a], inverse[a:b, begin:], **close)


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_sums_and_the_way_back(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, rng = random_arrow(blocks, border, seed)
    arrow, size = as_arrow(matrix, bounds), len(matrix)
    np.testing.assert_array_equal(arrow.toarray(), matrix)
    np.testing.assert_array_equal(arrow.diagonal(), np.diag(matrix))
    more = Diagonal(rng.standard_normal(size), rng.standard_normal((border, border)))
    dense = np.diag(more.diagonal)
    dense[-border:, -border:] += more.border
    np.testing.assert_allclose(arrow.plus(more).toarray(), matrix + dense, rtol=1e-12, atol=1e-13)
    vector = rng.standard_normal(size)
    np.testing.assert_allclose(more @ vector, dense @ vector, rtol=1e-12)
    damped = matrix + 0.3 * np.diag(np.diag(matrix))
    np.testing.assert_allclose(arrow.damped(0.3).toarray(), damped, rtol=1e-12)


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


@given(sizes, st.integers(1, 6), st.integers(0, 10_000))
@same_each_time
def test_a_part_of_the_matrix_is_solved_alone(blocks: list[int], border: int, seed: int) -> None:
    matrix, bounds, rng = random_arrow(blocks, border, seed)
    kept = rng.random(len(matrix)) < 0.6
    right = np.where(kept, rng.standard_normal(len(matrix)), 0.0)
    solved = as_arrow(matrix, bounds).only(kept).factorise().solve(right)
    own = np.ix_(kept, kept)
    np.testing.assert_allclose(solved[kept], np.linalg.solve(matrix[own], right[kept]), rtol=1e-7)
    np.testing.assert_array_equal(solved[~kept], 0.0)
