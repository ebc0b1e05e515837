"""Linear mixed models of cells: fixed effects, random effects with learned scales, heavy tails.

    y = X b + sum over effects k of column_k · u_k[index_k] + error

with u_k normal with the learned sd `sds[k]`, and errors that are Student t with the squared scale
`known + (noise · stretch)²`. Scales are restricted maximum likelihood (Patterson & Thompson 1971,
Biometrika 58) times log-normal priors; given them the effects solve Henderson's mixed model
equations (Henderson 1975, Biometrics 31). The t is a normal with weights that are learned by the EM
steps of Lange, Little & Taylor 1989 (Journal of the American Statistical Association 84).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg
from scipy.optimize import Bounds, minimize
from threadpoolctl import threadpool_limits

from scalemodel.model.arrays import FloatArray, IntArray, read_only
from scalemodel.model.layout import ScalePrior

#: Rounds of weights at most, and the largest change of a weight at which they have settled.
MOST_ROUNDS, SETTLED = 60, 1e-5
#: Steps of a climb at most, and while weights have not settled.
MOST_STEPS, FEW_STEPS = 200, 3
#: Standard deviation of the prior of fixed effects, in root mean squares of the values: as good as
#: flat, but for columns that no row tells apart, such as steps to a ceiling that no card nears.
ALL_BUT_FLAT, LEAST_SQUARE = 100.0, 1e-12
#: A scale is looked for within this factor of its prior's median either way.
FARTHEST = np.log(1e4)
#: Step in a log scale for the curvature of the marginal density, and its least value.
STEP, LEAST_CURVATURE = 0.02, 0.05


@dataclass(frozen=True)
class Effect:
    """A random effect: one coefficient a group.

    Attributes:
        index: (rows,) group of each row, from 0.
        column: (rows,) what the coefficient is multiplied with.
        prior: of the sd of the coefficients.
        groups: number of groups.
    """

    index: IntArray
    column: FloatArray
    prior: ScalePrior
    groups: int

    def matrix(self) -> FloatArray:
        """Return the (rows, groups) matrix of the effect."""
        out = np.zeros((len(self.index), self.groups))
        out[np.arange(len(self.index)), self.index] = self.column
        return out


@dataclass(frozen=True)
class MixedData:
    """What is fitted.

    Attributes:
        y: (rows,) values.
        X: (rows, fixed) columns of the fixed effects.
        effects: the random effects.
        known: (rows,) known part of the squared scale of the errors.
        stretch: (rows,) what the noise is multiplied with.
        noise: prior of the noise.
        tail: degrees of freedom of the errors; infinite for normal ones.
    """

    y: FloatArray
    X: FloatArray
    effects: tuple[Effect, ...]
    known: FloatArray
    stretch: FloatArray
    noise: ScalePrior
    tail: float = np.inf

    @property
    def priors(self) -> tuple[ScalePrior, ...]:
        """Priors of all scales, the noise last."""
        return (*(effect.prior for effect in self.effects), self.noise)

    @property
    def rows(self) -> FloatArray:
        """The (rows, coefficients) matrix of fixed, then random effects."""
        return np.hstack([self.X, *(effect.matrix() for effect in self.effects)])

    def take(self, keep: IntArray) -> "MixedData":
        """Return some of the rows; groups keep their numbers."""
        effects = tuple(
            Effect(e.index[keep], e.column[keep], e.prior, e.groups) for e in self.effects
        )
        return replace(
            self,
            y=self.y[keep],
            X=self.X[keep],
            effects=effects,
            known=self.known[keep],
            stretch=self.stretch[keep],
        )


@dataclass(frozen=True)
class MixedFit:
    """A fitted mixed model.

    Attributes:
        coefficients: (coefficients,) fixed, then random effects.
        covariance: their covariance at these scales.
        log_scales: log sd of each effect, then of the noise.
        weight: (rows,) what each row counts, about 1.
        status: "converged" or what did not.
        criterion: -2 log restricted likelihood without priors, at these weights.
        data: what was fitted.
    """

    coefficients: FloatArray
    covariance: FloatArray
    log_scales: FloatArray
    weight: FloatArray
    status: str
    criterion: float
    data: MixedData

    @property
    def sds(self) -> FloatArray:
        """Sd of each random effect."""
        return np.asarray(np.exp(self.log_scales[:-1]))

    @property
    def noise(self) -> float:
        """Scale of the errors beyond what is known."""
        return float(np.exp(self.log_scales[-1]))

    @property
    def residual(self) -> FloatArray:
        """(rows,) values less what the model gives, random effects included."""
        return np.asarray(self.data.y - self.data.rows @ self.coefficients)


@dataclass(frozen=True)
class _Solved:
    """The mixed model equations at given scales and weights."""

    coefficients: FloatArray
    covariance: FloatArray
    criterion: float
    slope: FloatArray
    leverage: FloatArray


def fit_mixed(data: MixedData, start: FloatArray | None = None) -> MixedFit:
    """Fit a mixed model; log scales of a like one, if given, are where the search begins."""
    with threadpool_limits(limits=1, user_api="blas"):
        if start is None:
            start = np.log([prior.median for prior in data.priors])
        return _fit(data, start)


def _fit(data: MixedData, scales: FloatArray) -> MixedFit:
    rows, weight = data.rows, np.ones(len(data.y))
    scales = _climb(data, rows, weight, scales, MOST_STEPS)
    status = "converged"
    if np.isfinite(data.tail):
        status = f"weights did not settle in {MOST_ROUNDS} rounds"
        for _ in range(MOST_ROUNDS):
            moved = _weights(data, rows, weight, scales)
            done = float(np.abs(moved - weight).max()) < SETTLED
            weight = moved
            scales = _climb(data, rows, weight, scales, MOST_STEPS if done else FEW_STEPS)
            if done:
                status = "converged"
                break
    solved = _solve(data, rows, weight, scales)
    informed = _solve(data, rows, weight * _informs(data, rows, weight, scales), scales)
    return MixedFit(
        read_only(solved.coefficients),
        read_only(informed.covariance),
        read_only(scales),
        read_only(weight),
        status,
        solved.criterion,
        data,
    )


def _informs(data: MixedData, rows: FloatArray, weight: FloatArray, scales: FloatArray) -> float:
    """Return what the errors inform, as a factor on their weights.

    By Huber's sandwich (1967, Proceedings of the Fifth Berkeley Symposium 1) from the residuals, as
    one factor for all rows: errors may be lighter-tailed than the t of the fit. Between what a t
    informs, (tail + 1) / (tail + 3) (Lange, Little & Taylor 1989), and 1.
    """
    if not np.isfinite(data.tail):
        return 1.0
    square = _squares(data, rows, weight, scales)
    slope = float((weight * (data.tail - square) / (data.tail + square)).mean())
    push = float((weight**2 * square).mean() * weight.mean())
    return float(np.clip(slope**2 / push, (data.tail + 1) / (data.tail + 3), 1.0))


def _weights(
    data: MixedData, rows: FloatArray, weight: FloatArray, scales: FloatArray
) -> FloatArray:
    """Return the expected precision of each row's error given its residual (E step)."""
    square = _squares(data, rows, weight, scales)
    return np.asarray((data.tail + 1) / (data.tail + square))


