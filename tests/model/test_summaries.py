from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from scalemodel.errors import ScalemodelError
from scalemodel.model.summaries import geometric_mean_ratio, odd_ones_out, shortest_half

leads = st.lists(st.floats(-1, 1).map(lambda x: round(x, 3)), min_size=1, max_size=9)


@settings(derandomize=True, deadline=None)
@given(leads)
def test_shortest_half_is_the_best_of_all_subsets(values: list[float]) -> None:
    low, high = shortest_half(values)
    held = min(len(values), max(2, -(-len(values) // 2)))
    assert sum(low <= v <= high for v in values) >= held
    best = min(max(s) - min(s) for s in combinations(values, held))
    assert_allclose(high - low, best, atol=1e-12)


@settings(derandomize=True, deadline=None)
@given(leads)
def test_shortest_half_of_the_mirror_image_is_mirrored_in_width(values: list[float]) -> None:
    low, high = shortest_half(values)
    mirrored_low, mirrored_high = shortest_half([-v for v in values])
    assert_allclose(high - low, mirrored_high - mirrored_low, atol=1e-12)


def test_shortest_half_by_hand() -> None:
    assert shortest_half([0.10, 0.12, 0.13, 0.30, 0.50]) == (0.10, 0.13)
    assert shortest_half([4.0, 1.0, 2.0, 3.0]) == (2.0, 3.0)  # three equal ones: the middle
    assert shortest_half([0.1, 0.4]) == (0.1, 0.4)
    assert shortest_half([0.1]) == (0.1, 0.1)


def test_odd_ones_out_by_hand() -> None:
    """Quartiles 2.25 and 4.75, reach 3.75: beyond -1.5 and 8.5."""
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 8.51])
    assert odd_ones_out(values).tolist() == [False] * 5 + [True]
    values[-1] = 8.49
    assert not odd_ones_out(values).any()


@settings(derandomize=True, deadline=None)
@given(leads)
def test_odd_ones_out_ignores_order_and_sign(values: list[float]) -> None:
    marks = odd_ones_out(values)
    assert odd_ones_out(values[::-1]).tolist() == marks[::-1].tolist()
    assert marks.sum() <= len(values) / 2


def test_geometric_mean_of_one_lead_is_that_lead() -> None:
    assert_allclose(geometric_mean_ratio([np.log(1.15)]), 1.15)


@pytest.mark.parametrize("values", [[], [0.1, np.nan]])
def test_gaps_are_refused(values: list[float]) -> None:
    for summary in (geometric_mean_ratio, shortest_half, odd_ones_out):
        with pytest.raises(ScalemodelError, match="at least one value, and none missing"):
            summary(values)
