"""One shift of many charts is one surprise, and the draws say how usual it is."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from scalemodel.model.surprise import SELDOM, Groups, find_shifts, tail_share, two_sided

GAMES, RESOLUTIONS = 6, 3
CHARTS = GAMES * RESOLUTIONS
GAME, RESOLUTION = np.repeat(np.arange(GAMES), RESOLUTIONS), np.tile(np.arange(RESOLUTIONS), GAMES)
EVERYWHERE = 0


def groups() -> Groups:
    """Everywhere; then each game and each resolution beside the others."""
    members = [np.ones(CHARTS, dtype=bool)]
    members += [game == GAME for game in range(GAMES)]
    members += [resolution == RESOLUTION for resolution in range(RESOLUTIONS)]
    beside = [np.zeros(CHARTS, dtype=bool), *(~m for m in members[1:])]
    return Groups(np.array(members), np.array(beside))


def cards(rng: np.random.Generator, count: int) -> np.ndarray:
    """Log rates of cards whose charts share an offset, and whose games share another."""
    own = 0.03 * rng.standard_normal((count, 1))
    game = 0.01 * rng.standard_normal((count, GAMES))[:, GAME]
    return own + game + 0.006 * rng.standard_t(5, size=(count, CHARTS))


def test_tail_shares_by_hand() -> None:
    draws = np.array([[1.0], [2.0], [3.0], [4.0]])
    share = tail_share(draws, np.array([2.5]))
    assert_allclose(share, (2 + 0.5) / 5)
    assert_allclose(tail_share(draws, np.array([9.0])), 0.9)
    assert_allclose(tail_share(draws, np.array([2.0])), (1.5 + 0.5) / 5)  # a tie counts half
    assert_allclose(two_sided(np.array([0.9, 0.5, 0.1])), [0.2, 1.0, 0.2])


def test_weights_are_a_mean_less_the_mean_beside() -> None:
    tried = Groups(
        np.array([[True, True, False], [True, False, False]]),
        np.array([[False, False, False], [False, True, True]]),
    )
    assert_allclose(tried.weights(), [[0.5, 0.5, 0.0], [1.0, -0.5, -0.5]])


def test_cards_like_the_draws_seldom_surprise() -> None:
    """Of 400 such cards 5% may: 20, give or take four binomial errors and those of 256 draws."""
    rng = np.random.default_rng(1)
    draws = cards(rng, 256)
    found = [find_shifts(draws, card, groups()) for card in cards(rng, 400)]
    share = np.mean([bool(one.shifts) for one in found])
    error = np.sqrt(SELDOM * (1 - SELDOM) * (1 / 400 + 1 / 256))
    assert abs(share - SELDOM) < 4 * error
    # The probabilities themselves are uniform: a quarter lies below a quarter.
    assert abs(np.mean([one.p < 0.25 for one in found]) - 0.25) < 4 * np.sqrt(
        0.25 * 0.75 * (1 / 400 + 1 / 256)
    )


@pytest.mark.parametrize(
    ("where", "group"),
    [
        (np.ones(CHARTS, dtype=bool), EVERYWHERE),
        (GAME == 2, 3),
        (RESOLUTION == 1, 1 + GAMES + 1),
    ],
)
@pytest.mark.parametrize("size", [0.2, -0.2])
def test_a_shift_is_one_surprise_and_found_where_it_is(
    where: np.ndarray, group: int, size: float
) -> None:
    rng = np.random.default_rng(2)
    draws = cards(rng, 256)
    usual = np.median(draws, axis=0)
    found = find_shifts(draws, usual + size * where, groups())
    assert [shift.group for shift in found.shifts] == [group]
    assert_allclose(found.shifts[0].size, size, rtol=0.02)  # draws leave their median open
    assert found.p == found.shifts[0].p == 1 / 257


def test_two_shifts_are_told_apart() -> None:
    draws = cards(np.random.default_rng(3), 256)
    shifted = np.median(draws, axis=0) + 0.2 * (GAME == 1) - 0.15 * (RESOLUTION == 2)
    found = find_shifts(draws, shifted, groups())
    assert {shift.group for shift in found.shifts} == {2, 1 + GAMES + 2}
    assert len(found.shifts) == 2


def test_nothing_tried_is_no_surprise() -> None:
    empty = np.zeros((0, 3), dtype=bool)
    found = find_shifts(np.ones((4, 3)), np.ones(3), Groups(empty, empty))
    assert found.shifts == ()
    assert found.p == 1.0
