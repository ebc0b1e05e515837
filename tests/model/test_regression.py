import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, stats

from scalemodel.errors import ScalemodelError
from scalemodel.model.regression import fit_censored, least_squares, predict


def collinear_specs(seed: int, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    speed = rng.normal(8, 0.6, n)
    bandwidth = 0.9 * speed + rng.normal(0, 0.15, n)
    X = np.column_stack([np.ones(n), speed, bandwidth])
    return X, X @ [0.5, 0.6, 0.2] + rng.normal(0, 0.05, n)


def test_covariance_is_the_textbook_one() -> None:
    X, y = collinear_specs(1)
    fit = least_squares(X, y)
    assert_allclose(fit.covariance, fit.residual_sd**2 * np.linalg.inv(X.T @ X), rtol=1e-9)
    assert_allclose(fit.standard_errors, np.sqrt(np.diag(fit.covariance)), rtol=1e-14)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.lists(st.floats(1e-8, 1e8), min_size=3, max_size=3), st.integers(0, 5))
def test_units_of_the_columns_do_not_matter(units: list[float], seed: int) -> None:
    X, y = collinear_specs(seed)
    plain, scaled = least_squares(X, y), least_squares(X * units, y)
    assert_allclose(scaled.coefficients * units, plain.coefficients, rtol=1e-9)
    assert_allclose(scaled.standard_errors * units, plain.standard_errors, rtol=1e-9)


def test_more_rows_than_columns_are_needed_for_scatter_only() -> None:
    fit = least_squares([[1.0, 0.0], [1.0, 2.0]], [3.0, 7.0])
    assert_allclose(fit.coefficients, [3.0, 2.0])
    assert fit.dof == 0
    assert np.isnan(fit.residual_sd)
    assert np.isnan(fit.standard_errors).all()


def test_results_are_read_only() -> None:
    fit = least_squares(*collinear_specs(1))
    with pytest.raises(ValueError, match="read-only"):
        fit.coefficients[0] = 0.0


def test_dependent_columns_are_named() -> None:
    X = np.column_stack([np.ones(5), np.arange(5.0), np.arange(5.0) / 2])
    message = (
        r"^regression on 3 columns and 5 rows: only 2 columns are linearly independent; "
        r"leave out columns \[2\] \(counted from 0\) or add rows$"
    )
    with pytest.raises(ScalemodelError, match=message):
        least_squares(X, np.arange(5.0))


def test_fewer_rows_than_columns_are_refused() -> None:
    with pytest.raises(ScalemodelError, match="only 2 columns are linearly independent"):
        least_squares(np.eye(3)[:2], [1.0, 2.0])


