"""Published least-squares results."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.datasets import longley

from scalemodel.model.regression import least_squares, predict

NORRIS = Path(__file__).parent / "data" / "norris.dat"

# NIST Statistical Reference Datasets, linear regression, "Longley": certified values, the
# intercept last. J. W. Longley 1967, JASA 62.
LONGLEY = [
    (15.0618722713733, 84.9149257747669),
    (-0.358191792925910e-01, 0.334910077722432e-01),
    (-2.02022980381683, 0.488399681651699),
    (-1.03322686717359, 0.214274163161675),
    (-0.511041056535807e-01, 0.226073200069370),
    (1829.15146461355, 455.478499142212),
    (-3482258.63459582, 890420.383607373),
]


def test_longley_certified_values() -> None:
    data = longley.load_pandas()
    X = np.column_stack([data.exog.to_numpy(float), np.ones(len(data.endog))])
    fit = least_squares(X, data.endog.to_numpy(float))
    assert_allclose(fit.coefficients, [b for b, _ in LONGLEY], rtol=1e-8)
    assert_allclose(fit.standard_errors, [s for _, s in LONGLEY], rtol=1e-8)
    assert_allclose(fit.residual_sd**2, 92936.0061673238, rtol=1e-8)
    assert fit.dof == 9


def test_norris_certified_values() -> None:
    """NIST Statistical Reference Datasets, linear regression, "Norris" (file in data/)."""
    y, x = np.loadtxt(NORRIS, skiprows=60).T
    fit = least_squares(np.column_stack([np.ones_like(x), x]), y)
    assert_allclose(fit.coefficients, [-0.262323073774029, 1.00211681802045], rtol=1e-8)
    assert_allclose(fit.standard_errors, [0.232818234301152, 0.429796848199937e-03], rtol=1e-8)
    assert_allclose(fit.residual_sd, 0.884796396144373, rtol=1e-8)
    assert fit.dof == 34


@pytest.mark.parametrize("base", [1.0, 0.1], ids=["Wampler1", "Wampler2"])
def test_wampler_polynomials(base: float) -> None:
    """NIST Statistical Reference Datasets, linear regression; R. H. Wampler 1970, JASA 65.

    y = sum of base^i x^i for x = 0..20; every coefficient base^i, no residual.
    """
    x = np.arange(21.0)
    truth = base ** np.arange(6)
    X = x[:, None] ** np.arange(6)
    y = np.polynomial.polynomial.polyval(x, truth)
    fit = least_squares(X, y)
    assert_allclose(fit.coefficients, truth, rtol=1e-8)
    assert fit.residual_sd < 1e-12 * np.max(np.abs(y))


def test_gum_thermometer_calibration() -> None:
    """JCGM 100:2008 (GUM), H.3, Tables H.6 and H.7; readings recalled from memory.

    Results are printed rounded; each tolerance is half of the last digit.
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = least_squares(np.column_stack([np.ones(11), np.array(t) - 20]), b)
    assert_allclose(fit.coefficients[0], -0.1712, atol=5e-5)
    assert_allclose(fit.coefficients[1], 0.00218, atol=5e-6)
    assert_allclose(fit.standard_errors[0], 0.0029, atol=5e-5)
    assert_allclose(fit.standard_errors[1], 0.00067, atol=5e-6)
    correlation = fit.covariance[0, 1] / np.prod(fit.standard_errors)
    assert_allclose(correlation, -0.930, atol=5e-4)
    assert_allclose(fit.residual_sd, 0.0035, atol=5e-5)
    at_30 = predict(fit, [[1.0, 10.0]], new_observation=False)
    assert_allclose(at_30.mean, -0.1494, atol=5e-5)
    assert_allclose(at_30.standard_error, 0.0041, atol=5e-5)
    # A further reading also carries the scatter of one: 0.0041 and 0.0035 in quadrature.
    one_more = predict(fit, [[1.0, 10.0]], new_observation=True)
    assert_allclose(one_more.standard_error, 0.00542, atol=5e-6)
