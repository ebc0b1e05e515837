"""Shapley values and logarithmic means against worked examples of the literature."""

import numpy as np
import pytest

from scalemodel.errors import ScalemodelError
from scalemodel.model.shapley import log_mean, shapley


def worth(players: int, of: "object") -> np.ndarray:
    """Return what each coalition is worth; `of` takes the set of its players."""
    assert callable(of)
    return np.array([of({p for p in range(players) if k >> p & 1}) for k in range(2**players)])


def test_glove_game() -> None:
    # Shapley 1953, Contributions to the Theory of Games II: one left glove, two right ones.
    def pairs(found: set[int]) -> int:
        return min(len(found & {0}), len(found & {1, 2}))

    np.testing.assert_allclose(shapley(worth(3, pairs)), [2 / 3, 1 / 6, 1 / 6], atol=1e-9)


def test_airport_game() -> None:
    # Littlechild & Owen 1973, Management Science 20: runways that cost 1, 2 and 3.
    def cost(found: set[int]) -> int:
        return max((player + 1 for player in found), default=0)

    np.testing.assert_allclose(shapley(worth(3, cost)), [1 / 3, 5 / 6, 11 / 6], atol=1e-9)


def test_credit_at_a_ceiling_is_shared() -> None:
    # Theorem (Shapley 1953): min(100 g, 110 c) with g from 1 to 1.5 and c from 1 to 1.2 rises
    # by 32. One factor at a time gives 10 and 0 and loses 22 of them.
    def rate(found: set[int]) -> float:
        return min(100 * (1.5 if 0 in found else 1.0), 110 * (1.2 if 1 in found else 1.0))

    values = worth(2, rate)
    np.testing.assert_allclose(shapley(values), [21, 11], atol=1e-9)
    assert list(values[1:3] - values[0]) == [10, 0]


def test_factors_of_a_product_are_their_logs_in_any_order() -> None:
    # 100 fps x 1.5 x 0.8 x 1.2 = 144. On levels, log-mean weights: Ang 2005, Energy Policy 33.
    factors = (1.5, 0.8, 1.2)

    def rate(found: set[int]) -> float:
        return float(100 * np.prod([factors[p] for p in found]))

    logs = shapley(np.log(worth(3, rate)))
    np.testing.assert_allclose(logs, np.log(factors), atol=1e-12)
    levels = logs * log_mean(144, 100)
    np.testing.assert_allclose(levels, [48.9258, -26.9258, 22.0], atol=5e-5)
    assert levels.sum() == pytest.approx(44, abs=1e-9)
    plain = shapley(worth(3, rate))
    np.testing.assert_allclose(plain, [49.333, -27.667, 22.333], atol=5e-4)


@pytest.mark.parametrize("gap", [0.0, 1e-9, 1e-5, 9e-5, 1.1e-4, 0.3])
def test_log_mean_turns_log_parts_into_parts_of_the_difference(gap: float) -> None:
    a, b = 80 * np.exp(gap), 80.0
    assert log_mean(a, b) * gap == pytest.approx(a - b, rel=1e-7, abs=1e-12)
    assert float(log_mean(a, b)) == float(log_mean(b, a))


def test_values_have_the_four_properties_that_define_them() -> None:
    # Shapley's axioms: efficiency, symmetry, a player who adds nothing gets nothing, additivity.
    rng = np.random.default_rng(4)
    first, second = rng.normal(size=(2, 16, 5))
    values = shapley(first)
    np.testing.assert_allclose(values.sum(axis=0), first[-1] - first[0], atol=1e-12)
    np.testing.assert_allclose(shapley(first + second), values + shapley(second), atol=1e-12)
    dummy = np.concatenate([first, first])
    np.testing.assert_allclose(shapley(dummy)[-1], 0, atol=1e-12)
    np.testing.assert_allclose(shapley(dummy)[:-1], values, atol=1e-12)
    sizes = np.array([k.bit_count() for k in range(16)]) ** 2.0
    np.testing.assert_allclose(shapley(sizes), 4.0)


@pytest.mark.parametrize("size", [0, 1, 3, 12])
def test_other_numbers_of_coalitions_are_refused(size: int) -> None:
    with pytest.raises(ScalemodelError, match=f"2, 4, 8, ... coalitions, got {size}"):
        shapley(np.zeros(size))
