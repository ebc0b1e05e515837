"""The scales: sds of the random effects and of the noise, learned from the data.

The sd of a group of effects moves to where the marginal density of the data (Laplace's
approximation) is stationary: with q the effects' squared size and e their effective number,
sd^2 = q / e (Fellner 1986, Technometrics 28; Schall 1991, Biometrika 78), here with a log-normal
prior on the sd. The noise scales maximise the expected log density of the residuals.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.layout import NOISE_NAMES, Group, Layout, ScalePrior
from scalemodel.model.likelihood import CellLikelihood, Noise, squared_scale, student_log_density
from scalemodel.model.mode import Mode

#: Bounds of the t's degrees of freedom: below, its variance is infinite; above, it is normal.
TAIL_BOUNDS = (2.5, 40.0)
NOISE_BOUNDS = (1e-5, 1.0)


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
    layout = likelihood.layout
    variances = mode.factors.variances()
    border = mode.factors.border_covariance()
    for name in layout.scales():
        squares, effective = 0.0, 0.0
        for group, where in zip(layout.groups, layout.positions, strict=True):
            if group.scale == name:
                quadratic, trace = _sizes(group, where, mode.theta, variances, border, layout)
                squares += quadratic
                effective += len(where) - trace / values[name] ** 2
        prior = layout.scale_priors[name]
        if prior.log_sd > 0:
            values[name], log_sd[name] = _effect_scale(prior, squares, max(effective, 1e-3))
    leverage = likelihood.sums.leverages(mode.factors, mode.evaluation.model.rate_slope)
    noise, noise_sd = _noise_scales(likelihood, mode, leverage, scales)
    values.update(noise)
    log_sd.update(noise_sd)
    return Scales(values, log_sd)


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


def _noise_scales(
    likelihood: CellLikelihood, mode: Mode, leverage: FloatArray, scales: Scales
) -> tuple[dict[str, float], dict[str, float]]:
    observed, model = likelihood.observed, mode.evaluation.model
    expected = (observed.log_rate - model.log_rate) ** 2 + leverage
    priors = [likelihood.layout.scale_priors[name] for name in NOISE_NAMES]
    free = np.array([prior.log_sd > 0 for prior in priors])
    medians = np.log([prior.median for prior in priors])
    # A known scale does not move, so what its prior's spread is does not matter.
    spreads = np.array([prior.log_sd if prior.log_sd > 0 else 1.0 for prior in priors])
    start = np.log([scales.values[name] for name in NOISE_NAMES])

    def cost(moved: FloatArray) -> float:
        logs = np.where(free, 0.0, start)
        logs[free] = moved
        noise = Noise(*np.exp(logs))
        scale2 = squared_scale(observed.run_variance, model.sensitivity, noise)
        density = student_log_density(expected, scale2, noise.tail).sum()
        return float(0.5 * (((logs - medians) / spreads) ** 2).sum() - density)

    bounds = np.log([NOISE_BOUNDS, NOISE_BOUNDS, TAIL_BOUNDS])[free]
    found = start.copy()
    found[free] = minimize(cost, start[free], method="L-BFGS-B", bounds=bounds).x
    values = {n: float(np.exp(v)) for n, v in zip(NOISE_NAMES, found, strict=True)}
    share = _noise_share(observed.run_variance, model.sensitivity, Noise(*values.values()))
    rows = len(expected)
    information = np.array([2 * share[0] ** 2 * rows, 2 * share[1] ** 2 * rows, 0.02 * rows])
    log_sd = np.where(free, (information * 0.6 + spreads**-2) ** -0.5, 0.0)
    return values, dict(zip(NOISE_NAMES, log_sd.tolist(), strict=True))


def _noise_share(
    run_variance: FloatArray, sensitivity: FloatArray, noise: Noise
) -> tuple[float, float]:
    """Return the mean shares of the squared scale that are GPU-side noise and noise of a cell."""
    total = squared_scale(run_variance, sensitivity, noise)
    gpu = float(((sensitivity * noise.gpu) ** 2 / total).mean())
    return gpu, float((noise.cell**2 / total).mean())
