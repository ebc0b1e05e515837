"""Cards beside each other over charts with gaps."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.two_way import linked, two_way


def table(cards: int, charts: int) -> tuple[IntArray, IntArray]:
    return np.repeat(np.arange(cards), charts), np.tile(np.arange(charts), cards)


def test_without_gaps_locations_are_means() -> None:
    rng = np.random.default_rng(1)
    card, chart = table(5, 7)
    values = rng.standard_normal(35)
    found = two_way(values, card, chart, np.zeros(35))
    assert_allclose(found.location, values.reshape(5, 7).mean(axis=1), atol=1e-12)
    # Theorem: variance of a mean of 7, from what is left over with 4 x 6 degrees of freedom.
    assert found.dof == 24
    sd = np.sqrt((found.residual**2).sum() / 24)
    assert_allclose(found.se, sd / np.sqrt(7), rtol=1e-9)


def gaps(rng: np.random.Generator) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return a table in which slow cards lack the heavy charts, and its true effects."""
    card, chart = table(6, 10)
    here = ~((card >= 4) & (chart >= 6)) & (rng.random(60) > 0.1)
    return card[here], chart[here], np.linspace(0, -1.5, 6), np.linspace(0.5, -0.9, 10)


def test_gaps_do_not_move_cards() -> None:
    # A slow card that lacks the heavy charts would look fast in a plain mean.
    card, chart, of_card, of_chart = gaps(np.random.default_rng(2))
    values = of_card[card] + of_chart[chart]
    found = two_way(values, card, chart, np.zeros(len(card)))
    assert_allclose(found.location, of_card + of_chart.mean(), atol=1e-10)
    assert_allclose(found.chart, of_chart - of_chart.mean(), atol=1e-10)
    plain = values[card == 5].mean() - values[card == 0].mean()
    assert abs(plain - (of_card[5] - of_card[0])) > 0.2


def test_the_covariance_is_that_of_repeated_trials() -> None:
    rng = np.random.default_rng(3)
    card, chart, of_card, of_chart = gaps(rng)
    first = None
    locations, stated = [], []
    for _ in range(2000):
        values = of_card[card] + of_chart[chart] + 0.1 * rng.standard_normal(len(card))
        found = two_way(values, card, chart, np.zeros(len(card)))
        locations.append(found.location)
        stated.append(np.diag(found.covariance))
        first = first or found
    seen = np.var(locations, axis=0)
    assert_allclose(np.mean(stated, axis=0), seen, rtol=0.12)  # 3 sds of 2000 variances: 0.095
    assert first is not None
    draws = first.draws(np.random.default_rng(4), 20_000)
    tail = first.dof / (first.dof - 2)  # variance of a t
    assert_allclose(np.cov(draws.T), first.covariance * tail, atol=0.1 * first.covariance.max())
    weight = np.array([1.0, 0, 0, 0, 0, -1.0])
    value, se = first.contrast(weight)
    assert value == pytest.approx(first.location[0] - first.location[5])
    assert se**2 == pytest.approx(weight @ first.covariance @ weight)


def test_cells_that_agree_by_chance_are_no_better_than_their_test_error() -> None:
    card, chart = table(2, 2)
    found = two_way(np.array([0.0, 1.0, 0.5, 1.5]), card, chart, np.full(4, 0.02))
    assert found.dof == np.inf
    assert_allclose(found.se, 0.02 / np.sqrt(2))
    one = two_way(np.array([0.0, 0.3]), np.array([0, 1]), np.array([0, 0]), np.full(2, 0.02))
    assert_allclose(one.se, 0.02)


def test_cards_without_a_link_are_seen() -> None:
    card, chart = np.array([0, 0, 1, 2, 2, 3]), np.array([0, 1, 1, 2, 3, 3])
    assert linked(card, chart).tolist() == [True, True, True, False, False, False]
    assert linked(np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1])).all()
