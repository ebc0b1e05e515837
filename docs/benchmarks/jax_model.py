"""The model's posterior density written a second time, in JAX, and NUTS draws from it.

It takes from scalemodel only what describes the parameters (their groups, positions, priors and
the rows they act on); the physics and the likelihood are written anew, so that agreement with
scalemodel's own is a check of both. Double precision throughout.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

import jax
import jax.numpy as jnp
import numpy as np
import numpyro.diagnostics
from numpy.typing import NDArray
from numpyro.infer import MCMC, NUTS

from scalemodel.model.climbing import Climbed
from scalemodel.model.draws import Draws
from scalemodel.model.layout import Layout, RowDesign
from scalemodel.model.likelihood import squared_scale
from scalemodel.model.physics import REQUEST_SHARPNESS
from scalemodel.model.problem import FitProblem
from scalemodel.model.scales import TAIL_BOUNDS

jax.config.update("jax_enable_x64", True)

Array = NDArray[np.float64]
CHAINS, WARMUP = 4, 400
#: Directions in which the density curves less are taken to curve this much.
LEAST_CURVATURE = 0.3


@dataclass(frozen=True)
class JaxModel:
    """The posterior of a fit's parameters and scales.

    A position is what a sampler moves in: the parameters, then one number a scale: how far its log
    lies from the prior median in prior sds, but for the tail's, which is mapped into its bounds.

    Attributes:
        layout: where the parameters are.
        logs: log scales at a position.
        stage_rate: log GPU-side rates of the cells at parameters, but for the offset.
        log_likelihood: log density of the data at parameters and log scales.
        log_prior: log prior density of parameters at log scales, without the constant of 2 pi.
        log_density: log posterior density of a position, up to a constant.
        position: the position at parameters and log scales.
    """

    layout: Layout
    logs: Callable[[jax.Array], jax.Array]
    stage_rate: Callable[[jax.Array], jax.Array]
    log_likelihood: Callable[[jax.Array, jax.Array], jax.Array]
    log_prior: Callable[[jax.Array, jax.Array], jax.Array]
    log_density: Callable[[jax.Array], jax.Array]
    position: Callable[[Array, Array], Array]

    @staticmethod
    def of(problem: FitProblem) -> "JaxModel":
        """Write the density of a prepared fit."""
        layout = problem.layout
        medians, spreads = _scale_priors(layout)
        low, high = ((np.log(bound) - medians[-1]) / spreads[-1] for bound in TAIL_BOUNDS)
        stage_rate, log_likelihood = _log_likelihood(problem)
        log_prior = _log_prior(layout)

        def normal(at: jax.Array) -> jax.Array:
            free = at[layout.size :]
            return jnp.append(free[:-1], low + (high - low) * jax.nn.sigmoid(free[-1]))

        def log_density(at: jax.Array) -> jax.Array:
            theta, away = at[: layout.size], normal(at)
            logs = medians + spreads * away
            jacobian = jax.nn.log_sigmoid(at[-1]) + jax.nn.log_sigmoid(-at[-1])
            density = log_likelihood(theta, logs) + log_prior(theta, logs)
            return density - 0.5 * (away**2).sum() + jacobian

        def position(theta: Array, logs: Array) -> Array:
            free = (logs - medians) / spreads
            share = np.clip((free[-1] - low) / (high - low), 1e-3, 1 - 1e-3)
            free[-1] = np.log(share / (1 - share))
            return np.concatenate([theta, free])

        return JaxModel(
            layout=layout,
            logs=lambda at: medians + spreads * normal(at),
            stage_rate=stage_rate,
            log_likelihood=log_likelihood,
            log_prior=log_prior,
            log_density=log_density,
            position=position,
        )


def _scale_priors(layout: Layout) -> tuple[Array, Array]:
    """Return prior medians and sds of the log scales."""
    priors = [layout.scale_priors[name] for name in layout.scale_names()]
    medians = np.log([prior.median for prior in priors])
    return medians, np.array([prior.log_sd for prior in priors])


def _log_prior(layout: Layout) -> Callable[[jax.Array, jax.Array], jax.Array]:
    names = layout.scale_names()

    def log_prior(theta: jax.Array, logs: jax.Array) -> jax.Array:
        total = jnp.zeros(())
        for group, where in zip(layout.groups, layout.positions, strict=True):
            known = not isinstance(group.scale, str)
            log_sd = np.log(group.scale) if known else logs[names.index(group.scale)]
            away = (theta[where] - group.mean) * jnp.exp(-log_sd)
            total -= len(where) * log_sd
            if group.precision is None:
                total -= 0.5 * (away**2).sum()
            else:
                total -= 0.5 * away @ group.precision @ away
                total += 0.5 * np.linalg.slogdet(group.precision)[1]
        return total

    return log_prior


def _log_likelihood(
    problem: FitProblem,
) -> tuple[Callable[[jax.Array], jax.Array], Callable[[jax.Array, jax.Array], jax.Array]]:
    """Return the GPU-side rates without offset, and the log likelihood."""
    likelihood, layout = problem.likelihood, problem.layout
    speeds, observed = likelihood.speeds, likelihood.observed
    predictors = _linear_predictors(likelihood.design, layout)
    stages = speeds.log_speed.shape[1]

    def without_offset(values: list[jax.Array]) -> jax.Array:
        reference = list(values[:stages])
        times = [values[k] + values[stages + k] - speeds.log_speed[:, k] for k in range(stages)]
        _, _, _, fill, request, hit, working_set, set_growth = values[2 * stages :]
        a, t = speeds.arithmetic, speeds.traffic
        if a is not None:
            times[a] = times[a] + jnp.exp(fill) * speeds.log_width
        if t is not None:
            if a is not None:
                gap = speeds.log_speed[:, t] - speeds.log_speed[:, a] - request
                times[t] = times[t] + jax.nn.softplus(REQUEST_SHARPNESS * gap) / REQUEST_SHARPNESS
                beside = jax.nn.softplus(-REQUEST_SHARPNESS * request) / REQUEST_SHARPNESS
                reference[t] = reference[t] + beside
            saved = jax.nn.softplus(speeds.log_cache - working_set - set_growth)
            times[t] = times[t] - jnp.exp(hit) * saved
            saved = jax.nn.softplus(speeds.reference_cache - working_set)
            reference[t] = reference[t] - jnp.exp(hit) * saved
        total = jax.scipy.special.logsumexp
        return total(jnp.stack(reference), axis=0) - total(jnp.stack(times), axis=0)

    def log_likelihood(theta: jax.Array, logs: jax.Array) -> jax.Array:
        values = predictors(theta)
        log_rate, sensitivity = values[2 * stages] + without_offset(values), 1.0
        if layout.shape.has_ceiling:
            p, ceiling = jnp.exp(values[2 * stages + 2]), values[2 * stages + 1]
            gap = p * (log_rate - ceiling)
            log_rate = ceiling - jax.nn.softplus(-gap) / p
            sensitivity = jax.nn.sigmoid(-gap)
        gpu_noise, noise, tail = jnp.exp(logs[-3:])
        scale2 = observed.run_variance + noise**2 + (sensitivity * gpu_noise) ** 2
        squared = (observed.log_rate - log_rate) ** 2
        half = 0.5 * (tail + 1)
        constant = jax.lax.lgamma(half) - jax.lax.lgamma(0.5 * tail) - 0.5 * jnp.log(jnp.pi * tail)
        terms = -0.5 * jnp.log(scale2) - half * jnp.log1p(squared / (tail * scale2))
        return len(squared) * constant + terms.sum()

    return lambda theta: without_offset(predictors(theta)), log_likelihood


def _linear_predictors(design: RowDesign, layout: Layout) -> Callable[[jax.Array], list[jax.Array]]:
    """Return the map from parameters to one array (rows,) a linear predictor."""
    count = len(layout.predictors)

    def predictors(theta: jax.Array) -> list[jax.Array]:
        products = theta[design.index.T] * design.weight.T
        return [products[design.predictor == k].sum(axis=0) for k in range(count)]

    return predictors


def prior_sd(layout: Layout) -> Array:
    """Return the prior sd of each parameter at the prior medians of the scales."""
    sd = np.empty(layout.size)
    for group, where in zip(layout.groups, layout.positions, strict=True):
        known = not isinstance(group.scale, str)
        sd[where] = group.scale if known else layout.scale_priors[group.scale].median
    return sd


@dataclass(frozen=True)
class Sampled:
    """What NUTS gave: draws (chains, kept, size) and (chains, kept, scales), and its trouble."""

    theta: Array
    logs: Array
    seconds: float
    divergences: int
    steps: float

    def draws(self, names: tuple[str, ...]) -> Draws:
        """Return the draws as a fit's, each its own centre: nothing is linear then."""
        theta = self.theta.reshape(-1, self.theta.shape[-1])
        return Draws(theta, theta, np.exp(self.logs).reshape(len(theta), -1), names)

    def worst_rhat(self) -> float:
        """Return the largest R-hat over parameters and scales."""
        values = [numpyro.diagnostics.split_gelman_rubin(x) for x in (self.theta, self.logs)]
        return float(np.concatenate(values).max())

    def least_ess(self) -> float:
        """Return the smallest effective sample size over parameters and scales."""
        values = [numpyro.diagnostics.effective_sample_size(x) for x in (self.theta, self.logs)]
        return float(np.concatenate(values).min())


