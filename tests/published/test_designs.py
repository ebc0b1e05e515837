"""Published designs of experiments: which runs tell most of a linear model."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import hadamard
from scipy.sparse import csr_array

from scalemodel.model.arrays import FloatArray
from scalemodel.model.design import Course, expected_variances
from tests.model.linear_rows import linear_rows


def variances(slopes: FloatArray, runs: FloatArray, targets: FloatArray) -> FloatArray:
    """Return the variances of combinations of parameters, next to nothing known beforehand."""
    rows = linear_rows(np.vstack([slopes, targets]))
    wanted = np.hstack([np.zeros((len(targets), len(slopes))), np.eye(len(targets))])
    return expected_variances(rows, csr_array(wanted), np.append(runs, np.zeros(len(targets))))


@pytest.mark.parametrize(
    ("degree", "points"),
    [(2, [-1.0, 0.0, 1.0]), (3, [-1.0, -(5**-0.5), 5**-0.5, 1.0])],
)
def test_polynomial_designs_pass_the_equivalence_theorem(degree: int, points: list[float]) -> None:
    """Kiefer & Wolfowitz 1960, Canadian Journal of Mathematics 12 (theorem).

    A design is D-optimal if and only if its scaled variance is nowhere above the number of
    parameters. The designs: Fedorov 1972, Theory of Optimal Experiments.
    """
    grid = np.linspace(-1, 1, 401)
    runs = np.full(len(points), 1 / len(points))
    slopes, targets = (np.vander(x, degree + 1, increasing=True) for x in (np.array(points), grid))
    scaled = variances(slopes, runs, targets)
    assert scaled.max() == pytest.approx(degree + 1, abs=1e-6)
    assert_allclose(variances(slopes, runs, slopes), degree + 1, atol=1e-6)
    evenly = np.vander(np.linspace(-1, 1, len(points) + 2), degree + 1, increasing=True)
    other = variances(evenly, np.full(len(evenly), 1 / len(evenly)), targets)
    assert other.max() > 1.1 * (degree + 1)


def test_the_design_of_a_saturating_curve_passes_it_too() -> None:
    """Locally D-optimal: Bates & Watts 1988, Nonlinear Regression Analysis, chapter 3.

    v x / (K + x) with K = .06412 and x up to 1.1: half the runs at 1.1, half at .057425.
    """
    v, k, most = 212.7, 0.06412, 1.1

    def slopes(x: FloatArray) -> FloatArray:
        return np.column_stack([x / (k + x), -v * x / (k + x) ** 2 / 1000])

    low = k * most / (2 * k + most)
    assert low == pytest.approx(0.057425, abs=5e-7)
    grid = np.linspace(1e-3, most, 4000)
    scaled = variances(slopes(np.array([low, most])), np.full(2, 0.5), slopes(grid))
    assert scaled.max() == pytest.approx(2.0, abs=2e-6)
    beside = variances(slopes(np.array([1.5 * low, most])), np.full(2, 0.5), slopes(grid))
    assert beside.max() > 2.03


@pytest.mark.parametrize("n", [4, 8])
def test_weighing_objects_together_divides_the_variance(n: int) -> None:
    """Hotelling 1944, Annals of Mathematical Statistics 15; Plackett & Burman 1946 (theorem)."""
    weighings, each = hadamard(n).astype(float), np.eye(n)
    assert_allclose(variances(weighings, np.ones(n), each), 1 / n, rtol=1e-9)
    assert_allclose(variances(each, np.ones(n), each), 1.0, rtol=1e-9)
    assert np.linalg.det(weighings.T @ weighings) == pytest.approx(float(n) ** n)


def links(pairs: list[tuple[int, int]], cards: int = 5) -> FloatArray:
    out = np.zeros((len(pairs), cards))
    for row, (a, b) in enumerate(pairs):
        out[row, [a, b]] = 1, -1
    return out


@pytest.mark.parametrize(
    ("pairs", "between", "expected"),
    [
        ([(0, 1), (1, 2), (2, 3), (3, 4)], (0, 4), 4.0),
        ([(a, b) for a in range(5) for b in range(a)], (0, 4), 2 / 5),
        ([(0, 1), (0, 2), (0, 3), (0, 4)], (1, 4), 2.0),
        ([(0, 1), (1, 2), (2, 3), (3, 4), (4, 0)], (0, 1), 4 / 5),
    ],
    ids=["path", "all pairs", "star", "ring"],
)
def test_comparisons_are_resistors(
    pairs: list[tuple[int, int]], between: tuple[int, int], expected: float
) -> None:
    """Effective resistance: Bailey 2007, in Surveys in Combinatorics (theorem)."""
    found = variances(links(pairs), np.ones(len(pairs)), links([between]))
    # The levels of all cards are free, so one common level stays unknown; differences do not.
    assert_allclose(found, expected, rtol=1e-9)


def test_cards_without_a_link_are_not_compared() -> None:
    found = variances(links([(0, 1), (2, 3)]), np.ones(2), links([(0, 1), (0, 2)]))
    assert found[0] == pytest.approx(1.0)
    assert found[1] > 1e9


def test_blocks_of_days_cost_efficiency() -> None:
    """Fano plane: 7 cards on 7 days of 3; Yates 1936; Cochran & Cox 1957, Experimental Designs.

    With the days' effects free the variance of a difference is 6/7, efficiency
    lambda v / (r k) = 7/9 against 2/3 without them.
    """
    days = [{n, (n + 1) % 7, (n + 3) % 7} for n in range(7)]
    cells = [(card, day) for day, cards in enumerate(days) for card in sorted(cards)]
    slopes = np.zeros((len(cells), 14))
    for row, (card, day) in enumerate(cells):
        slopes[row, [card, 7 + day]] = 1.0
    pairs = [(a, b) for a in range(7) for b in range(a)]
    wanted = np.hstack([links(pairs, 7), np.zeros((len(pairs), 7))])
    assert_allclose(variances(slopes, np.ones(len(cells)), wanted), 6 / 7, rtol=1e-9)
    slopes[:, 7:] = 0.0
    alone = variances(slopes, np.ones(len(cells)), wanted)
    assert_allclose(alone / (6 / 7), 7 / 9, rtol=1e-9)


def test_information_of_repeats() -> None:
    """Lindley 1956: prior variance 4, noise 1, three runs tell ln(13) / 2 nats."""
    rows = linear_rows([[1.0]], precision=0.25)
    one = csr_array([[1.0]])
    after = expected_variances(rows, one, np.array([3.0]))
    assert after == pytest.approx(0.307692, abs=1e-6)
    assert 0.5 * np.log(4 / after) == pytest.approx(1.282475, abs=5e-7)
    course = Course(rows, one, 3)
    gains = []
    for _ in range(3):
        before = course.variances[0]
        course.see(course.look(0), 1.0)
        gains.append(0.5 * np.log(before / course.variances[0]))
    # What one run tells after another adds up to what all tell, each less than the one before.
    assert sum(gains) == pytest.approx(np.log(13) / 2, abs=1e-9)
    assert gains == sorted(gains, reverse=True)
