"""The likelihood of measured cells and its derivatives by the parameters.

A cell's log rate is Student t around the model's, with squared scale

    run_variance + noise^2 + (sensitivity * gpu_noise)^2

so that what differs between cards on the GPU side fades out towards the ceiling.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from scalemodel.model.arrays import FloatArray
from scalemodel.model.arrow import ArrowMatrix
from scalemodel.model.inputs import CardSpecs, Observed, Rows
from scalemodel.model.layout import (
    CEILING_PREDICTORS,
    OTHER_PREDICTORS,
    Layout,
    RowDesign,
)
from scalemodel.model.physics import GpuSide, Predictors, StageSpeeds, gpu_side, under_ceiling
from scalemodel.model.sums import CellSums


@dataclass(frozen=True)
class Noise:
    """Scales of the residual: on the GPU side, on every cell, and the t's degrees of freedom."""

    gpu: float
    cell: float
    tail: float


def stage_speeds(rows: Rows, specs: CardSpecs, layout: Layout) -> StageSpeeds:
    """Return what the sheets say of each row, relative to the reference card."""
    return StageSpeeds(
        log_speed=specs.log_speed[rows.card] - layout.reference.log_speed,
        log_width=specs.log_width[rows.card] - layout.reference.log_width,
        log_cache=specs.log_cache[rows.card],
        reference_cache=layout.reference.log_cache,
        arithmetic=specs.arithmetic,
        traffic=specs.traffic,
    )


def linear_predictors(design: RowDesign, layout: Layout, theta: FloatArray) -> FloatArray:
    """Return (predictors, ..., rows) linear predictors at parameters (..., size)."""
    out = np.zeros((len(layout.predictors), *theta.shape[:-1], len(design.index)))
    for term, predictor in enumerate(design.predictor):
        out[predictor] += theta[..., design.index[:, term]] * design.weight[:, term]
    return out


def as_predictors(values: FloatArray, stages: int) -> Predictors:
    """Return linear predictors (predictors, ..., rows) under their names."""
    offset, _, _, fill, request, hit, working_set, set_growth = values[2 * stages :]
    stage, growth = (np.moveaxis(v, 0, -1) for v in (values[:stages], values[stages : 2 * stages]))
    return Predictors(stage, growth, offset, fill, request, hit, working_set, set_growth)


@dataclass(frozen=True)
class CellModel:
    """The model at one parameter vector or more, for the rows of a fit.

    Attributes:
        log_gpu, log_ceiling: (..., rows) the two sides.
        log_rate, sensitivity: (..., rows) their smooth minimum and its sensitivity.
        rate_slope: (..., rows, predictors) derivatives of log_rate by the linear predictors.
        sensitivity_slope: (..., rows, predictors) derivatives of the sensitivity.
    """

    log_gpu: FloatArray
    log_ceiling: FloatArray
    log_rate: FloatArray
    sensitivity: FloatArray
    rate_slope: FloatArray
    sensitivity_slope: FloatArray


def cell_model(speeds: StageSpeeds, values: FloatArray, *, ceiling: bool) -> CellModel:
    """Evaluate the model at linear predictors (predictors, ..., rows)."""
    gpu = gpu_side(speeds, as_predictors(values, speeds.log_speed.shape[1]))
    return capped_model(gpu.log_rate, gpu_slopes(gpu), values, ceiling=ceiling)


def gpu_slopes(gpu: GpuSide) -> FloatArray:
    """Return (..., rows, predictors) derivatives of log GPU rates by the linear predictors."""
    zeros, ones = np.zeros_like(gpu.log_rate), np.ones_like(gpu.log_rate)
    others = (gpu.by_fill, gpu.by_request, gpu.by_hit, gpu.by_working_set, gpu.by_set_growth)
    rest = np.stack([ones, zeros, zeros, *others], axis=-1)
    slopes: FloatArray = np.concatenate([gpu.by_stage, gpu.by_growth, rest], axis=-1)
    return slopes


def capped_model(
    log_gpu: FloatArray, gpu_slope: FloatArray, values: FloatArray, *, ceiling: bool
) -> CellModel:
    """Evaluate the model at log GPU rates, their slopes, and linear predictors."""
    if not ceiling:
        infinite, ones = np.full_like(log_gpu, np.inf), np.ones_like(log_gpu)
        return CellModel(log_gpu, infinite, log_gpu, ones, gpu_slope, np.zeros_like(gpu_slope))
    at_ceiling = len(values) - len(OTHER_PREDICTORS) + 1
    at_log_p = at_ceiling + 1
    log_ceiling, log_p = values[at_ceiling], values[at_log_p]
    capped = under_ceiling(log_gpu, log_ceiling, log_p)
    rate_slope = gpu_slope * capped.sensitivity[..., None]
    rate_slope[..., at_ceiling] = 1.0 - capped.sensitivity
    rate_slope[..., at_log_p] = capped.rate_by_log_p
    sensitivity_slope = gpu_slope * capped.sensitivity_by_gap[..., None]
    sensitivity_slope[..., at_ceiling] = -capped.sensitivity_by_gap
    sensitivity_slope[..., at_log_p] = capped.sensitivity_by_log_p
    return CellModel(
        log_gpu, log_ceiling, capped.log_rate, capped.sensitivity, rate_slope, sensitivity_slope
    )


def squared_scale(run_variance: FloatArray, sensitivity: FloatArray, noise: Noise) -> FloatArray:
    """Return the squared scale of each cell's log rate."""
    return run_variance + noise.cell**2 + (sensitivity * noise.gpu) ** 2


