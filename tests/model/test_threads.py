"""Climbs on several threads, and rows some at a time: the answer does not depend on either."""

import numpy as np
import pytest

from scalemodel.model import sums, threads
from scalemodel.model.climbing import climb
from scalemodel.model.posterior import draw_posterior
from scalemodel.model.settings import FitSettings
from tests.model.random_cells import random_problem


def test_the_answer_is_the_same_to_the_last_bit_with_any_number_of_threads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(threads, "FEWEST_CELLS", 0)
    monkeypatch.setattr("os.cpu_count", lambda: 3)
    problem, found = random_problem(3), []
    for most in (1, 2, 3):
        monkeypatch.setattr(threads, "MOST_THREADS", most)
        climbed = climb(problem)
        found.append((climbed.covariance, draw_posterior(problem, climbed, FitSettings()).theta))
    for covariance, theta in found[1:]:
        assert np.array_equal(covariance, found[0][0])
        assert np.array_equal(theta, found[0][1])


def test_an_error_on_a_thread_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(item: int) -> int:
        raise ArithmeticError(f"item {item}")

    monkeypatch.setattr("os.cpu_count", lambda: 2)
    with pytest.raises(ArithmeticError, match="item 1"):
        threads.each(fails, [1, 2], threads.FEWEST_CELLS)


@pytest.mark.parametrize("rows", [1, 7])
def test_sums_do_not_depend_on_how_many_rows_are_taken_at_a_time(
    rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = random_problem(7).likelihood
    monkeypatch.setattr(sums, "ROWS", rows)
    pieces = random_problem(7).likelihood
    assert len(pieces.sums.pieces) == -(-len(whole.observed.log_rate) // rows)
    slope = np.random.default_rng(0).standard_normal((len(whole.observed.log_rate), 16))
    slope = slope[:, : len(whole.layout.predictors)]
    one, other = (each.sums.information(slope).toarray() for each in (whole, pieces))
    np.testing.assert_allclose(other, one, rtol=1e-12, atol=1e-12)
