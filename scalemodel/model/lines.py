"""A line for each scene through cells of many cards, and what falls out of step with it.

    y = level + slopes · columns + (own level and slopes of the scene) + card + error

Levels and slopes of scenes are partly pooled, a card strays from the line of all cards, errors are
heavy-tailed (mixed.py). Whether a card, a card in one scene, or a cell is out of step is judged
against what the others stray.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.layout import ScalePrior
from scalemodel.model.mixed import Effect, MixedData, MixedFit, fit_mixed
from scalemodel.model.tails import student_tail

TAIL = 4.0
"""Degrees of freedom of the errors: one far cell hardly moves a line."""

ALPHA = 0.05
"""Chance of finding anything out of step where nothing is, in all families together."""

FEWEST_CARDS = 5
"""Cards from which one can be told to be out of step."""

MOST_APART = 4
"""Cards that are looked for at most; never more than a quarter of all."""

POOLED_DOF = 10.0
"""Degrees of freedom with which the spread of all scenes is mixed into that of one."""

FEWEST_BENT = 50
"""Cells where the relation may bend from which it is learned how heavy-tailed they are."""

NINTH = 1.645
"""Ninetieth percentile of the absolute value of a standard normal one."""

MAD = 1.4826
"""Sd of a normal law over its median absolute deviation."""


@dataclass(frozen=True)
class LineData:
    """Cells to draw lines through; arrays by cell.

    Attributes:
        y: values.
        known: squared standard error of each from repeats.
        columns: (cells, slopes) what the lines depend on, about centred.
        own: which of the slopes each scene has of its own.
        scene, card: indices from 0.
        stretch: what the scatter of a cell is multiplied with, about 1.
        bent: cells where the true relation may bend, so that a line is further off: judged by
            what such cells stray.
        priors: of the scene's level and its own slopes (with one scene left out), the card and
            the scatter.
        tail: degrees of freedom of a cell's test error: how far it may be off by chance.
        unsure: (cells, slopes, slopes) covariance of the columns of each cell; None: known.
        families: kinds of question, times platforms, that share the chance to err.
    """

    y: FloatArray
    known: FloatArray
    columns: FloatArray
    own: tuple[bool, ...]
    scene: IntArray
    card: IntArray
    stretch: FloatArray
    bent: BoolArray
    priors: tuple[ScalePrior, ...]
    tail: float
    unsure: FloatArray | None = None
    families: int = 1

    @property
    def scenes(self) -> int:
        """Number of scenes."""
        return int(self.scene.max()) + 1

    @property
    def cards(self) -> int:
        """Number of cards."""
        return int(self.card.max()) + 1

    def fixed(self) -> FloatArray:
        """Return the (cells, 1 + slopes) columns of the line of all scenes."""
        return np.column_stack([np.ones(len(self.y)), self.columns])

    def mixed(self) -> MixedData:
        """Return the mixed model. With one scene it has no line of its own."""
        one = np.ones(len(self.y))
        effects = []
        if self.scenes > 1:
            scale = iter(self.priors)
            effects.append(Effect(self.scene, one, next(scale), self.scenes))
            for column, own in zip(self.columns.T, self.own, strict=True):
                if own:
                    effects.append(Effect(self.scene, column, next(scale), self.scenes))
        effects.append(Effect(self.card, one, self.priors[-2], self.cards))
        return MixedData(
            self.y, self.fixed(), tuple(effects), self.known, self.stretch, self.priors[-1], TAIL
        )


@dataclass(frozen=True)
class Apart:
    """How far something is from the line of the others; arrays by card, pair or cell.

    Attributes:
        apart: distance, in the unit of y.
        sd: of such distances among those that are in step.
        p: chance of anything so far out, in all families together; NaN where it cannot be told.
    """

    apart: FloatArray
    sd: FloatArray
    p: FloatArray

    def out(self, margin: float) -> BoolArray:
        """Mark what is surely apart, and by at least the margin."""
        return (np.nan_to_num(self.p, nan=1.0) < ALPHA) & (np.abs(self.apart) >= margin)


@dataclass(frozen=True)
class Lines:
    """Lines through cells.

    Attributes:
        data: the cells.
        fit: the mixed model, without the cards that are out of step.
        line: (cells,) the line of each cell's scene, without the card's own part.
        line_sd: (cells,) how well it is known.
        scatter: (cells,) sd of what cells of the scene stray, beyond what is known.
        tail: (cells,) degrees of freedom of their distances.
        cards: the cards, judged.
        apart_cards: indices of the cards left out of the fit.
    """

    data: LineData
    fit: MixedFit
    line: FloatArray
    line_sd: FloatArray
    scatter: FloatArray
    tail: FloatArray
    cards: Apart
    apart_cards: tuple[int, ...]


def fit_lines(data: LineData) -> Lines:
    """Fit the lines, leaving out cards that are surely out of step.

    The farthest card is left out and judged against a fit of the others; then the next. As in
    Rosner's test for several outliers (1983, Technometrics 25), the last one that is surely apart
    counts, so that one card does not hide another.
    """
    first = fit_mixed(data.mixed())
    data = replace(data, known=data.known + _blur(data, first))
    mixed = data.mixed()
    start = first.log_scales
    fits = [first if data.unsure is None else fit_mixed(mixed, start)]
    tried: list[int] = []
    chances: list[float] = []
    most = min(data.cards // 4, MOST_APART) if data.cards >= FEWEST_CARDS else 0
    for _ in range(most):
        judged = _judge_cards(data, fits[-1], tuple(tried))
        score = np.abs(judged.apart / judged.sd)
        score[tried] = 0.0
        tried.append(int(np.argmax(score)))
        keep = np.flatnonzero(~np.isin(data.card, tried))
        fits.append(fit_mixed(mixed.take(keep), start))
        found = _judge_cards(data, fits[-1], tuple(tried))
        chances.append(float(found.p[tried[-1]]))
    gone = max((i + 1 for i, p in enumerate(chances) if p < ALPHA), default=0)
    left_out = tuple(tried[:gone])
    return _lines(data, fits[gone], left_out)


def _blur(data: LineData, fit: MixedFit) -> FloatArray:
    """Return (cells,) the variance that columns bring which are not known for sure."""
    out = np.zeros(len(data.y))
    if data.unsure is None:
        return out
    for scene in range(data.scenes):
        here = data.scene == scene
        rows = _rows_of_slopes(data, scene, len(fit.coefficients))
        slope = rows @ fit.coefficients
        square = np.outer(slope, slope) + rows @ fit.covariance @ rows.T
        out[here] = np.einsum("nkl,kl->n", data.unsure[here], square)
    return out


def _rows_of_slopes(data: LineData, scene: int, coefficients: int) -> FloatArray:
    """Return (slopes, coefficients) what makes the slopes of a scene."""
    slopes = data.columns.shape[1]
    rows = np.zeros((slopes, coefficients))
    rows[:, 1 : 1 + slopes] = np.eye(slopes)
    if data.scenes > 1:
        own = np.flatnonzero(data.own)
        rows[own, 1 + slopes + data.scenes * (1 + np.arange(len(own))) + scene] = 1.0
    return rows


def _lines(data: LineData, fit: MixedFit, left_out: tuple[int, ...]) -> Lines:
    rows = _rows_of_line(data, fit)
    line = rows @ fit.coefficients
    line_sd = np.sqrt(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows))
    scatter, tail = _scatter(data, fit, line)
    cards = _judge_cards(data, fit, left_out)
    return Lines(data, fit, line, line_sd, scatter, tail, cards, left_out)


def _rows_of_line(data: LineData, fit: MixedFit) -> FloatArray:
    """Return (cells, coefficients) what makes the line of each cell, without its card."""
    rows = np.array(data.mixed().rows)
    rows[:, len(fit.coefficients) - data.cards :] = 0.0
    return rows


def _judge_cards(data: LineData, fit: MixedFit, left_out: tuple[int, ...]) -> Apart:
    """Judge every card against the line of the cards in the fit.

    A card's distance is the weighted mean of its cells' distances from the line. Its sd has the
    scatter of its cells, what cards usually stray, and how well the line is known.
    """
    rows = _rows_of_line(data, fit)
    apart, sd = np.full((2, data.cards), np.nan)
    usual = float(fit.sds[-1])
    weight = np.ones(len(data.y))
    weight[np.flatnonzero(~np.isin(data.card, left_out))] = fit.weight
    variance = (data.known + (fit.noise * data.stretch) ** 2) / np.minimum(weight, 1.0)
    for card in range(data.cards):
        here = np.flatnonzero(data.card == card)
        covariance = rows[here] @ fit.covariance @ rows[here].T + np.diag(variance[here])
        spread = np.linalg.solve(covariance, np.ones(len(here)))
        apart[card] = spread @ (data.y[here] - rows[here] @ fit.coefficients) / spread.sum()
        sd[card] = np.sqrt(usual**2 + 1 / spread.sum())
    others = data.cards - len(left_out)
    p = np.full(data.cards, np.nan)
    if data.cards >= FEWEST_CARDS:
        chance = 2 * student.sf(np.abs(apart / sd), others - 1)
        p = np.minimum(1.0, data.families * others * chance)
    return Apart(apart, sd, p)


def _scatter(data: LineData, fit: MixedFit, line: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (cells,) the sd of what cells stray beyond what is known, and its tail.

    Robust, since it judges outliers: from the median absolute distance of the cells of a scene,
    mixed with that of all scenes; never less than the fit has it, since a line lies nearer to the
    cells it was drawn through than to others. Where the relation may bend, how heavy-tailed
    distances are is learned from them.
    """
    away = data.y - line - fit.coefficients[-data.cards :][data.card]
    variance = data.known + (fit.noise * data.stretch) ** 2
    excess = away / np.sqrt(variance)
    whole = max(MAD * float(np.median(np.abs(excess))), 1.0)
    scale = np.empty(data.scenes)
    for scene in range(data.scenes):
        own = excess[data.scene == scene]
        dof = max(len(own) - 1.0 - data.columns.shape[1], 0.0)
        square = (MAD * float(np.median(np.abs(own)))) ** 2 if dof else 0.0
        pooled = (POOLED_DOF * whole**2 + dof * square) / (POOLED_DOF + dof)
        scale[scene] = np.sqrt(max(pooled, 1.0))
    bent = excess[data.bent] / scale[data.scene][data.bent]
    far = np.where(data.bent, _bend(bent), 1.0)
    tail = np.where(data.bent, student_tail(bent) if len(bent) >= FEWEST_BENT else np.inf, np.inf)
    total = (far * scale[data.scene]) ** 2 * variance
    dof = _dof(data, np.bincount(data.scene)[data.scene])
    return np.sqrt(np.maximum(total - data.known, 0.0)), np.minimum(dof, tail)


def _bend(bent: FloatArray) -> float:
    """Return how much further cells stray where the relation may bend, at least 1.

    From the ninetieth percentile, since lines miss few such cells, but miss them widely; it stands
    if fewer than a tenth of them are out of step.
    """
    return max(float(np.quantile(np.abs(bent), 0.9)) / NINTH, 1.0) if len(bent) else 1.0


def _dof(data: LineData, count: IntArray) -> FloatArray:
    """Return degrees of freedom of so many distances in a scene; no more than test errors have."""
    own = POOLED_DOF + count - 1.0 - data.columns.shape[1]
    return np.asarray(np.minimum(np.maximum(own, 1.0), data.tail))