def straightened(
    problem: FitProblem, climbed: Climbed, model: JaxModel
) -> Callable[[jax.Array], jax.Array]:
    """Return a map from straighter coordinates to positions that leaves the fit's peak in place.

    Cells tie the offset of a card or view tightly to what its stages add up to, along a curve that
    no linear map straightens. What the sums of stages move is therefore taken back from the
    offsets, by the least squares of the cells with the priors at the peak's scales. The map shifts
    some coordinates by a function of others, so it keeps volumes.
    """
    layout, likelihood = problem.layout, problem.likelihood
    theta, scales = climbed.mode.theta, climbed.scales
    design = likelihood.design
    offset = np.flatnonzero(design.predictor == layout.predictors.index("offset"))
    slopes = np.zeros((len(design.index), layout.size))
    for term in offset:
        slopes[np.arange(len(slopes)), design.index[:, term]] += design.weight[:, term]
    sensitivity = likelihood.model(theta).sensitivity
    scale2 = squared_scale(likelihood.observed.run_variance, sensitivity, scales.noise)
    weighted = slopes * (sensitivity**2 / scale2)[:, None]
    logs = np.log([scales.values[name] for name in layout.scale_names()])
    prior = -np.asarray(jax.hessian(model.log_prior)(theta, logs))
    back = np.linalg.solve(prior + slopes.T @ weighted, weighted.T)
    back[~np.isin(np.arange(layout.size), design.index[:, offset])] = 0.0
    stage_rate = np.asarray(model.stage_rate(theta))

    def straight(at: jax.Array) -> jax.Array:
        moved = model.stage_rate(at[: layout.size]) - stage_rate
        return at - jnp.append(back @ moved, jnp.zeros(len(at) - layout.size))

    return straight


