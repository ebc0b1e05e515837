"""The smooth minimum (a^-p + b^-p)^(-1/p) against algebra and the two models at its ends."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from scalemodel.model.physics import smooth_min


@pytest.mark.parametrize(
    ("p", "expected"), [(1.0, 50.0), (2.0, 70.7107), (4.0, 84.0896), (8.0, 91.7004)]
)
def test_at_the_knee(p: float, expected: float) -> None:
    """Algebra: two equal limits of 100 give 100 x 2^(-1/p)."""
    assert_allclose(smooth_min(np.array([100.0]), np.array([100.0]), p), expected, rtol=1e-5)


def test_away_from_the_knee() -> None:
    """Algebra: limits 100 and 200."""
    a, b = np.array([100.0]), np.array([200.0])
    assert_allclose(smooth_min(a, b, 1.0), 66.667, rtol=1e-5)
    assert_allclose(smooth_min(a, b, 16.0), 99.9999, rtol=1e-5)


@pytest.mark.parametrize("p", [1.0, 3.0, 8.0, 29.0, 60.0])
def test_elasticities_sum_to_one_and_no_limit_is_passed(p: float) -> None:
    """Theorem (Euler): the function is homogeneous of degree one."""
    a, b = np.array([60.0, 100.0, 140.0]), np.array([100.0, 100.0, 100.0])
    h = 1e-5
    elasticities = [
        (np.log(smooth_min(a * up, b * vp, p)) - np.log(smooth_min(a / up, b / vp, p))) / (2 * h)
        for up, vp in [(np.exp(h), 1.0), (1.0, np.exp(h))]
    ]
    assert_allclose(np.sum(elasticities, axis=0), 1, rtol=1e-5)
    assert np.all(smooth_min(a, b, p) <= np.minimum(a, b))


def test_amdahl_is_the_case_p_1() -> None:
    """Amdahl 1967, AFIPS 30 (formula): 95% parallel on 20 processors, and on very many."""
    serial = np.array([1 / 0.05])
    assert_allclose(smooth_min(np.array([20 / 0.95]), serial, 1.0), 10.2564, rtol=1e-5)
    assert_allclose(smooth_min(np.array([1e12]), serial, 1.0), 20, rtol=1e-5)


def test_roofline_is_the_limit_of_large_p() -> None:
    """Williams, Waterman & Patterson 2009, CACM 52(4), p. 67: 17.6 GFlop/s and 15 GB/s."""
    flops_per_byte = np.array([1 / 4, 1 / 2, 1, 2, 16])
    peak = np.full(5, 17.6)
    roof = smooth_min(15 * flops_per_byte, peak, 2000.0)
    assert_allclose(roof, [3.75, 7.5, 15, 17.6, 17.6], rtol=1e-5)
    ridge = np.array([1.1733])
    # At the ridge, 17.6 / 15, a factor 2^(-1/p) is still missing.
    assert_allclose(smooth_min(15 * ridge, peak[:1], 2000.0), 17.6 * 2 ** (-1 / 2000), rtol=5e-5)
