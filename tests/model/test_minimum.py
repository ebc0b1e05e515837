import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from scalemodel.model.minimum import (
    expected_below_cap,
    expected_capped,
    expected_minimum,
    p_capped,
    p_smaller,
)

means = st.floats(-20, 20)
sds = st.floats(0.1, 5)
rhos = st.floats(-0.99, 0.99)


@settings(derandomize=True, deadline=None)
@given(means, sds, means, sds, rhos)
def test_the_mean_of_the_minimum_is_below_both_means(
    a: float, s: float, b: float, t: float, rho: float
) -> None:
    value = expected_minimum(a, s, b, t, rho)
    assert value <= min(a, b) + 1e-12
    assert_allclose(value, expected_minimum(b, t, a, s, rho), atol=1e-12)
    assert_allclose(p_smaller(a, s, b, t, rho) + p_smaller(b, t, a, s, rho), 1, atol=1e-12)
    # min(A, B) + max(A, B) = A + B, and the maximum is minus the minimum of the negatives.
    maximum = -expected_minimum(-a, s, -b, t, rho)
    assert_allclose(value + maximum, a + b, atol=1e-12)


def test_correlated_minimum_by_simulation() -> None:
    rng = np.random.default_rng(4)
    draws = rng.multivariate_normal([10, 11], [[4, 1.5], [1.5, 1]], size=400_000)
    smaller = draws.min(axis=1)
    error = smaller.std() / np.sqrt(smaller.size)
    assert abs(smaller.mean() - expected_minimum(10, 2, 11, 1, 0.75)) < 4 * error
    share = np.mean(draws[:, 0] < draws[:, 1])
    assert abs(share - p_smaller(10, 2, 11, 1, 0.75)) < 4 * np.sqrt(0.25 / smaller.size)


def test_quantities_a_constant_apart() -> None:
    assert expected_minimum(3.0, 1.0, 5.0, 1.0, 1.0) == 3.0
    assert p_smaller(3.0, 1.0, 5.0, 1.0, 1.0) == 1.0
    assert p_smaller(5.0, 1.0, 5.0, 1.0, 1.0) == 0.5


@settings(derandomize=True, deadline=None)
@given(means, sds, means)
def test_capped_mean_is_the_mixture_of_its_parts(mean: float, sd: float, cap: float) -> None:
    share = p_capped(mean, sd, cap)
    if share < 1 - 1e-9:
        parts = share * cap + (1 - share) * expected_below_cap(mean, sd, cap)
        assert_allclose(expected_capped(mean, sd, cap), parts, atol=1e-9)


def test_a_cap_is_the_minimum_with_a_certain_quantity() -> None:
    assert_allclose(expected_capped(100, 10, 105), expected_minimum(100, 10, 105, 0), rtol=1e-14)


def test_far_below_the_mean_the_uncapped_mean_stays_finite() -> None:
    """Mills ratio: the mean distance below a far cap is close to sd^2 / distance."""
    assert_allclose(expected_below_cap(0.0, 1.0, -50.0), -50 - 1 / 50, atol=1e-4)


def test_arguments_broadcast() -> None:
    assert expected_minimum([1.0, 2.0], 1.0, 3.0, 1.0).shape == (2,)
    assert expected_capped(np.ones((2, 1)), 1.0, np.ones(3)).shape == (2, 3)