def sample(problem: FitProblem, climbed: Climbed, model: JaxModel, kept: int, seed: int) -> Sampled:
    """Draw from the posterior with NUTS.

    The sampler moves in coordinates in which the posterior is about a unit normal: straightened,
    then scaled by the Hessian at the fit's peak. That saves it most of its steps and changes its
    speed, not what it draws. Chains start scattered.
    """
    started = time.process_time()
    scales = climbed.scales.values
    logs = np.log([scales[name] for name in model.layout.scale_names()])
    peak, straight = model.position(climbed.mode.theta, logs), straightened(problem, climbed, model)
    unit = np.append(prior_sd(model.layout), np.ones(len(logs)))

    def density(at: jax.Array) -> jax.Array:
        return model.log_density(straight(peak + unit * at))

    curvature = -np.asarray(jax.jit(jax.hessian(density))(np.zeros(len(peak))))
    values, vectors = np.linalg.eigh(curvature)
    spread = vectors / np.sqrt(np.maximum(values, LEAST_CURVATURE))
    mcmc = MCMC(
        NUTS(
            potential_fn=lambda at: -density(spread @ at),
            target_accept_prob=0.95,
            max_tree_depth=(6, 10),
        ),
        num_warmup=WARMUP,
        num_samples=kept,
        num_chains=CHAINS,
        chain_method="sequential",
        progress_bar=False,
    )
    start = np.random.default_rng(seed).standard_normal((CHAINS, len(peak)))
    fields = ("diverging", "num_steps")
    mcmc.run(jax.random.PRNGKey(seed), init_params=start, extra_fields=fields)
    drawn = np.asarray(mcmc.get_samples(group_by_chain=True))
    at = jax.vmap(jax.vmap(lambda one: straight(peak + unit * (spread @ one))))(drawn)
    extra = mcmc.get_extra_fields()
    return Sampled(
        np.asarray(at[..., : model.layout.size]),
        np.asarray(jax.vmap(jax.vmap(model.logs))(at)),
        time.process_time() - started,
        int(extra["diverging"].sum()),
        float(extra["num_steps"].mean()),
    )