def test_shapes_and_gaps_are_explained() -> None:
    with pytest.raises(ScalemodelError, match=r"X has shape \(3,\), y \(3,\)"):
        least_squares([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    with pytest.raises(ScalemodelError, match=r"rows \[0, 2\] \(counted from 0\)"):
        least_squares([[1.0], [1.0], [np.inf]], [np.nan, 1.0, 2.0])


def test_ranges_of_predictions_hold_their_level() -> None:
    """Exact theory (Student t): 90% ranges hold 90% of new observations; 4 standard errors."""
    rng = np.random.default_rng(5)
    x = np.linspace(0, 1, 8)
    X, X_new = np.column_stack([np.ones(8), x]), [[1.0, 1.6]]
    held_new, held_mean, repeats = 0, 0, 3000
    t = stats.t.ppf(0.95, 6)
    for _ in range(repeats):
        fit = least_squares(X, 1 + 2 * x + rng.normal(0, 0.3, 8))
        new = predict(fit, X_new, new_observation=True)
        mean = predict(fit, X_new, new_observation=False)
        held_new += abs(4.2 + rng.normal(0, 0.3) - new.mean[0]) <= t * new.standard_error[0]
        held_mean += abs(4.2 - mean.mean[0]) <= t * mean.standard_error[0]
    allowed = 4 * np.sqrt(0.9 * 0.1 / repeats)
    assert abs(held_new / repeats - 0.9) < allowed
    assert abs(held_mean / repeats - 0.9) < allowed


def censored_data(seed: int, n: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rows with bounds of their own, some open."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=n)])
    y = X @ [1.0, 2.0] + rng.normal(0, 0.7, n)
    lower = np.where(rng.uniform(size=n) < 0.3, rng.normal(0, 1, n), -np.inf)
    upper = np.where(rng.uniform(size=n) < 0.5, rng.normal(2.5, 0.5, n), np.inf)
    return X, y, np.minimum(lower, 1.0), np.maximum(upper, 1.5)


def loglik(theta: np.ndarray, data: tuple[np.ndarray, ...]) -> float:
    """The likelihood written down a second time, through scipy.stats."""
    X, y, lower, upper = data
    law = stats.norm(X @ theta[:-1], np.exp(theta[-1]))
    rows = np.where(
        y <= lower, law.logcdf(lower), np.where(y >= upper, law.logsf(upper), law.logpdf(y))
    )
    return float(rows.sum())


@pytest.mark.parametrize("seed", range(4))
def test_censored_fit_is_the_maximum_of_the_likelihood(seed: int) -> None:
    data = censored_data(seed)
    fit = fit_censored(*data)
    best = np.append(fit.coefficients, fit.log_scale)
    assert fit.status == "converged"
    assert_allclose(fit.loglik, loglik(best, data), rtol=1e-12)
    gradient = optimize.approx_fprime(best, loglik, 1e-6, data)
    assert_allclose(gradient, 0, atol=1e-3)
    h = 1e-4
    steps = np.eye(3) * h
    hessian = np.array(
        [
            [
                loglik(best + a + b, data)
                - loglik(best + a - b, data)
                - loglik(best - a + b, data)
                + loglik(best - a - b, data)
                for a in steps
            ]
            for b in steps
        ]
    ) / (4 * h * h)
    assert_allclose(fit.covariance, np.linalg.inv(-hessian), rtol=1e-4, atol=1e-8)


def test_without_bounds_it_is_least_squares() -> None:
    X, y = collinear_specs(2)
    fit, plain = fit_censored(X, y), least_squares(X, y)
    assert_allclose(fit.coefficients, plain.coefficients, rtol=1e-9)
    assert_allclose(np.exp(fit.log_scale), plain.residual_sd * np.sqrt(37 / 40), rtol=1e-9)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.floats(1e-3, 1e4), st.floats(-50, 50), st.integers(0, 3))
def test_units_of_y_do_not_matter(unit: float, shift: float, seed: int) -> None:
    X, y, lower, upper = censored_data(seed)
    plain = fit_censored(X, y, lower, upper)
    moved = fit_censored(X, unit * y + shift, unit * lower + shift, unit * upper + shift)
    expected = unit * plain.coefficients + [shift, 0.0]
    assert_allclose(moved.coefficients, expected, rtol=1e-6, atol=1e-6 * unit)
    assert_allclose(moved.log_scale, plain.log_scale + np.log(unit), atol=1e-6)


def test_mirror_image_swaps_the_tails() -> None:
    X, y, lower, upper = censored_data(1)
    plain, mirror = fit_censored(X, y, lower, upper), fit_censored(X, -y, -upper, -lower)
    assert_allclose(mirror.coefficients, -plain.coefficients, rtol=1e-8)
    assert_allclose(mirror.loglik, plain.loglik, rtol=1e-10)


def test_a_ceiling_is_seen_through() -> None:
    """Rates cut at a ceiling: the slope survives censoring, and not being told of it."""
    rng = np.random.default_rng(7)
    x = rng.uniform(0, 2, 4000)
    X = np.column_stack([np.ones_like(x), x])
    y = np.minimum(4 + 0.8 * x + rng.normal(0, 0.05, x.size), 5.0)
    fit = fit_censored(X, y, upper=5.0)
    assert abs(fit.coefficients[1] - 0.8) < 4 * np.sqrt(fit.covariance[1, 1])
    assert least_squares(X, y).coefficients[1] < 0.6


def test_all_rows_censored_is_refused() -> None:
    with pytest.raises(ScalemodelError, match="all 3 rows are censored"):
        fit_censored(np.ones((3, 1)), [1.0, 2.0, 3.0], lower=[1, 0, 4], upper=[9, 2, 9])


def test_crossed_bounds_are_refused() -> None:
    with pytest.raises(ScalemodelError, match="every lower bound must be below its upper one"):
        fit_censored(np.ones((2, 1)), [1.0, 2.0], lower=[0, 3], upper=[2, 3])


@pytest.mark.parametrize(
    "y",
    [
        pytest.param([0, 1, 2, 5, 5, 5], id="a feature only seen at the ceiling"),
        pytest.param([1, 1, 1, 5, 5, 5], id="no scatter either"),
        pytest.param([3, 3, 3, 3, 3, 3], id="no scatter at all"),
    ],
)
def test_a_maximum_at_infinity_is_said(y: list[float]) -> None:
    X = np.column_stack([np.ones(6), [0, 0, 0, 1, 1, 1]])
    fit = fit_censored(X, y, upper=5)
    assert fit.status == "no finite maximum"
    assert np.isnan(fit.covariance).all()


def test_censored_on_both_sides_can_determine_a_feature_never_seen_inside() -> None:
    X = np.column_stack([np.ones(7), [0, 0, 0, 1, 1, 1, 1]])
    fit = fit_censored(X, [1, 2, 3, 0, 0, 9, 9], lower=0, upper=9)
    assert fit.status == "converged"
    assert_allclose(fit.coefficients.sum(), 4.5, atol=1e-6)  # by symmetry
