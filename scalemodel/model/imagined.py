"""A fit cut down to what places an imagined card: its joint draws, at ten bits a number.

Everything is kept as columns of draws. A column is what parameters add to a linear predictor of
some charts, or the effect of something new, or the noise of a chart. They are the draws that
`predictive.draw_cells` works with for one card on all charts, so who follows its steps gets its
answer, but for the rounding: at most 1/1022 of the largest number of a column, up or down from
draw to draw.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.fitting import ModelFit
from scalemodel.model.inputs import Rows
from scalemodel.model.layout import Group, Layout, key_index
from scalemodel.model.predictive import draw_new, draw_noise
from scalemodel.model.priors import SmoothPrior, plane_through

#: Keys of parameters that belong to what is shown on a chart, whatever the card.
CHART_KEYS = ("one", "game", "scene", "view", "platform", "scene_platform")
#: Whose effect a key other than those is, and what is new where that is new.
OWNERS = {
    "architecture": "architecture",
    "architecture_scene": "architecture",
    "vendor": "vendor",
    "card": "card",
}
#: Codes run from minus this to this.
LARGEST_CODE = 511


@dataclass(frozen=True)
class Term:
    """Columns that add to one linear predictor.

    The column of a card on a chart is ``first + stride * owner + index[chart]``, with the index of
    the card's architecture or vendor for `owner`; 0 for a chart's, and for something new.

    Attributes:
        predictor: index of the linear predictor.
        times: what a column is multiplied with: "one", "log_pixels", "release".
        owner: "chart", "architecture", "vendor" or "card".
        first, stride: which columns these are.
        index: (charts,) place of each chart among them.
    """

    predictor: int
    times: str
    owner: str
    first: int
    stride: int
    index: IntArray


@dataclass(frozen=True)
class SmoothTerm:
    """The smooth residual of a new card, given those of the tested ones.

    Attributes:
        first: column of the first tested card's residual.
        own: column of what the new card strays from their mean, at conditional variance 1.
        prior: the prior over the tested cards.
        plane: (1 + features, cards) the best plane through values at the tested cards.
    """

    first: int
    own: int
    prior: SmoothPrior
    plane: FloatArray


@dataclass(frozen=True)
class Imagined:
    """What places an imagined card on every chart.

    Attributes:
        layout: that of the fit.
        rows: the charts, as rows of one card.
        terms: what the fit knows, as columns of distances from the modes, then of new effects.
        new: effects of what is new.
        smooth: the smooth residual.
        noise_gpu, noise: first of the columns of noise, one a chart.
        codes: (columns, draws) the draws, in steps.
        steps: (columns,) size of a step.
        centers: (columns of terms, points) values at the modes.
        pairs: (pairs * 2,) draws that lie in pairs.
    """

    layout: Layout
    rows: Rows
    terms: tuple[Term, ...]
    new: tuple[Term, ...]
    smooth: SmoothTerm
    noise_gpu: int
    noise: int
    codes: NDArray[np.int16]
    steps: FloatArray
    centers: FloatArray
    pairs: IntArray


def imagine(fit: ModelFit, rows: Rows, seed: int) -> Imagined:
    """Cut a fit down to what places one imagined card on the given charts.

    Args:
        fit: a fit with ceilings, whose sheets inform arithmetic and traffic.
        rows: the charts, as rows of one card.
        seed: seed of what the fit does not know, as `predictive.draw_cells` takes it.
    """
    columns = _Columns([], [])
    terms = [*_chart_terms(fit, rows, columns), *_owned_terms(fit, rows, columns)]
    tested = columns.add(fit.draws.theta[:, fit.layout.position("smooth")])
    new, own = _new_terms(fit, rows, columns, seed)
    prior = SmoothPrior.over(fit.specs)
    noise_gpu, noise = (columns.add(values) for values in draw_noise(fit, len(rows), seed))
    codes, steps = coded(np.concatenate(columns.values, axis=1).T)
    return Imagined(
        layout=fit.layout,
        rows=rows,
        terms=tuple(terms),
        new=tuple(new),
        smooth=SmoothTerm(tested, own, prior, plane_through(prior.tested)),
        noise_gpu=noise_gpu,
        noise=noise,
        codes=codes,
        steps=steps,
        centers=np.concatenate(columns.centers, axis=1).T,
        pairs=fit.draws.paired,
    )


def coded(values: FloatArray) -> tuple[NDArray[np.int16], FloatArray]:
    """Return columns (columns, draws) in whole steps, and (columns,) the size of a step."""
    steps = np.abs(values).max(axis=1) / LARGEST_CODE
    safe = np.where(steps > 0, steps, 1.0)[:, None]
    return np.rint(values / safe).astype(np.int16), steps


@dataclass(frozen=True)
class _Columns:
    """Columns in the making: (draws, columns) each, and (points, columns) of their centers."""

    values: list[FloatArray]
    centers: list[FloatArray]

    def add(self, values: FloatArray) -> int:
        """Add columns and return the number of the first."""
        first = sum(len(one.T) for one in self.values)
        self.values.append(values)
        return first

    def add_known(self, fit: ModelFit, groups: list[IntArray]) -> int:
        """Add the sums of parameters at positions (columns,), as distances from the modes."""
        draws, centers = (
            np.sum([theta[:, where] for where in groups], axis=0)
            for theta in (fit.draws.theta, fit.draws.centers)
        )
        self.centers.append(centers)
        return self.add(draws - centers[fit.draws.point])


def _chart_terms(fit: ModelFit, rows: Rows, columns: _Columns) -> list[Term]:
    """Add up all that a chart adds to a predictor; charts that have it in common share a column."""
    together: dict[tuple[str, str], list[Group]] = {}
    for group in fit.layout.groups:
        if group.key in CHART_KEYS:
            together.setdefault((group.predictor, group.times), []).append(group)
    terms = []
    for (predictor, times), groups in together.items():
        keys = [key_index(g.key, rows, fit.specs, fit.layout.shape) for g in groups]
        distinct, index = np.unique(np.stack(keys), axis=1, return_inverse=True)
        where = [fit.layout.position(g.name)[k] for g, k in zip(groups, distinct, strict=True)]
        first = columns.add_known(fit, where)
        at = fit.layout.predictors.index(predictor)
        terms.append(Term(at, times, "chart", first, 0, index.ravel()))
    return terms


def _owned_terms(fit: ModelFit, rows: Rows, columns: _Columns) -> list[Term]:
    """Keep the effects of the tested architectures and vendors."""
    terms = []
    for group in fit.layout.groups:
        owner = OWNERS.get(group.key, "card")
        if group.key in CHART_KEYS or owner == "card":
            continue
        first = columns.add_known(fit, [fit.layout.position(group.name)])
        index, size = _places(group, rows, fit.layout)
        at = fit.layout.predictors.index(group.predictor)
        terms.append(Term(at, group.times, owner, first, size, index))
    return terms


def _new_terms(fit: ModelFit, rows: Rows, columns: _Columns, seed: int) -> tuple[list[Term], int]:
    """Draw what a new card, architecture or vendor adds; also return the smooth one's column."""
    terms, smooth = [], -1
    for group in fit.layout.groups:
        if group.key in CHART_KEYS:
            continue
        index, size = _places(group, rows, fit.layout)
        first = columns.add(draw_new(fit, group, size, seed))
        if group.name == "smooth":
            smooth = first
            continue
        at = fit.layout.predictors.index(group.predictor)
        terms.append(Term(at, group.times, OWNERS[group.key], first, 0, index))
    return terms, smooth


def _places(group: Group, rows: Rows, layout: Layout) -> tuple[IntArray, int]:
    """Return (charts,) the place of each chart among one owner's effects, and their number."""
    if group.key == "architecture_scene":
        return rows.scene, layout.shape.scenes
    return np.zeros(len(rows), dtype=np.intp), 1
