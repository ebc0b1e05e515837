"""Memory cliffs: ordered by memory, and told apart from bad runs and views that are off."""

import numpy as np
import pytest

from scalemodel.model.memory import Cliffs, find_cliffs

MEMORY = np.array([8.0, 8.0, 8.0, 12.0, 16.0, 16.0, 24.0])
DEEP = np.log(0.4)
SMALL = np.log(0.97)


def cliffs(residual: list[float], memory: np.ndarray = MEMORY) -> Cliffs:
    values = np.array(residual)
    return find_cliffs(values, np.zeros(len(values), dtype=np.intp), memory, 1)


def test_cards_with_least_memory_that_all_fell_are_a_cliff() -> None:
    found = cliffs([DEEP, DEEP, DEEP, 0.01, -0.01, 0.02, 0.0])
    assert found.fell.tolist() == [True, True, True, False, False, False, False]
    assert found.needs_more_than_gb.tolist() == [8.0]


def test_the_cliff_reaches_up_to_the_most_memory_that_was_not_enough() -> None:
    found = cliffs([DEEP, DEEP, DEEP, np.log(0.6), 0.0, 0.0, 0.0])
    assert found.fell.tolist() == [True] * 4 + [False] * 3
    assert found.needs_more_than_gb.tolist() == [12.0]


def test_falls_that_memory_does_not_order_are_no_cliff() -> None:
    found = cliffs([0.0, 0.01, -0.01, 0.0, DEEP, 0.0, 0.0])
    assert not found.fell.any()
    assert found.needs_more_than_gb.tolist() == [0.0]


def test_one_of_three_twins_is_a_bad_run_not_a_cliff() -> None:
    assert not cliffs([DEEP, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]).fell.any()


def test_a_card_alone_needs_a_deeper_fall() -> None:
    memory = np.array([6.0, 8.0, 12.0, 16.0])
    assert not cliffs([np.log(0.8), 0.0, 0.0, 0.0], memory).fell.any()
    found = cliffs([DEEP, 0.0, 0.0, 0.0], memory)
    assert found.fell.tolist() == [True, False, False, False]


def test_where_every_card_fell_the_view_is_off_not_the_memory() -> None:
    assert not cliffs([DEEP] * 7).fell.any()


def test_where_the_cards_above_fell_too_it_is_not_memory() -> None:
    assert not cliffs([DEEP, DEEP, DEEP, 0.0, DEEP, DEEP, DEEP]).fell.any()


@pytest.mark.parametrize("residual", [SMALL, np.log(0.9)])
def test_ordinary_residuals_are_no_falls(residual: float) -> None:
    assert not cliffs([residual] * 3 + [0.0] * 4).fell.any()


def test_a_rate_above_the_expected_is_no_fall() -> None:
    assert not cliffs([-DEEP] * 3 + [0.0] * 4).fell.any()


def test_cards_of_unknown_memory_never_fall() -> None:
    memory = np.array([np.nan, 8.0, 8.0, 12.0, 16.0, 16.0, 24.0])
    found = cliffs([DEEP, DEEP, DEEP, 0.0, 0.0, 0.0, 0.0], memory)
    assert found.fell.tolist() == [False, True, True, False, False, False, False]


def test_each_view_is_judged_by_itself() -> None:
    residual = np.r_[[DEEP] * 3, [0.0] * 4, [0.0] * 7]
    view = np.repeat([1, 0], 7)
    found = find_cliffs(residual, view, np.tile(MEMORY, 2), 3)
    assert found.needs_more_than_gb.tolist() == [0.0, 8.0, 0.0]
    assert found.fell.sum() == 3
