from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from scalemodel.errors import ScalemodelError
from scalemodel.model.summaries import (
    geometric_mean_ratio,
    mean_range,
    mean_weights,
    odd_ones_out,
    p_positive,
    shortest_half,
)

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


def test_the_range_of_a_mean_is_student_s() -> None:
    # Mean 1.75 and variance 1.58 of ten values: Gosset's example of sleep as in any textbook gives
    # t = 4.0621 with 9 degrees of freedom for the differences 1.2 2.4 1.3 1.3 0 1 1.8 0.8 4.6 1.4
    # (Student 1908, Biometrika 6; recalled from memory): p = .00283 on both sides.
    sleep = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4]
    assert 2 * (1 - p_positive(sleep, range(10), 0.0)) == pytest.approx(0.00283, abs=5e-6)
    low, high = mean_range(sleep, range(10), 0.95)
    assert (low, high) == pytest.approx((0.7001142, 2.4598858), abs=1e-6)


def test_one_value_has_its_own_error() -> None:
    # Normal theory: 1.2816 sds hold 80%.
    assert p_positive([0.012815515655446004], [0], 0.01) == pytest.approx(0.9)
    assert p_positive([0.0], [0], 0.0) == 0.5
    assert p_positive([0.1, 0.1], [0, 1], 1.0) == 1.0


@pytest.mark.parametrize("groups", [[0, 1, 2, 3, 4], [0, 0, 1, 1, 2]])
def test_drawn_weights_give_the_distribution_of_the_mean(groups: list[int]) -> None:
    # Identity: quantiles of the draws are the ends of Student's range; 4 * 10^5 draws leave the
    # tenth percentile within 1% of a sd.
    values = np.array([0.3, -0.1, 0.25, 0.4, 0.05])
    weights = mean_weights(groups, 400_000, np.random.default_rng(7))
    assert_allclose(weights.sum(axis=1), 1)
    drawn = weights @ values
    low, high = mean_range(values, groups, 0.8)
    assert_allclose(np.quantile(drawn, [0.1, 0.9]), [low, high], atol=0.01 * (high - low))
    assert np.mean(drawn > 0) == pytest.approx(p_positive(values, groups, 0.0), abs=0.002)
    assert (mean_weights([0], 3, np.random.default_rng(7)) == 1).all()


def test_values_of_a_group_told_again_are_no_news() -> None:
    # Theorem: with equal values in each group, the range is that of one value a group.
    once = np.array([0.1, 0.3, 0.2, 0.5])
    games = np.array(["a", "b", "c", "d"])
    thrice = mean_range(np.repeat(once, 3), np.repeat(games, 3), 0.8)
    assert thrice == pytest.approx(mean_range(once, games, 0.8))
    assert p_positive(np.repeat(once, 3), np.repeat(games, 3), 0.0) == pytest.approx(
        p_positive(once, games, 0.0)
    )
    # One group says nothing of others; its values are then taken as they are.
    assert mean_range(once, ["a"] * 4, 0.8) == pytest.approx(mean_range(once, games, 0.8))


def test_the_range_of_a_mean_holds_its_share_where_groups_stray_together() -> None:
    # Simulation with known truth 0: 12 groups of 3, group sd 3 times that within. 4,000 repeats
    # leave a standard error of .0063; taken as independent, 80% ranges hold only 57%.
    rng = np.random.default_rng(3)
    groups = np.repeat(np.arange(12), 3)
    held, alone = 0, 0
    for _ in range(4000):
        values = rng.normal(0, 0.03, 12)[groups] + rng.normal(0, 0.01, 36)
        low, high = mean_range(values, groups, 0.8)
        held += low <= 0 <= high
        low, high = mean_range(values, np.arange(36), 0.8)
        alone += low <= 0 <= high
    assert held / 4000 == pytest.approx(0.8, abs=0.02)
    assert alone / 4000 < 0.65