def _squares(
    data: MixedData, rows: FloatArray, weight: FloatArray, scales: FloatArray
) -> FloatArray:
    """Return the expected squared errors, in squared scales."""
    solved = _solve(data, rows, weight, scales)
    square = (data.y - rows @ solved.coefficients) ** 2 + solved.leverage
    variance = data.known + (np.exp(scales[-1]) * data.stretch) ** 2
    return np.asarray(square / variance)


def _climb(
    data: MixedData, rows: FloatArray, weight: FloatArray, scales: FloatArray, steps: int
) -> FloatArray:
    """Return log scales of greater marginal density; of the greatest, if steps suffice."""
    middle = np.log([prior.median for prior in data.priors])

    def objective(at: FloatArray) -> tuple[float, FloatArray]:
        solved = _solve(data, rows, weight, at)
        penalty, slope = _penalty(data.priors, at)
        return solved.criterion + penalty, solved.slope + slope

    found = minimize(
        objective,
        scales,
        jac=True,
        method="L-BFGS-B",
        bounds=Bounds(middle - FARTHEST, middle + FARTHEST),
        options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": steps},
    )
    return np.asarray(found.x, dtype=np.float64)


def _penalty(priors: Sequence[ScalePrior], at: FloatArray) -> tuple[float, FloatArray]:
    """Return -2 log of the priors' density of the log scales, and its slope."""
    middle = np.log([prior.median for prior in priors])
    width = np.array([prior.log_sd for prior in priors])
    z = (at - middle) / width
    return float((z**2).sum()), 2 * z / width


