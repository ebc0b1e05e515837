"""A fit's parameters under the layout of another one."""

from dataclasses import replace

import numpy as np
import pytest

from scalemodel.model.inputs import shape_of
from scalemodel.model.problem import FitProblem, prepare
from scalemodel.model.scales import first_scales
from scalemodel.model.warm import WarmStart
from tests.model.random_cells import (
    CARDS,
    GAME_OF_SCENE,
    random_observed,
    random_specs,
    random_theta,
)

LEFT_OUT = 2


@pytest.fixture(scope="module")
def whole() -> FitProblem:
    return problem_of(range(CARDS))


def problem_of(cards: range | list[int]) -> FitProblem:
    """Prepare a fit of some of the cards of one bench."""
    rng = np.random.default_rng(0)
    specs, observed = random_specs(rng), random_observed(rng)
    chosen = np.array(cards, dtype=np.intp)
    here = observed.take(np.flatnonzero(np.isin(observed.rows.card, chosen)))
    rows = replace(here.rows, card=np.searchsorted(chosen, here.rows.card))
    own = replace(specs.take(chosen), fitted=np.arange(len(chosen), dtype=np.intp))
    shape = shape_of(own, rows, GAME_OF_SCENE, ceiling=True)
    return prepare(replace(here, rows=rows), own, shape)


def warm_start(whole: FitProblem, theta: np.ndarray, cards: np.ndarray) -> WarmStart:
    shape = whole.layout.shape
    places = {
        "card": cards,
        "architecture": np.arange(shape.architectures),
        "vendor": np.arange(shape.vendors),
        "platform": np.arange(shape.platforms),
        "game": np.arange(shape.games),
        "scene": np.arange(shape.scenes),
        "view": np.arange(len(shape.scene_of_view)),
    }
    kept = np.ones(len(whole.likelihood.observed.log_rate), dtype=bool)
    return WarmStart(whole.layout, theta, first_scales(whole.layout), kept, places)


def test_under_its_own_layout_nothing_changes(whole: FitProblem) -> None:
    theta = random_theta(whole, 0)
    carried = warm_start(whole, theta, np.arange(CARDS)).carried(whole.layout)
    np.testing.assert_array_equal(carried, theta)


def test_without_a_card_only_its_own_effects_are_missing(whole: FitProblem) -> None:
    cards = [card for card in range(CARDS) if card != LEFT_OUT]
    less, theta = problem_of(cards), random_theta(whole, 1)
    carried = warm_start(whole, theta, np.array(cards)).carried(less.layout)
    for group, where in zip(less.layout.groups, less.layout.positions, strict=True):
        expected = theta[whole.layout.position(group.name)]
        if group.key == "card":
            expected = np.delete(expected, LEFT_OUT)
        np.testing.assert_array_equal(carried[where], expected, err_msg=group.name)


def test_what_the_other_fit_did_not_know_starts_at_its_mean(whole: FitProblem) -> None:
    theta, cards = random_theta(whole, 2), np.arange(CARDS)
    start = warm_start(whole, theta, np.where(cards == LEFT_OUT, -1, cards))
    unknown_scene = np.arange(whole.layout.shape.scenes)
    unknown_scene[1] = -1
    start = replace(start, places={**start.places, "scene": unknown_scene})
    carried, means = start.carried(whole.layout), whole.layout.prior_mean()
    assert carried[whole.layout.position("card")[LEFT_OUT]] == 0.0
    level = whole.layout.position("level")[1]
    assert carried[level] == means[level]
    pairs = whole.layout.position("architecture_scene").reshape(-1, len(unknown_scene))
    np.testing.assert_array_equal(carried[pairs[:, 1]], means[pairs[:, 1]])
    np.testing.assert_array_equal(carried[pairs[:, 0]], theta[pairs[:, 0]])
