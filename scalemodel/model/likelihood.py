"""The likelihood of measured cells and its derivatives by the parameters.

A cell's log rate is Student t around the model's, with squared scale

    run_variance + noise^2 + (sensitivity * gpu_noise)^2

so that what differs between cards on the GPU side fades out towards the ceiling.
"""

from dataclasses import dataclass
from functools import cached_property

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
        log_speed=np.asfortranarray(specs.log_speed[rows.card] - layout.reference.log_speed),
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
    stages = gpu.by_stage.shape[-1]
    # Predictor by predictor in memory, as they are worked on.
    out = np.zeros((2 * stages + len(OTHER_PREDICTORS), *gpu.log_rate.shape))
    out[:stages] = np.moveaxis(gpu.by_stage, -1, 0)
    out[stages : 2 * stages] = np.moveaxis(gpu.by_growth, -1, 0)
    out[2 * stages] = 1.0
    others = (gpu.by_fill, gpu.by_request, gpu.by_hit, gpu.by_working_set, gpu.by_set_growth)
    for k, slope in enumerate(others, 2 * stages + 3):
        out[k] = slope
    return np.moveaxis(out, 0, -1)


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
    """Log likelihood, gradient and Fisher information at one parameter vector.

    Attributes:
        log_likelihood, gradient, information: these.
        likelihood, theta: of what and where.
    """

    log_likelihood: float
    gradient: FloatArray
    information: ArrowMatrix
    likelihood: "CellLikelihood"
    theta: FloatArray

    @cached_property
    def model(self) -> CellModel:
        """The model there; worked out when asked for, which is seldom."""
        return self.likelihood.model(self.theta)


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
        value = 0.0
        for piece in self.sums.pieces:
            observed, _, model = self._at(theta, piece.rows)
            squared = (observed.log_rate - model.log_rate) ** 2
            scale2 = squared_scale(observed.run_variance, model.sensitivity, noise)
            value += float(student_log_density(squared, scale2, noise.tail).sum())
        return value

    def slope(self, theta: FloatArray, noise: Noise) -> tuple[float, FloatArray]:
        """Return the log likelihood at `theta` and its gradient."""
        value, gradient = 0.0, np.zeros(self.layout.size)
        for piece in self.sums.pieces:
            observed, design, model = self._at(theta, piece.rows)
            density, slopes, _ = _density(observed, model, noise)
            value += density
            self._add_slopes(gradient, design, slopes)
        return value, gradient

    def evaluate(self, theta: FloatArray, noise: Noise) -> Evaluation:
        """Return value, gradient and information at `theta`.

        The information for the location is the t's expected one times the weight the cell has,
        so a cell far out informs little (Lange, Little & Taylor 1989, JASA 84).
        """
        value, gradient, nu = 0.0, np.zeros(self.layout.size), noise.tail
        sums, ceilings = self.sums.nothing(), self.sums_of_ceilings
        of_ceilings = None if ceilings is None else ceilings.nothing(sums)
        for k, piece in enumerate(self.sums.pieces):
            observed, design, model = self._at(theta, piece.rows)
            density, slopes, at = _density(observed, model, noise)
            value += density
            self._add_slopes(gradient, design, slopes)
            root = np.sqrt(at.weight * (nu + 1) / (nu + 3) / at.scale2)[:, None]
            rate, scale = model.rate_slope * root, at.scale_slope * np.sqrt(2 * nu / (nu + 3))
            if ceilings is None or of_ceilings is None:
                self.sums.add(sums, piece, rate)
                continue
            along, across = self._turned(rate, scale)
            self.sums.add(sums, piece, along)
            ceilings.add(of_ceilings, ceilings.pieces[k], across)
        information = self.sums.matrix(sums)
        if ceilings is not None and of_ceilings is not None:
            ceilings.add_everywhere(information, of_ceilings)
        return Evaluation(value, gradient, information, self, theta)

    def _at(self, theta: FloatArray, rows: slice) -> tuple[Observed, RowDesign, CellModel]:
        """Return some of the cells, their design, and their model at `theta`."""
        design = self.design.take(rows)
        values = linear_predictors(design, self.layout, theta)
        ceiling = self.layout.shape.has_ceiling
        model = cell_model(self.speeds.take(rows), values, ceiling=ceiling)
        return self.observed.take(rows), design, model

    def _turned(self, rate: FloatArray, scale: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return both slopes (rows, predictors) turned in their plane, one along the GPU side.

        The sum of their outer products stays as it is. On the GPU side the two are parallel, so
        the other one is about the ceiling's parameters only, which are few.
        """
        offset = len(self.layout.predictors) - len(OTHER_PREDICTORS)
        length = np.hypot(rate[:, offset], scale[:, offset])
        safe = np.where(length > 0, length, 1.0)
        cosine = np.where(length > 0, rate[:, offset] / safe, 1.0)[:, None]
        sine = (scale[:, offset] / safe)[:, None]
        return cosine * rate + sine * scale, cosine * scale - sine * rate

    def _add_slopes(self, gradient: FloatArray, design: RowDesign, slope: FloatArray) -> None:
        """Add the sum over cells of derivatives by the parameters."""
        terms = slope.T[design.predictor] * design.weight.T
        gradient += np.bincount(design.index.T.ravel(), terms.ravel(), self.layout.size)


def _density(
    observed: Observed, model: CellModel, noise: Noise
) -> tuple[float, FloatArray, Weighed]:
    """Return the log likelihood of cells, and what `cell_slopes` gives."""
    squared = (observed.log_rate - model.log_rate) ** 2
    slopes, at = cell_slopes(observed, model, noise)
    return float(student_log_density(squared, at.scale2, noise.tail).sum()), slopes, at
