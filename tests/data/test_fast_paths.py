"""Short cuts of reading: they give what the long way gives."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scalemodel.data.cells import Complaint, parse_number, plain_numbers
from scalemodel.data.repeats import CLOSE, MOST_STEPS, _weights, located, medians
from scalemodel.data.schema import Column

COLUMN = Column("fps", "number", "a rate", "60", low=0.5, high=1000.0)
CELLS = st.one_of(
    st.text("0123456789.,-+e_ ", max_size=6),
    st.sampled_from(
        ["", "nan", "inf", "1_0", "٣", "60", "0.5", "1000", "1000.1", "\ud800", "5.", ".5"]
    ),
)


@given(st.lists(CELLS, min_size=1, max_size=4))
@settings(derandomize=True, deadline=None)
def test_a_column_of_plain_numbers_is_what_its_cells_are(cells: list[str]) -> None:
    fast = plain_numbers(cells, COLUMN)
    slow = [parse_number(cell, COLUMN, ".") for cell in cells]
    if fast is not None:
        assert fast.tolist() == slow
    elif all(cell.replace(".", "").isdecimal() and cell.isascii() for cell in cells):
        assert any(isinstance(one, Complaint) for one in slow)


@pytest.mark.parametrize("power", [1, 2])
def test_cells_that_stay_where_they_are_change_nothing_for_the_others(power: int) -> None:
    """The plain iteration over all cells, to the last bit."""
    rng = np.random.default_rng(4)
    cell = rng.permutation(np.repeat(np.arange(40), 5))
    values, scale = rng.standard_t(2, 200), np.full(200, 0.4)
    location = medians(values, cell)
    for _ in range(MOST_STEPS):
        weight = _weights((values - location[cell]) / scale, 1.5, power)
        moved = np.bincount(cell, weight * values) / np.bincount(cell, weight)
        done = np.abs(moved - location).max() <= CLOSE * scale.min()
        location = moved
        if done:
            break
    found, weight = located(values, cell, scale, 1.5, power)
    assert np.array_equal(found, location)
    assert np.array_equal(weight, _weights((values - location[cell]) / scale, 1.5, power))
