import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from scalemodel.errors import ScalemodelError
from scalemodel.model.ranks import p_faster, place_ranges, rank_distribution

# Whole numbers from a short range: ties are common.
draws_with_ties = arrays(
    float, st.tuples(st.integers(1, 6), st.integers(1, 5)), elements=st.integers(0, 3)
)


@settings(derandomize=True, deadline=None)
@given(draws_with_ties)
def test_rows_and_columns_sum_to_one(draws: np.ndarray) -> None:
    matrix = rank_distribution(draws)
    n_cards = draws.shape[1]
    assert matrix.shape == (n_cards, n_cards)
    assert_allclose(matrix.sum(axis=0), 1)
    assert_allclose(matrix.sum(axis=1), 1)
    assert np.all(matrix >= 0)


@settings(derandomize=True, deadline=None)
@given(draws_with_ties)
def test_positions_agree_with_pairs(draws: np.ndarray) -> None:
    positions = rank_distribution(draws) @ np.arange(1, draws.shape[1] + 1)
    # A card's mean position is one more than the number of cards expected to beat it.
    beaten_by = [
        sum(p_faster(other, own) for j, other in enumerate(draws.T) if j != i)
        for i, own in enumerate(draws.T)
    ]
    assert_allclose(positions, 1 + np.array(beaten_by))


def test_ties_are_split() -> None:
    matrix = rank_distribution([[5.0, 7.0, 5.0]])
    assert_allclose(matrix, [[0, 0.5, 0.5], [1, 0, 0], [0, 0.5, 0.5]])
    assert_allclose(rank_distribution([[7.0, 7.0, 5.0]])[:, 0], [0.5, 0.5, 0])


def test_joint_draws_keep_what_cards_share() -> None:
    """A shared factor of any size does not blur an order that never changes."""
    shared = np.random.default_rng(0).normal(0, 10, (500, 1))
    draws = shared + np.array([0.0, 0.01, 0.02])
    assert_allclose(rank_distribution(draws), np.eye(3)[::-1])
    assert p_faster(draws[:, 2], draws[:, 0]) == 1


def test_many_charts_at_once() -> None:
    a = np.array([[1.0, 2.0], [3.0, 2.0]])
    assert_allclose(p_faster(a, np.full((2, 2), 2.0)), [0.5, 0.5])


@pytest.mark.parametrize("draws", [[1.0, 2.0], [[1.0, np.nan]], np.empty((0, 3))])
def test_wrong_draws_are_refused(draws: object) -> None:
    with pytest.raises(ScalemodelError, match=r"draws of shape \(draws, cards\) without gaps"):
        rank_distribution(draws)


def test_ranges_of_places_by_hand() -> None:
    # The second card is last in one draw of four, the third first in one: 50% leave a quarter out.
    draws = [[3, 2, 1], [3, 2, 1], [3, 1, 2], [1, 2, 3]]
    first, last = place_ranges(draws, 0.5)
    assert_allclose(first, [1, 2, 1])
    assert_allclose(last, [1, 2, 3])
    first, last = place_ranges(draws, 0.9)
    assert_allclose(first, [1, 2, 1])
    assert_allclose(last, [3, 3, 3])
    assert_allclose(place_ranges([[1, 1]], 0.8), [[1, 1], [2, 2]])
