"""Least squares, and Gaussian regression with rows known only to lie beyond a bound."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, special

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray, read_only

LOG_2PI = float(np.log(2.0 * np.pi))
MAX_NEWTON_STEPS = 200
NEWTON_TOLERANCE = 1e-12  # on the expected gain in log likelihood; the last step is still taken
ROUNDING = 1e-13  # scatter smaller than this share of y is none
FLATTEST_CURVATURE = 1e-9  # of the largest; less means the maximum lies at infinity

CensoredStatus = Literal["converged", "no finite maximum", "iteration limit"]


@dataclass(frozen=True)
class LinearFit:
    """A least-squares fit of n rows on k columns; the unit of `y` is the unit of the results.

    `coefficients` and `standard_errors` have shape (k,), `covariance` (k, k); `residual_sd` is
    the square root of the residual sum of squares over `dof` = n - k. With `dof` 0 the last
    three are NaN: there is nothing left to measure scatter by.
    """

    coefficients: FloatArray
    standard_errors: FloatArray
    residual_sd: float
    covariance: FloatArray
    dof: int


@dataclass(frozen=True)
class LinearPrediction:
    """Predicted means and their standard errors, each of shape (rows,)."""

    mean: FloatArray
    standard_error: FloatArray


@dataclass(frozen=True)
class CensoredFit:
    """A Gaussian regression fitted to partly censored rows.

    `coefficients` has shape (k,); `log_scale` is the log of the standard deviation of the
    errors; `covariance`, (k + 1, k + 1), is that of the coefficients followed by `log_scale`,
    and is NaN unless `status` is "converged". "no finite maximum" means that the likelihood
    keeps rising as some parameter runs off, as when every row with a feature is censored.
    """

    coefficients: FloatArray
    log_scale: float
    loglik: float
    covariance: FloatArray
    status: CensoredStatus


def least_squares(X: ArrayLike, y: ArrayLike) -> LinearFit:
    """Fit y = X b by least squares, by pivoted QR of the columns scaled to unit length.

    Scaling and QR keep the digits that the normal equations lose when columns nearly agree, as
    the logs of clock x shaders and of bandwidth do. `X` has shape (n, k), `y` (n,).

    Raises ScalemodelError when shapes disagree, a value is not finite, or the columns of X are
    linearly dependent (fewer rows than columns included).
    """
    X, y = _checked(X, y)
    n, k = X.shape
    scale = _column_norms(X)
    Q, R, order = _pivoted_qr(X / scale)
    coefficients = np.empty(k)
    coefficients[order] = linalg.solve_triangular(R, Q.T @ y)
    coefficients /= scale
    dof = n - k
    residual = y - X @ coefficients
    residual_sd = float(np.sqrt(residual @ residual / dof)) if dof else float("nan")
    R_inverse = linalg.solve_triangular(R, np.eye(k))
    half = np.empty((k, k))
    half[order] = R_inverse * residual_sd
    half /= scale[:, None]
    covariance = half @ half.T
    return LinearFit(
        read_only(coefficients),
        read_only(np.sqrt(np.diag(covariance))),
        residual_sd,
        read_only(covariance),
        dof,
    )


def predict(fit: LinearFit, X_new: ArrayLike, *, new_observation: bool) -> LinearPrediction:
    """Predict at the rows of `X_new`, shape (m, k).

    The standard error is that of the mean; with `new_observation` that of one further
    observation, which adds its own scatter. The covariance of the coefficients is used whole:
    far from the data its off-diagonal part is most of the answer.
    """
    rows = np.asarray(X_new, dtype=np.float64)
    variance = np.einsum("ij,jk,ik->i", rows, fit.covariance, rows)
    if new_observation:
        variance = variance + fit.residual_sd**2
    return LinearPrediction(
        read_only(rows @ fit.coefficients), read_only(np.sqrt(np.maximum(variance, 0.0)))
    )


def fit_censored(
    X: ArrayLike, y: ArrayLike, lower: ArrayLike | None = None, upper: ArrayLike | None = None
) -> CensoredFit:
    """Fit y = X b + Gaussian error by maximum likelihood, with bounds row by row.

    A row at or below its `lower` is known only to be that low, one at or above its `upper` only
    to be that high (Tobin 1958, Econometrica 26). Bounds have shape (n,) or are scalars; an
    infinite bound is none. Newton's method in the parameters b / sd and 1 / sd, in which the log
    likelihood is concave (Olsen 1978, Econometrica 46), with analytic gradient and Hessian.

    Raises ScalemodelError when shapes disagree, a value is not finite, a lower bound is not
    below its upper bound, the columns of X are linearly dependent, or every row is censored.
    """
    X, y = _checked(X, y)
    y, side = _apply_bounds(y, lower, upper)
    rows, to_coefficients = _orthogonal_rows(X)
    start = rows.T @ y / y.size
    residual = y - rows @ start
    size = float(np.sqrt(np.mean(residual**2)))
    if size <= ROUNDING * np.max(np.abs(y)):  # nothing but rounding: there is no scatter
        residual, size = np.zeros_like(y), 1.0
    # What is fitted is the correction to least squares, in units of its scatter.
    W = np.column_stack([-rows, residual / size])
    theta, loglik, finished = _maximise(W, side, np.append(np.zeros(len(start)), 1.0))
    curvature = -_derivatives(W, side, theta)[2]
    status = _status(curvature, W[side == 0], finished)
    sd = size / theta[-1]
    jacobian = _natural_by_theta(theta, sd, to_coefficients)
    covariance = np.full_like(jacobian, np.nan)
    if status == "converged":
        covariance = jacobian @ np.linalg.inv(curvature) @ jacobian.T
    return CensoredFit(
        read_only(to_coefficients @ (start + theta[:-1] * sd)),
        float(np.log(sd)),
        loglik - float(np.sum(side == 0) * np.log(size)),
        read_only(covariance),
        status,
    )


def _checked(X: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return X and y as float arrays, or say what is wrong with them."""
    X = np.asarray(X, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    if X.ndim != 2 or y.ndim != 1 or X.shape[0] != y.shape[0] or X.shape[1] == 0:
        raise ScalemodelError(
            f"regression needs one row of X for each y; X has shape {X.shape}, y {y.shape}"
        )
    bad = np.flatnonzero(~(np.isfinite(X).all(axis=1) & np.isfinite(y)))
    if bad.size:
        raise ScalemodelError(
            f"regression needs finite numbers; rows {bad[:10].tolist()} (counted from 0) "
            "hold a missing or infinite value: leave them out"
        )
    return X, y


def _column_norms(X: FloatArray) -> FloatArray:
    norms: FloatArray = np.linalg.norm(X, axis=0)
    return np.where(norms > 0, norms, 1.0)


def _pivoted_qr(X: FloatArray) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return Q, R and the column order, or refuse a design with dependent columns."""
    n, k = X.shape
    q, r, order = linalg.qr(X, mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(r))
    rank = int(np.sum(diagonal > np.finfo(float).eps * max(n, k) * diagonal[0]))
    if rank < k:
        names = sorted(int(column) for column in order[rank:])
        raise ScalemodelError(
            f"regression on {k} columns and {n} rows: only {rank} columns are linearly "
            f"independent; leave out columns {names} (counted from 0) or add rows"
        )
    return np.asarray(q, np.float64), np.asarray(r, np.float64), np.asarray(order, np.intp)


def _orthogonal_rows(X: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return rows with orthogonal columns of mean square one, and the way back to X's own.

    If y = rows g then y = X b with b = way_back g. Refuses dependent columns.
    """
    n, k = X.shape
    scale = _column_norms(X)
    Q, R, order = _pivoted_qr(X / scale)
    way_back = np.empty((k, k))
    way_back[order] = linalg.solve_triangular(R, np.eye(k))
    return Q * np.sqrt(n), way_back / scale[:, None] * np.sqrt(n)


def _apply_bounds(
    y: FloatArray, lower: ArrayLike | None, upper: ArrayLike | None
) -> tuple[FloatArray, IntArray]:
    """Return y cut to its bounds, and -1, 0 or 1 a row: censored low, seen, censored high."""
    low = np.broadcast_to(np.asarray(-np.inf if lower is None else lower, float), y.shape)
    high = np.broadcast_to(np.asarray(np.inf if upper is None else upper, float), y.shape)
    if not np.all(low < high):
        raise ScalemodelError("censored regression: every lower bound must be below its upper one")
    side = np.where(y >= high, 1, np.where(y <= low, -1, 0))
    if np.all(side != 0):
        raise ScalemodelError(
            f"censored regression: all {y.size} rows are censored, so the data bound the answer "
            "but do not determine it; add rows seen inside their bounds"
        )
    return np.clip(y, low, high), side


def _derivatives(
    W: FloatArray, side: IntArray, theta: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log likelihood, gradient and Hessian in theta = (b / sd, 1 / sd).

    With W = [-X, y] the standardised residual of every row is z = W theta. A seen row adds
    log(1 / sd) - z^2 / 2, a row censored low log Phi(z), one censored high log Phi(-z).
    """
    z = W @ theta
    seen = side == 0
    sign = np.where(side > 0, -1.0, 1.0)
    log_tail = special.log_ndtr(sign * z)
    mills = np.exp(-0.5 * z**2 - 0.5 * LOG_2PI - log_tail)
    n_seen = float(np.sum(seen))
    loglik = n_seen * (np.log(theta[-1]) - 0.5 * LOG_2PI)
    loglik += np.sum(np.where(seen, -0.5 * z**2, log_tail))
    gradient = W.T @ np.where(seen, -z, sign * mills)
    gradient[-1] += n_seen / theta[-1]
    weight = np.where(seen, 1.0, mills * (mills + sign * z))
    hessian = -(W.T * weight) @ W
    hessian[-1, -1] -= n_seen / theta[-1] ** 2
    return float(loglik), gradient, hessian


def _maximise(W: FloatArray, side: IntArray, theta: FloatArray) -> tuple[FloatArray, float, bool]:
    """Newton's method with step halving; returns theta, log likelihood, and whether it settled."""
    loglik, gradient, hessian = _derivatives(W, side, theta)
    for _ in range(MAX_NEWTON_STEPS):
        step = np.linalg.lstsq(-hessian, gradient, rcond=None)[0]
        gain = float(gradient @ step)
        fraction = 1.0
        for _ in range(60):
            trial = theta + fraction * step
            if trial[-1] > 0:
                trial_loglik, trial_gradient, trial_hessian = _derivatives(W, side, trial)
                if trial_loglik >= loglik - NEWTON_TOLERANCE * (1 + abs(loglik)):
                    break
            fraction /= 2
        else:
            return theta, loglik, False
        theta, loglik, gradient, hessian = trial, trial_loglik, trial_gradient, trial_hessian
        if gain < NEWTON_TOLERANCE:
            return theta, loglik, True
    return theta, loglik, False


def _status(curvature: FloatArray, W_seen: FloatArray, finished: bool) -> CensoredStatus:
    """Tell a maximum from a likelihood that flattens out towards infinity.

    Where the seen rows alone determine every parameter the maximum is finite; only otherwise can
    it lie at infinity, and then the curvature in that direction vanishes.
    """
    if np.linalg.matrix_rank(W_seen) == W_seen.shape[1]:
        return "converged" if finished else "iteration limit"
    roots = np.linalg.eigvalsh(curvature)
    flat = bool(roots[0] < FLATTEST_CURVATURE * roots[-1])
    return "no finite maximum" if flat or not finished else "converged"


def _natural_by_theta(theta: FloatArray, sd: float, to_coefficients: FloatArray) -> FloatArray:
    """Derivative of (coefficients, log sd) by theta, for the covariance."""
    k = theta.size - 1
    jacobian = np.zeros((k + 1, k + 1))
    jacobian[:k, :k] = to_coefficients * sd
    jacobian[:k, k] = -to_coefficients @ theta[:k] * sd / theta[k]
    jacobian[k, k] = -1.0 / theta[k]
    return jacobian
