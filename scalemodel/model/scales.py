"""The scales: sds of the random effects and of the noise, learned from the data.

The sd of a group of effects moves to where the marginal density of the data (Laplace's
approximation) is stationary: with q the effects' squared size and e their effective number,
sd^2 = q / e (Fellner 1986, Technometrics 28; Schall 1991, Biometrika 78), here with a log-normal
prior on the sd. The noise scales maximise the log density of the residuals, expected over what the
parameters may be (Dempster, Laird & Rubin 1977, JRSS B 39).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import digamma, roots_hermitenorm

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.layout import NOISE_NAMES, Group, Layout, ScalePrior
from scalemodel.model.likelihood import CellLikelihood, Noise, squared_scale, student_log_density
from scalemodel.model.mode import Mode

#: Bounds of the t's degrees of freedom: below, its variance is infinite; above, it is normal.
TAIL_BOUNDS = (2.5, 40.0)
NOISE_BOUNDS = (1e-5, 1.0)
BOUNDS = dict(zip(NOISE_NAMES, (NOISE_BOUNDS, NOISE_BOUNDS, TAIL_BOUNDS), strict=True))
#: Nodes of the quadrature over a cell's residual, and their weights.
NODES, WEIGHTS = roots_hermitenorm(5)


@dataclass(frozen=True)
class Scales:
    """Learned scales and what is known of them.

    Attributes:
        values: each scale by name, the noise scales among them.
        log_sd: posterior sd of the log of each.
    """

    values: Mapping[str, float]
    log_sd: Mapping[str, float]

    @property
    def noise(self) -> Noise:
        """The noise scales."""
        return Noise(*(self.values[name] for name in NOISE_NAMES))

    def moved(self, steps: Mapping[str, float]) -> "Scales":
        """Return the scales after steps of their logs; those of the noise stay within bounds."""
        values = {n: v * float(np.exp(steps.get(n, 0.0))) for n, v in self.values.items()}
        for name, bounds in BOUNDS.items():
            if steps.get(name, 0.0) != 0.0:
                values[name] = float(np.clip(values[name], *bounds))
        return Scales(values, self.log_sd)

    def held(self, slopes: Mapping[str, float]) -> set[str]:
        """Name the scales at a bound that slopes of the log density push out: none goes farther."""
        close = 1.0 + 1e-9
        return {
            name
            for name, (low, high) in BOUNDS.items()
            if (self.values[name] <= low * close and slopes[name] < 0.0)
            or (self.values[name] * close >= high and slopes[name] > 0.0)
        }


def first_scales(layout: Layout) -> Scales:
    """Return the prior medians of all scales."""
    priors = {name: layout.scale_priors[name] for name in layout.scale_names()}
    return Scales(
        {name: prior.median for name, prior in priors.items()},
        {name: prior.log_sd for name, prior in priors.items()},
    )


def update_scales(likelihood: CellLikelihood, mode: Mode, scales: Scales) -> Scales:
    """Return the scales after one step towards the peak of the marginal density."""
    values, log_sd = dict(scales.values), dict(scales.log_sd)
    for name, (squares, effective) in _effect_sizes(mode, scales, likelihood.layout).items():
        prior = likelihood.layout.scale_priors[name]
        if prior.log_sd > 0:
            values[name], log_sd[name] = _effect_scale(prior, squares, max(effective, 1e-3))
    residuals = Residuals.at(likelihood, mode)
    values.update(_noise_scales(residuals, likelihood.layout, scales))
    return Scales(values, log_sd)


def scale_slopes(likelihood: CellLikelihood, mode: Mode, scales: Scales) -> FloatArray:
    """Return the derivatives of the log marginal density by the log of each scale.

    They are those of Laplace's approximation at the given mode, with the information taken as
    constant around it, plus those of the priors; in the order of `Layout.scale_names`. A known
    scale has none.
    """
    layout = likelihood.layout
    slopes = {
        name: squares / scales.values[name] ** 2 - effective
        for name, (squares, effective) in _effect_sizes(mode, scales, layout).items()
    }
    noise = Residuals.at(likelihood, mode).expected(scales.noise)[1]
    slopes.update(zip(NOISE_NAMES, noise.tolist(), strict=True))
    return np.array(
        [
            slopes[name] - np.log(scales.values[name] / prior.median) / prior.log_sd**2
            if prior.log_sd > 0
            else 0.0
            for name, prior in ((n, layout.scale_priors[n]) for n in layout.scale_names())
        ]
    )


def _effect_sizes(mode: Mode, scales: Scales, layout: Layout) -> dict[str, tuple[float, float]]:
    """Return the squared size and the effective number of the effects of each scale."""
    variances = mode.factors.variances()
    border = mode.factors.border_covariance()
    sizes = dict.fromkeys(layout.scales(), (0.0, 0.0))
    for group, where in zip(layout.groups, layout.positions, strict=True):
        if isinstance(group.scale, str):
            quadratic, trace = _sizes(group, where, mode.theta, variances, border, layout)
            squares, effective = sizes[group.scale]
            more = len(where) - trace / scales.values[group.scale] ** 2
            sizes[group.scale] = (squares + quadratic, effective + more)
    return sizes


def _sizes(
    group: Group,
    where: IntArray,
    theta: FloatArray,
    variances: FloatArray,
    border: FloatArray,
    layout: Layout,
) -> tuple[float, float]:
    """Return the group's squared size at the mode and the trace of its posterior covariance."""
    away = theta[where] - group.mean
    if group.precision is None:
        return float(away @ away), float(variances[where].sum())
    begin = int(layout.bounds[-1])
    covariance = border[np.ix_(where - begin, where - begin)]
    return float(away @ group.precision @ away), float((group.precision * covariance).sum())