def _solve(data: MixedData, rows: FloatArray, weight: FloatArray, scales: FloatArray) -> _Solved:
    """Solve the mixed model equations; give the criterion and its slope by the log scales."""
    fixed = data.X.shape[1]
    tau2, noise2 = np.exp(2 * scales[:-1]), np.exp(2 * scales[-1]) * data.stretch**2
    counts = [effect.groups for effect in data.effects]
    flat = 1 / (ALL_BUT_FLAT**2 * max(float((data.y**2).mean()), LEAST_SQUARE))
    prior = np.concatenate(
        [
            np.full(fixed, flat),
            *(np.full(n, 1 / t) for n, t in zip(counts, tau2, strict=True)),
        ]
    )
    variance = (data.known + noise2) / weight
    scaled = rows / variance[:, None]
    factor = linalg.cho_factor(rows.T @ scaled + np.diag(prior), lower=True)
    covariance = linalg.cho_solve(factor, np.eye(len(prior)))
    b = covariance @ (scaled.T @ data.y)
    leverage = np.einsum("ij,ij->i", rows @ covariance, rows)
    residual = data.y - rows @ b
    criterion = float(
        np.log(variance).sum()
        + sum(n * np.log(t) for n, t in zip(counts, tau2, strict=True))
        + 2 * np.log(np.diag(factor[0])).sum()
        + (residual**2 / variance).sum()
        + (prior * b**2).sum()
        + (len(data.y) - fixed) * np.log(2 * np.pi)
    )
    slope, at = np.empty(len(scales)), fixed
    for k, (n, t) in enumerate(zip(counts, tau2, strict=True)):
        part = slice(at, at + n)
        spent = (b[part] ** 2).sum() + np.diag(covariance)[part].sum()
        slope[k], at = 2 * (n - spent / t), at + n
    share = noise2 / (data.known + noise2)
    slope[-1] = 2 * (share * (1 - (residual**2 + leverage) / variance)).sum()
    return _Solved(b, covariance, criterion, slope, leverage)


def draw_coefficients(
    fit: MixedFit, draws: int, points: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Draw coefficients (draws, coefficients) and log scales (draws, scales) together.

    Scales are drawn from the normal approximation of their log marginal density, `points` of them;
    at each the coefficients are normal.
    """
    data, weight = fit.data, fit.weight
    rng = np.random.default_rng(seed)
    with threadpool_limits(limits=1, user_api="blas"):
        rows = data.rows
        root = np.linalg.cholesky(_scale_covariance(fit, rows))
        informed = weight * _informs(data, rows, weight, fit.log_scales)
        strays = rng.standard_normal((points, len(fit.log_scales)))
        coefficients, scales = [], []
        for z in strays:
            at = fit.log_scales + root @ z
            solved = _solve(data, rows, informed, at)
            spread = np.linalg.cholesky(solved.covariance)
            own = rng.standard_normal((draws // points, len(solved.coefficients)))
            coefficients.append(solved.coefficients + own @ spread.T)
            scales.append(np.broadcast_to(at, (draws // points, len(at))))
    return np.concatenate(coefficients), np.concatenate(scales)


def _scale_covariance(fit: MixedFit, rows: FloatArray) -> FloatArray:
    """Return the covariance of the log scales from the curvature of their marginal density."""
    size = len(fit.log_scales)
    curvature = np.empty((size, size))
    for k in range(size):
        ends = []
        for side in (-STEP, STEP):
            at = fit.log_scales.copy()
            at[k] += side
            solved = _solve(fit.data, rows, fit.weight, at)
            ends.append(solved.slope + _penalty(fit.data.priors, at)[1])
        curvature[k] = (ends[1] - ends[0]) / (2 * STEP) / 2
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
    return np.asarray((vectors / np.maximum(values, LEAST_CURVATURE)) @ vectors.T)
