"""Probabilities of positions, and rank correlations, from the functions that make positions."""

from itertools import permutations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from scalemodel.model.ranks import expected_ranks, p_faster, p_first, rank_distribution


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
    assert_allclose(p_first(draws), [4 / 7, 2 / 7, 1 / 7], rtol=1e-12)
    assert_allclose(matrix[:, 0], p_first(draws), rtol=1e-12)
    assert_allclose(expected_ranks(draws)[0], 23 / 15, rtol=1e-12)
    assert_allclose(matrix @ [1, 2, 3], expected_ranks(draws), rtol=1e-12)
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
    assert_allclose(expected_ranks(draws).sum(), 6, rtol=1e-12)


def tau_b(x: list[float], y: list[float]) -> float:
    """Kendall's tau-b from who beats whom, which `p_faster` says."""
    gaps = []
    for values in (x, y):
        a, b = np.meshgrid(values, values)
        gaps.append(2 * p_faster(a[None], b[None]) - 1)
    return float(np.sum(gaps[0] * gaps[1]) / np.sqrt(np.sum(gaps[0] ** 2) * np.sum(gaps[1] ** 2)))


@pytest.mark.parametrize(
    ("x", "y", "tau"),
    [([1, 2, 3, 4, 5], [3, 1, 2, 5, 4], 0.4), ([1, 2, 2, 4], [1, 2, 3, 4], 5 / np.sqrt(30))],
)
def test_kendall(x: list[float], y: list[float], tau: float) -> None:
    """Kendall 1945, Biometrika 33 (definition): tied cards count as half a win each."""
    assert_allclose(tau_b(x, y), tau, atol=1e-9)
    assert_allclose(stats.kendalltau(x, y).statistic, tau, atol=1e-9)


def test_spearman() -> None:
    """Spearman 1904, American Journal of Psychology 15 (definition): (1..5) and (3,1,2,5,4)."""
    ranks = [expected_ranks([row]) for row in ([1, 2, 3, 4, 5], [3, 1, 2, 5, 4])]
    assert_allclose(np.corrcoef(ranks)[0, 1], 0.6, atol=1e-9)