def _effect_scale(prior: ScalePrior, squares: float, effective: float) -> tuple[float, float]:
    """Maximise -e t - q exp(-2t)/2 - (t - t0)^2 / (2 s^2) over the log scale t, by Newton."""
    target, spread = np.log(prior.median), prior.log_sd
    t = 0.5 * np.log((squares + 1e-12) / effective)
    t = float(np.clip(t, target - 3 * spread, target + 6 * spread))
    for _ in range(50):
        shrunk = squares * np.exp(-2 * t)
        slope = shrunk - effective - (t - target) / spread**2
        curvature = 2 * shrunk + spread**-2
        step = slope / curvature
        t += float(np.clip(step, -0.5, 0.5))
        if abs(step) < 1e-10:
            break
    return float(np.exp(t)), float((2 * effective + spread**-2) ** -0.5)


@dataclass(frozen=True)
class Residuals:
    """Residuals of cells and what is not known of them.

    Attributes:
        squared: (nodes, rows) squared residuals at the nodes of what the parameters may be.
        run_variance, sensitivity: (rows,) as in the likelihood.
    """

    squared: FloatArray
    run_variance: FloatArray
    sensitivity: FloatArray

    @staticmethod
    def at(likelihood: CellLikelihood, mode: Mode) -> "Residuals":
        """Return the residuals around a mode, with the variance the parameters leave them."""
        model = mode.evaluation.model
        leverage = likelihood.sums.leverages(mode.factors, model.rate_slope)
        residual = likelihood.observed.log_rate - model.log_rate
        at_nodes = residual + NODES[:, None] * np.sqrt(leverage)
        return Residuals(at_nodes**2, likelihood.observed.run_variance, model.sensitivity)

    def expected(self, noise: Noise) -> tuple[float, FloatArray]:
        """Return the expected log density, and its derivatives by the log noise scales (3,)."""
        scale2 = squared_scale(self.run_variance, self.sensitivity, noise)
        weights = WEIGHTS / WEIGHTS.sum()
        nu = noise.tail
        density = weights @ student_log_density(self.squared, scale2, nu)
        pull = weights @ (self.squared / (nu * scale2 + self.squared))
        by_scale2 = 0.5 * ((nu + 1) * pull - 1.0) / scale2
        kernel = weights @ np.log1p(self.squared / (nu * scale2))
        by_tail = digamma((nu + 1) / 2) - digamma(nu / 2) - 1.0 / nu
        by_tail = 0.5 * (by_tail - kernel + (nu + 1) / nu * pull)
        slopes = (
            (by_scale2 * 2 * (self.sensitivity * noise.gpu) ** 2).sum(),
            (by_scale2 * 2 * noise.cell**2).sum(),
            by_tail.sum() * nu,
        )
        return float(density.sum()), np.array(slopes)


def _noise_scales(residuals: Residuals, layout: Layout, scales: Scales) -> dict[str, float]:
    """Return the noise scales at which the expected log density, priors included, peaks."""
    priors = [layout.scale_priors[name] for name in NOISE_NAMES]
    free = np.array([prior.log_sd > 0 for prior in priors])
    start = np.log([scales.values[name] for name in NOISE_NAMES])
    if not free.any():
        return {}
    medians = np.log([prior.median for prior in priors])[free]
    spreads = np.array([prior.log_sd for prior in priors])[free]

    def cost(moved: FloatArray) -> tuple[float, FloatArray]:
        logs = start.copy()
        logs[free] = moved
        density, slopes = residuals.expected(Noise(*np.exp(logs)))
        away = (moved - medians) / spreads
        return float(0.5 * (away**2).sum() - density), away / spreads - slopes[free]

    bounds = np.log(list(BOUNDS.values()))[free]
    found = start.copy()
    found[free] = minimize(cost, start[free], method="L-BFGS-B", jac=True, bounds=bounds).x
    return {n: float(np.exp(v)) for n, v in zip(NOISE_NAMES, found, strict=True)}
