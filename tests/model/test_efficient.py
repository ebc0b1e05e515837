"""Cards that no other beats in both rate and price."""

import numpy as np
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from scalemodel.model.efficient import beats


def test_a_card_is_beaten_by_a_faster_one_that_is_not_dearer() -> None:
    rate, price = np.log([[60.0, 80.0, 90.0, 90.0]]), np.log([[200.0, 200.0, 300.0, 310.0]])
    found = beats(rate, price)[0]
    assert found[0].tolist() == [False, True, False, False]  # equal in price, slower
    assert not found[1].any()
    assert not found[2].any()
    assert not found[3].any()  # equal in rate, dearer: not faster is not beaten


@seed(1)
@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=8))
def test_somebody_is_never_beaten_and_beating_goes_one_way(cards: list[tuple[int, int]]) -> None:
    rate, price = (np.array([column], dtype=float) for column in zip(*cards, strict=True))
    found = beats(rate, price)[0]
    assert not (found & found.T).any()
    assert not found.any(axis=1).all()
    assert not found[int(np.argmax(rate))].any()
