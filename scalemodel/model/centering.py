"""From the mode to the mean: how far the normal approximations around the modes are moved.

A skewed posterior has its mean beside its mode. A normal distribution fits it best where the slope
of the log posterior, averaged over the normal's own draws, vanishes (Opper & Archambeau 2009,
Neural Computation 21). One Newton step is taken from the mode towards that. Two things keep it
sound where the posterior is far from normal:

- Cells tie offsets tightly to what the stages add up to, along a curve. Draws are straightened:
  what the rate of a draw has beyond its linear part is taken back from the offsets, by the least
  squares of the cells with the priors. That shifts some coordinates by a function of others, so it
  keeps volumes.
- A draw far out, where the posterior has hardly any mass, would decide alone. Slopes longer than
  those of a normal posterior's draws are cut to their length (Huber 1964, Annals of Mathematical
  Statistics 35, for residuals).
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from scalemodel.model.arrays import BoolArray, FloatArray
from scalemodel.model.arrow import Arrow
from scalemodel.model.likelihood import (
    CellLikelihood,
    Noise,
    as_predictors,
    capped_model,
    cell_slopes,
    gpu_slopes,
    linear_predictors,
)
from scalemodel.model.mode import Mode, Prior
from scalemodel.model.physics import GpuSide, gpu_side

#: Cells times draws that are worked on at a time.
AT_ONCE = 20_000


@dataclass(frozen=True)
class NormalPoint:
    """The normal approximation at one point of the scales' posterior.

    Attributes:
        mode: its mode, at `mode.ahead`.
        prior, noise: the prior and the noise scales there.
        away: (draws, size) how far its draws lie from the mode, as many on either side.
    """

    mode: Mode
    prior: Prior
    noise: Noise
    away: FloatArray


@dataclass(frozen=True)
class Leaning:
    """Where the posterior leans at one point of the scales.

    Attributes:
        step: (size,) a Newton step towards its mean.
        straight: coordinates in which it was taken.
    """

    step: FloatArray
    straight: "_Straight"


def leaning(likelihood: CellLikelihood, terms: "Terms", point: NormalPoint) -> Leaning:
    """Find where the posterior leans around a mode. Of the mode itself nothing is kept."""
    straight = _Straight.at(likelihood, terms, point)
    # A draw far out may overflow; it then counts for nothing.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return Leaning(capped_step(point.mode.factors, straight.slopes()), straight)


def shift_to_mean(leanings: list[Leaning]) -> FloatArray:
    """Return (size,) how far the mean of the posterior lies from the modes.

    One shift is found for all points together, since the few draws at each say little.
    """
    step = np.mean([one.step for one in leanings], axis=0)
    taken = np.zeros_like(step)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for one in leanings:
            straight = one.straight
            taken += straight.taken_back(straight.remainder(step)).mean(axis=1) / len(leanings)
    shift: FloatArray = step - taken
    return shift


def capped_step(factors: Arrow, slopes: FloatArray) -> FloatArray:
    """Return Newton's step along the mean of slopes (size, draws), none of which counts too much.

    The length of a slope is taken in the metric of H^-1. For draws of a normal distribution with
    precision H its expected square is `size`; longer ones are cut to that.
    """
    steps = factors.solve(slopes)
    length2 = np.maximum((slopes * steps).sum(axis=0), len(slopes))
    step: FloatArray = (steps * np.sqrt(len(slopes) / length2)).mean(axis=1)
    return step


@dataclass(frozen=True)
class Terms:
    """What parameters add to the linear predictors of cells, as sparse matrices.

    Attributes:
        all: (size, rows * predictors) of every linear predictor.
        offset: (size, rows) of the offset.
        of_offset: (size,) whether a parameter adds to it.
    """

    all: csr_array
    offset: csr_array
    of_offset: BoolArray

    @staticmethod
    def of(likelihood: CellLikelihood) -> "Terms":
        """Return the terms of the cells of a likelihood."""
        design, layout = likelihood.design, likelihood.layout
        count, at = len(layout.predictors), layout.predictors.index("offset")
        rows = np.arange(len(design.index))[:, None]
        columns = rows * count + design.predictor
        shape = (layout.size, len(rows) * count)
        places = (design.index.ravel(), columns.ravel())
        every = csr_array((design.weight.ravel(), places), shape=shape)
        of_offset = np.isin(np.arange(layout.size), design.index[:, design.predictor == at])
        return Terms(every, every[:, at::count], of_offset)


@dataclass(frozen=True)
class _Straight:
    """Coordinates in which the posterior around a mode is straighter.

    Attributes:
        likelihood: that of the cells.
        terms: what the parameters add to their linear predictors.
        center: (size,) the mode.
        prior, noise, away: as of the point.
        log_gpu: (rows,) log GPU rates at the mode.
        slope: (rows, predictors) their derivatives.
        weight: (rows,) information about them.
        factors: factors of the information about the parameters of the offset.
    """

    likelihood: CellLikelihood
    terms: Terms
    center: FloatArray
    prior: Prior
    noise: Noise
    away: FloatArray
    log_gpu: FloatArray
    slope: FloatArray
    weight: FloatArray
    factors: Arrow

    @staticmethod
    def at(likelihood: CellLikelihood, terms: Terms, point: NormalPoint) -> "_Straight":
        """Return the coordinates around a mode."""
        mode, tail = point.mode, point.noise.tail
        values = linear_predictors(likelihood.design, likelihood.layout, mode.ahead)
        gpu = gpu_side(likelihood.speeds, as_predictors(values, _stages(likelihood)))
        model = likelihood.model(mode.theta)
        _, cells = cell_slopes(likelihood.observed, model, point.noise)
        weight = cells.weight * (tail + 1) / (tail + 3) / cells.scale2
        return _Straight(
            likelihood=likelihood,
            terms=terms,
            center=mode.ahead,
            prior=point.prior,
            noise=point.noise,
            away=point.away,
            log_gpu=gpu.log_rate,
            slope=gpu_slopes(gpu),
            weight=weight * model.sensitivity**2,
            factors=mode.information.only(terms.of_offset).factorise(),
        )

    def remainder(self, step: FloatArray) -> FloatArray:
        """Return what rates (draws, rows) have beyond their linear part, draws moved by a step."""
        moved = self._predictors(step)
        found = []
        for draws in self._some_at_a_time():
            away = self._predictors(draws) + moved[:, None]
            found.append(self._beyond(away, self._gpu(away).log_rate))
        return np.concatenate(found)

    def taken_back(self, remainder: FloatArray) -> FloatArray:
        """Return (size, draws) what the parameters of the offset give to make up for that."""
        return self.factors.solve(self.terms.offset @ (remainder * self.weight).T)

    def slopes(self) -> FloatArray:
        """Return (size, draws) derivatives of the log posterior by the coordinates at the draws."""
        return np.concatenate([self._slopes(some) for some in self._some_at_a_time()], axis=1)

    def _slopes(self, draws: FloatArray) -> FloatArray:
        """Return the same for some draws, (draws, size) away from the mode."""
        away = self._predictors(draws)
        gpu = self._gpu(away)
        gpu_slope = gpu_slopes(gpu)
        taken = self.taken_back(self._beyond(away, gpu.log_rate))
        model = capped_model(
            gpu.log_rate - (self.terms.offset.T @ taken).T,
            gpu_slope,
            self._predictors(self.center)[:, None] + away,
            ceiling=self.likelihood.layout.shape.has_ceiling,
        )
        by_predictor, _ = cell_slopes(self.likelihood.observed, model, self.noise)
        sound = np.isfinite(by_predictor).all(axis=(1, 2))
        by_predictor[~sound], gpu_slope[~sound] = 0.0, self.slope
        prior, theta = self.prior, self.center + draws - taken.T
        pull = np.stack([prior.precision @ (one - prior.mean) for one in theta], axis=1)
        # What is taken back from the offsets depends on the other coordinates.
        offset = self.likelihood.layout.predictors.index("offset")
        by_offset = self.terms.offset @ by_predictor[..., offset].T - pull
        back = self.factors.solve(np.where(self.terms.of_offset[:, None], by_offset, 0.0))
        tied = (self.terms.offset.T @ back).T * self.weight
        by_predictor -= (gpu_slope - self.slope) * tied[..., None]
        slopes = self.terms.all @ by_predictor.reshape(len(theta), -1).T - pull
        return np.where(sound, slopes, 0.0)

    def _some_at_a_time(self) -> list[FloatArray]:
        """Return the draws in parts small enough for what is worked out of them."""
        some = max(1, AT_ONCE // len(self.weight))
        return [self.away[k : k + some] for k in range(0, len(self.away), some)]

    def _predictors(self, theta: FloatArray) -> FloatArray:
        return linear_predictors(self.likelihood.design, self.likelihood.layout, theta)

    def _gpu(self, away: FloatArray) -> GpuSide:
        values = self._predictors(self.center)[:, None] + away
        return gpu_side(self.likelihood.speeds, as_predictors(values, _stages(self.likelihood)))

    def _beyond(self, away: FloatArray, log_gpu: FloatArray) -> FloatArray:
        beyond = log_gpu - self.log_gpu
        for slope, moved in zip(self.slope.T, away, strict=True):
            beyond -= slope * moved
        return np.where(np.isfinite(beyond), beyond, 0.0)


def _stages(likelihood: CellLikelihood) -> int:
    return int(likelihood.speeds.log_speed.shape[1])
