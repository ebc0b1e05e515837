"""Probabilities of positions."""

from itertools import permutations

import numpy as np
from numpy.testing import assert_allclose
from scipy import stats

from scalemodel.model.ranks import p_faster, rank_distribution


def plackett_luce_draws() -> np.ndarray:
    """Rates in every order of three cards, each as often in 105 as weights 4, 2, 1 say."""
    weights = np.array([4, 2, 1])
    rows = []
    for order in permutations(range(3)):
        chosen = weights[list(order)]
        left = np.cumsum(chosen[::-1])[::-1]
        times = 105 * np.prod(chosen / left)
        assert_allclose(times, round(times), atol=1e-9)
        rates = np.empty(3)
        rates[list(order)] = [3.0, 2.0, 1.0]
        rows += [rates] * round(times)
    return np.array(rows)


def test_plackett_luce() -> None:
    """Plackett 1975, Applied Statistics 24; Luce 1959 (model): weights 4, 2, 1."""
    draws = plackett_luce_draws()
    matrix = rank_distribution(draws)
    assert_allclose(matrix[:, 0], [4 / 7, 2 / 7, 1 / 7], rtol=1e-12)
    assert_allclose((matrix @ [1, 2, 3])[0], 23 / 15, rtol=1e-12)
    # P(1 before 2 before 3) = 8/21 and P(3, 2, 1) = 1/21 are rows of the middle column too:
    # card 2 is second in those two orders only.
    assert_allclose(matrix[1, 1], 8 / 21 + 1 / 21, rtol=1e-12)


def test_thurstone_two_cards() -> None:
    """Thurstone 1927 (model): 100 +- 3 against 96 +- 4, P = Phi(4 / 5) = .788145.

    Draws are the two laws at 1000 equally likely points each, every pair once.
    """
    points = stats.norm.ppf((np.arange(1000) + 0.5) / 1000)
    a, b = np.meshgrid(100 + 3 * points, 96 + 4 * points)
    assert_allclose(p_faster(a.ravel(), b.ravel()), 0.788145, atol=1e-5)


def test_thurstone_three_cards() -> None:
    """Thurstone 1927 (model): N(100, 3), N(97, 4), N(95, 5); values by quadrature.

    Tolerance four standard errors of a million draws. Multiplying pairwise probabilities as if
    independent would give the first card .584.
    """
    n = 1_000_000
    draws = np.random.default_rng(11).normal([100, 97, 95], [3, 4, 5], size=(n, 3))
    top = np.array([0.614657, 0.232088, 0.153255])
    matrix = rank_distribution(draws)
    assert np.all(np.abs(matrix[:, 0] - top) < 4 * np.sqrt(top * (1 - top) / n))
    assert_allclose(matrix.sum(axis=0), 1, rtol=1e-12)
    assert_allclose(matrix.sum(axis=1), 1, rtol=1e-12)
    assert_allclose((matrix @ [1, 2, 3]).sum(), 6, rtol=1e-12)
