"""Cards beside each other over charts with gaps."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import t as student

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.two_way import linked, two_way


def table(cards: int, charts: int) -> tuple[IntArray, IntArray]:
    return np.repeat(np.arange(cards), charts), np.tile(np.arange(charts), cards)


def test_without_gaps_locations_are_means() -> None:
    rng = np.random.default_rng(1)
    card, chart = table(5, 7)
    values = rng.standard_normal(35)
    found = two_way(values, card, chart, np.zeros(35), chart)
    table_of = values.reshape(5, 7)
    assert_allclose(found.location, table_of.mean(axis=1), atol=1e-12)
    # Theorem: the error of a difference is that of the mean of 7 paired differences; what five
    # cards share is made up for by 5 / 4.
    assert found.dof == 6
    value, se = found.contrast(np.array([1.0, -1.0, 0, 0, 0]))
    differences = table_of[0] - table_of[1]
    assert value == pytest.approx(differences.mean())
    assert se**2 == pytest.approx(differences.var(ddof=1) / 7 * 5 / 4)


def gaps(rng: np.random.Generator) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return a table in which slow cards lack the heavy charts, and its true effects."""
    card, chart = table(6, 10)
    here = ~((card >= 4) & (chart >= 6)) & (rng.random(60) > 0.1)
    return card[here], chart[here], np.linspace(0, -1.5, 6), np.linspace(0.5, -0.9, 10)


def test_gaps_do_not_move_cards() -> None:
    # A slow card that lacks the heavy charts would look fast in a plain mean.
    card, chart, of_card, of_chart = gaps(np.random.default_rng(2))
    values = of_card[card] + of_chart[chart]
    found = two_way(values, card, chart, np.zeros(len(card)), chart)
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
        found = two_way(values, card, chart, np.zeros(len(card)), chart)
        locations.append(found.location)
        stated.append(np.diag(found.covariance))
        first = first or found
    seen = np.var(locations, axis=0)
    # 3 sds of 2000 variances are 0.095; the factor for few games is exact without gaps only.
    assert_allclose(np.mean(stated, axis=0), seen, rtol=0.2)
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
    found = two_way(np.array([0.0, 1.0, 0.5, 1.5]), card, chart, np.full(4, 0.02), chart)
    assert found.dof == np.inf
    assert_allclose(found.se, 0.02 / np.sqrt(2))
    card, chart = np.array([0, 1]), np.array([0, 0])
    one = two_way(np.array([0.0, 0.3]), card, chart, np.full(2, 0.02), chart)
    assert_allclose(one.se, 0.02)


def test_cards_without_a_link_are_seen() -> None:
    card, chart = np.array([0, 0, 1, 2, 2, 3]), np.array([0, 1, 1, 2, 3, 3])
    assert linked(card, chart).tolist() == [True, True, True, False, False, False]
    assert linked(np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1])).all()


def test_a_liking_for_a_game_counts_once_however_many_charts_it_has() -> None:
    # 10 games at 3 resolutions; what a card does to a game it does at each. 400 trials: 3 sds of
    # a share of 0.8 are 0.06. Taken as 30 independent charts the ranges would hold about 0.55.
    rng = np.random.default_rng(6)
    card, chart = table(8, 30)
    game, held, dof = chart // 3, 0, 0.0
    for _ in range(400):
        liking = 0.05 * rng.standard_normal((8, 10))
        values = liking[card, game] + 0.005 * rng.standard_normal(240)
        found = two_way(values, card, chart, np.full(240, 0.003), game)
        lead, se = found.contrast(np.array([1.0, -1.0, 0, 0, 0, 0, 0, 0]))
        held += abs(lead) <= student.ppf(0.9, found.dof) * se
        dof = found.dof
    assert dof == 9
    assert held / 400 == pytest.approx(0.82, abs=0.06)  # 8 / 7 in the variance widens a little