def student_log_density(
    squared: FloatArray, scale2: FloatArray, tail: float | FloatArray
) -> FloatArray:
    """Return log t densities at squared residuals, with squared scales and degrees of freedom."""
    constant = gammaln((tail + 1) / 2) - gammaln(tail / 2) - 0.5 * np.log(np.pi * tail)
    kernel: FloatArray = np.log1p(squared / (tail * scale2))
    density: FloatArray = constant - 0.5 * np.log(scale2) - 0.5 * (tail + 1) * kernel
    return density


@dataclass(frozen=True)
class Evaluation:
    """Log likelihood, gradient and Fisher information at one parameter vector."""

    log_likelihood: float
    gradient: FloatArray
    information: ArrowMatrix
    model: CellModel


@dataclass(frozen=True)
class Weighed:
    """Squared scale, weight, and slope of the log scale (..., rows, predictors) of cells."""

    scale2: FloatArray
    weight: FloatArray
    scale_slope: FloatArray


def cell_slopes(observed: Observed, model: CellModel, noise: Noise) -> tuple[FloatArray, Weighed]:
    """Return (..., rows, predictors) derivatives of the log density by the linear predictors."""
    residual = observed.log_rate - model.log_rate
    scale2 = squared_scale(observed.run_variance, model.sensitivity, noise)
    weight = (noise.tail + 1) / (noise.tail + residual**2 / scale2)
    by_scale = (model.sensitivity * noise.gpu**2 / scale2)[..., None]
    scale_slope = model.sensitivity_slope * by_scale
    slopes = model.rate_slope * (weight * residual / scale2)[..., None]
    slopes += scale_slope * (weight * residual**2 / scale2 - 1.0)[..., None]
    return slopes, Weighed(scale2, weight, scale_slope)


@dataclass(frozen=True)
class CellLikelihood:
    """The likelihood of observed cells as a function of the parameters.

    Attributes:
        observed: the cells.
        layout: where the parameters are.
        speeds: what the sheets say of each cell.
        design: which parameters act on which cell.
        sums: adds up the information about all parameters.
        sums_of_ceilings: the same about those of the ceilings only.
    """

    observed: Observed
    layout: Layout
    speeds: StageSpeeds
    design: RowDesign
    sums: CellSums
    sums_of_ceilings: CellSums | None

    @staticmethod
    def of(observed: Observed, specs: CardSpecs, layout: Layout) -> "CellLikelihood":
        """Prepare the likelihood of observed cells of cards with the given sheets."""
        design = layout.design(observed.rows, specs)
        sums = CellSums.of(layout, design, observed.rows, layout.predictors)
        of_ceilings = None
        if layout.shape.has_ceiling:
            of_ceilings = CellSums.of(layout, design, observed.rows, CEILING_PREDICTORS)
        speeds = stage_speeds(observed.rows, specs, layout)
        return CellLikelihood(observed, layout, speeds, design, sums, of_ceilings)

    def model(self, theta: FloatArray) -> CellModel:
        """Return the model of every cell at `theta`."""
        values = linear_predictors(self.design, self.layout, theta)
        return cell_model(self.speeds, values, ceiling=self.layout.shape.has_ceiling)

    def log_likelihood(self, theta: FloatArray, noise: Noise) -> float:
        """Return the log likelihood at `theta`."""
        model = self.model(theta)
        squared = (self.observed.log_rate - model.log_rate) ** 2
        scale2 = squared_scale(self.observed.run_variance, model.sensitivity, noise)
        return float(student_log_density(squared, scale2, noise.tail).sum())

    def slope(self, theta: FloatArray, noise: Noise) -> tuple[float, FloatArray]:
        """Return the log likelihood at `theta` and its gradient."""
        value, gradient, _ = self._slope(self.model(theta), noise)
        return value, gradient

    def evaluate(self, theta: FloatArray, noise: Noise) -> Evaluation:
        """Return value, gradient and information at `theta`.

        The information for the location is the t's expected one times the weight the cell has,
        so a cell far out informs little (Lange, Little & Taylor 1989, JASA 84).
        """
        model = self.model(theta)
        value, gradient, at = self._slope(model, noise)
        nu = noise.tail
        root = np.sqrt(at.weight * (nu + 1) / (nu + 3) / at.scale2)[:, None]
        information = self._information(
            model.rate_slope * root, at.scale_slope * np.sqrt(2 * nu / (nu + 3))
        )
        return Evaluation(value, gradient, information, model)

    def _slope(self, model: CellModel, noise: Noise) -> tuple[float, FloatArray, "Weighed"]:
        squared = (self.observed.log_rate - model.log_rate) ** 2
        slopes, at = cell_slopes(self.observed, model, noise)
        value = float(student_log_density(squared, at.scale2, noise.tail).sum())
        return value, self._by_parameters(slopes), at

    def _information(self, rate: FloatArray, scale: FloatArray) -> ArrowMatrix:
        """Return the sum over cells of the outer products of both slopes (rows, predictors).

        On the GPU side the two are parallel: turned in their plane, one of them is about the
        ceiling's parameters only, which are few.
        """
        if self.sums_of_ceilings is None:
            return self.sums.information(rate)
        offset = len(self.layout.predictors) - len(OTHER_PREDICTORS)
        length = np.hypot(rate[:, offset], scale[:, offset])
        safe = np.where(length > 0, length, 1.0)
        cosine = np.where(length > 0, rate[:, offset] / safe, 1.0)[:, None]
        sine = (scale[:, offset] / safe)[:, None]
        along = self.sums.information(cosine * rate + sine * scale)
        return along + self.sums_of_ceilings.information(cosine * scale - sine * rate)

    def _by_parameters(self, slope: FloatArray) -> FloatArray:
        """Return the sum over cells of derivatives by the parameters."""
        terms = slope[:, self.design.predictor] * self.design.weight
        index = self.design.index.ravel()
        return np.bincount(index, terms.ravel(), self.layout.size).astype(np.float64)
