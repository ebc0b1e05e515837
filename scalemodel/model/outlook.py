"""The prospects of cells, tested or not, of cards that the fit knows or that are new.

A cell's log rate is taken linear in the parameters around the mode, and its error as normal with
the information that the t has on average: (tail + 3) / (tail + 1) times its squared scale.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.design import Prospects
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import CardSpecs, Observed, Rows
from scalemodel.model.likelihood import (
    CellLikelihood,
    CellModel,
    Evaluation,
    cell_model,
    linear_predictors,
    squared_scale,
    stage_speeds,
)
from scalemodel.model.mode import Prior
from scalemodel.model.predictive import new_keys
from scalemodel.model.priors import SmoothPrior

#: Share of the variance of a cell's stray that is taken as test error where no repeats tell.
TEST_ERROR = 0.5


@dataclass(frozen=True)
class Outlook:
    """What is known of cells, and what runs of them could tell.

    Attributes:
        prospects: the cells as rows.
        log_rate: (rows,) best estimate of what a careful measurement would show.
        sensitivity: (rows,) sensitivity to GPU speed at the mode.
        groups: names of the groups of states; those of effects that no data inform yet come again.
        group: (states,) the group of each state.
    """

    prospects: Prospects
    log_rate: FloatArray
    sensitivity: FloatArray
    groups: tuple[str, ...]
    group: IntArray


@dataclass(frozen=True)
class Wanted:
    """The cells that an outlook is of.

    Attributes:
        specs: sheets of all cards, tested or not.
        rows: the cells; `rows.card` indexes `specs`.
        ceiling: (rows,) which rows stand for the log ceiling of their scene instead of a rate.
        run_variance: variance of the log rate of one run; None where no repeats show it.
    """

    specs: CardSpecs
    rows: Rows
    ceiling: BoolArray
    run_variance: float | None


def look_ahead(fit: ModelFit, observed: Observed, wanted: Wanted) -> Outlook:
    """Return the outlook on cells; `observed` are all cells of the fit."""
    measured = observed.take(np.flatnonzero(fit.kept))
    likelihood = CellLikelihood.of(measured, fit.specs, fit.layout)
    noise = fit.scales.noise
    evaluation = likelihood.evaluate(fit.theta, noise)
    prior = Prior.at(fit.layout, fit.scales.values)
    model, slopes, group = _linear(fit, wanted)
    tail = (noise.tail + 3) / (noise.tail + 1)
    own = tail * squared_scale(np.zeros(len(wanted.rows)), model.sensitivity, noise)
    own[wanted.ceiling] = 0.0
    if wanted.run_variance is None:
        own *= 1.0 - TEST_ERROR
        run = own * TEST_ERROR / (1.0 - TEST_ERROR)
    else:
        run = np.full(len(own), tail * wanted.run_variance)
    known = _Known.of(fit, measured, evaluation, wanted)
    at = known.row
    own[at] *= known.inflation
    run[at] *= known.inflation
    error = run[at] / known.runs
    shown = own[at] / (own[at] + error)
    left, log_rate = np.ones(len(own)), np.where(wanted.ceiling, model.log_ceiling, model.log_rate)
    left[at] = 1.0 - shown
    log_rate[at] += shown * (known.log_rate - log_rate[at])
    own[at] = shown * error
    precision = evaluation.information.plus(prior.precision)
    scaled = csr_array(slopes.multiply(left[:, None]))
    names = tuple(g.name for g in fit.layout.groups)
    return Outlook(
        Prospects.of(precision, scaled, own, run), log_rate, model.sensitivity, names * 2, group
    )


@dataclass(frozen=True)
class _Known:
    """Wanted cells that were measured.

    Attributes:
        row: which of the wanted rows.
        log_rate: as observed.
        runs: how many runs its error is that of.
        inflation: how much less such a cell informs than one that strays the usual way.
    """

    row: IntArray
    log_rate: FloatArray
    runs: FloatArray
    inflation: FloatArray

    @staticmethod
    def of(fit: ModelFit, measured: Observed, evaluation: Evaluation, wanted: Wanted) -> "_Known":
        """Find the measured cells among those wanted."""
        noise = fit.scales.noise
        scale2 = squared_scale(measured.run_variance, evaluation.model.sensitivity, noise)
        squared = (measured.log_rate - evaluation.model.log_rate) ** 2
        inflation = (noise.tail + squared / scale2) / (noise.tail + 1)
        place = {key: k for k, key in enumerate(_keys(measured.rows, measured.rows.card))}
        keys = _keys(wanted.rows, wanted.specs.fitted[wanted.rows.card])
        found = np.array([place.get(key, -1) for key in keys], dtype=np.intp)
        row = np.flatnonzero((found >= 0) & ~wanted.ceiling)
        at = found[row]
        runs = np.ones(len(at))
        if wanted.run_variance is not None:
            runs = wanted.run_variance / measured.run_variance[at]
        return _Known(row, measured.log_rate[at], runs, inflation[at])


def _keys(rows: Rows, card: IntArray) -> list[tuple[int, int, int]]:
    columns = (card.tolist(), rows.view.tolist(), rows.platform.tolist())
    return list(zip(*columns, strict=True))


def _linear(fit: ModelFit, wanted: Wanted) -> tuple[CellModel, csr_array, IntArray]:
    """Return the model of the rows at the mode, their slopes, and the group of each state."""
    layout, rows, specs = fit.layout, wanted.rows, wanted.specs
    design = layout.design(rows, specs)
    values = linear_predictors(design, layout, fit.theta)
    smooth = _Smooth.of(fit, wanted)
    offset = layout.predictors.index("offset")
    values[offset] += smooth.weights @ fit.theta[layout.position("smooth")]
    model = cell_model(stage_speeds(rows, specs, layout), values, ceiling=layout.shape.has_ceiling)
    slope = model.rate_slope.copy()
    slope[wanted.ceiling] = 0.0
    slope[wanted.ceiling, layout.predictors.index("ceiling")] = 1.0
    terms = slope[:, design.predictor] * design.weight
    starts = np.arange(len(rows) + 1) * design.index.shape[1]
    own = csr_array(
        (terms.ravel(), design.index.ravel(), starts), shape=(len(rows), layout.size)
    ).tolil()
    own[:, layout.position("smooth")] += smooth.weights * slope[:, [offset]]
    group = np.empty(layout.size, dtype=np.intp)
    for k, where in enumerate(layout.positions):
        group[where] = k
    new, of_new = _new_effects(fit, wanted, slope, smooth)
    states = csr_array(np.hstack([own.toarray(), new]))
    return model, states, np.concatenate([group, of_new + len(layout.groups)])


@dataclass(frozen=True)
class _Smooth:
    """The smooth residual of new cards.

    Attributes:
        weights: (rows, tested) of the tested cards' residuals in its mean.
        roots: (rows, new) root of its covariance at scale 1.
    """

    weights: FloatArray
    roots: FloatArray

    @staticmethod
    def of(fit: ModelFit, wanted: Wanted) -> "_Smooth":
        """Return what it adds to each row; nothing to those of tested cards."""
        new = np.flatnonzero(wanted.specs.fitted < 0)
        weights = np.zeros((len(wanted.specs), len(fit.specs)))
        roots = np.zeros((len(wanted.specs), len(new)))
        if len(new):
            weights[new], covariance = SmoothPrior.over(fit.specs).at(wanted.specs.take(new))
            values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
            roots[new] = vectors * np.sqrt(np.clip(values, 0.0, None))
        return _Smooth(weights[wanted.rows.card], roots[wanted.rows.card])


def _new_effects(
    fit: ModelFit, wanted: Wanted, slope: FloatArray, smooth: _Smooth
) -> tuple[FloatArray, IntArray]:
    """Return slopes (rows, effects) by effects of variance 1 of what is new, and their groups."""
    columns, groups = [np.zeros((len(wanted.rows), 0))], []
    for k, group in enumerate(fit.layout.groups):
        new = new_keys(group.key, wanted.specs, wanted.rows)
        if new is None or not (new >= 0).any():
            continue
        scaled = slope[:, fit.layout.predictors.index(group.predictor)].copy()
        scaled *= fit.scales.values[str(group.scale)]
        if group.times == "log_pixels":
            scaled *= wanted.rows.log_pixels
        if group.name == "smooth":
            added = smooth.roots * scaled[:, None]
        else:
            used = np.unique(new[new >= 0])
            added = (new[:, None] == used) * scaled[:, None]
        columns.append(added)
        groups += [k] * added.shape[1]
    return np.hstack(columns), np.array(groups, dtype=np.intp)
