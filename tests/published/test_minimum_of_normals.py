"""Theorems on the smaller of two normals, and on a capped normal."""

import numpy as np
from numpy.testing import assert_allclose

from scalemodel.model.minimum import (
    expected_below_cap,
    expected_capped,
    expected_minimum,
    p_capped,
    p_smaller,
)


def test_clark_minimum_of_two_parts_of_a_frame() -> None:
    """Clark 1961, Operations Research 9 (theorem): GPU side N(100, 5), CPU side N(105, 3)."""
    assert_allclose(expected_minimum(100, 5, 105, 3), 99.367351, atol=1e-6)
    assert_allclose(p_smaller(100, 5, 105, 3), 0.804414, atol=1e-6)


def test_clark_minimum_of_two_standard_normals() -> None:
    assert_allclose(expected_minimum(0, 1, 0, 1), -1 / np.sqrt(np.pi), rtol=1e-12)


def test_capped_normal() -> None:
    """Greene 2003, Econometric Analysis, 22.2 and 22.3 (theorems): N(100, 10) capped at 105."""
    assert_allclose(expected_capped(100, 10, 105), 98.022034, atol=1e-6)
    assert_allclose(p_capped(100, 10, 105), 0.308538, atol=1e-6)
    assert_allclose(expected_below_cap(100, 10, 105), 94.908396, atol=1e-6)
