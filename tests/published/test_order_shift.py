"""How far two orders of cards are apart, against theorems and textbook values."""

from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from scalemodel.errors import ScalemodelError
from scalemodel.model.ranks import order_shift


def cycles(order: tuple[int, ...]) -> int:
    seen: set[int] = set()
    count = 0
    for start in range(len(order)):
        count += start not in seen
        at = start
        while at not in seen:
            seen.add(at)
            at = order[at]
    return count


@pytest.mark.parametrize("cards", [4, 5, 6])
def test_footrule_lies_between_flips_and_transpositions_and_twice_the_flips(cards: int) -> None:
    # Diaconis & Graham 1977, JRSS B 39: I + T <= D <= 2 I; mean of D is (n^2 - 1) / 3, its largest
    # value floor(n^2 / 2).
    moved = []
    for order in permutations(range(cards)):
        shift = order_shift(np.arange(cards), np.array(order))
        transpositions = cards - cycles(order)
        assert shift.flips + transpositions <= shift.moved <= 2 * shift.flips
        assert shift.shift.sum() == 0
        moved.append(shift.moved)
    assert np.mean(moved) == pytest.approx((cards**2 - 1) / 3)
    assert max(moved) == cards**2 // 2


def test_kendall_and_spearman() -> None:
    # Kendall 1945, Biometrika 33; Spearman 1904, American Journal of Psychology 15.
    before, after = np.arange(1, 6), np.array([3, 1, 2, 5, 4])
    assert order_shift(before, after).tau == pytest.approx(0.4, abs=1e-9)
    assert order_shift(before, after).flips == 3
    assert stats.spearmanr(before, after).statistic == pytest.approx(0.6)
    shift = order_shift(before, after).shift
    assert 1 - 6 * (shift**2).sum() / (5 * 24) == pytest.approx(0.6)


def test_tied_cards() -> None:
    # tau-b of (1, 2, 2, 4) and (1, 2, 3, 4) is 5 / sqrt(30).
    shift = order_shift([1, 2, 2, 4], [1, 2, 3, 4])
    assert shift.tau == pytest.approx(5 / np.sqrt(30), abs=1e-9)
    assert shift.flips == 0.5
    assert np.isnan(order_shift([1, 1], [1, 2]).tau)


def test_orders_of_different_cards_are_refused() -> None:
    for rates in ([1.0, 2.0], [1.0, 2.0, np.nan]):
        with pytest.raises(ScalemodelError, match="the same two or more cards"):
            order_shift(rates, [1.0, 2.0, 3.0])
