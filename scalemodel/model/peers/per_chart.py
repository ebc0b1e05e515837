"""Peers that look at one chart at a time, as a reader of that chart would."""

import numpy as np
from scipy import special

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.peers.data import PeerData, PeerPrediction, Question
from scalemodel.model.peers.law import PowerLaw, fit_power_law
from scalemodel.model.regression import fit_censored, least_squares, predict


def nearest_card(data: PeerData, question: Question) -> PeerPrediction:
    """Take the rate of the card with the nearest specs, times the ratio of shaders x clock.

    Nearest by straight distance between log specs, among the cards on the chart.
    """
    median = np.full(question.charts.size, np.nan)
    for row, (chart, specs) in enumerate(zip(question.charts, question.specs, strict=True)):
        on_chart = data.chart_index == chart
        cards = np.unique(data.card_index[on_chart])
        if cards.size:
            distance = np.linalg.norm(data.card_specs[cards] - specs, axis=1)
            nearest = cards[np.argmin(distance)]
            rate = data.log_rate[on_chart & (data.card_index == nearest)].mean()
            median[row] = rate + specs[0] - data.card_specs[nearest, 0]
    return PeerPrediction(median)


def per_chart_regression(data: PeerData, question: Question) -> PeerPrediction:
    """Regress log rate on log specs, each chart by itself.

    Rows crowded at the top of a chart count as "at least that fast", and no prediction passes
    the crowd. A chart with too few free cards for a regression of its own takes its slopes from
    all charts together.
    """
    law = fit_power_law(data)
    crowded = data.crowded()
    design = _design(data.row_specs, law)
    median = law.median(question.specs, question.charts)
    half = _t_quantile(law.dof, question.level) * law.sd(question.specs, question.charts)
    for chart in np.unique(question.charts):
        asked = question.charts == chart
        rows = data.chart_index == chart
        if _stands_alone(design[rows & ~crowded], data.card_index[rows & ~crowded]):
            X_new = _design(question.specs[asked], law)
            own = _fit_chart(
                design[rows], data.log_rate[rows], crowded[rows], X_new, question.level
            )
            if own is not None:
                median[asked], half[asked] = own
    top = _crowd_rates(data, crowded)[question.charts]
    return PeerPrediction(*(np.minimum(x, top) for x in (median, median - half, median + half)))


def _design(specs: FloatArray, law: PowerLaw) -> FloatArray:
    return np.column_stack([np.ones(len(specs)), specs[:, law.columns]])


def _stands_alone(X: FloatArray, cards: IntArray) -> bool:
    """Whether these free rows leave two cards spare and tell all columns apart."""
    spare = np.unique(cards).size - X.shape[1]
    return bool(spare >= 2 and np.linalg.matrix_rank(X, rtol=1e-8) == X.shape[1])


def _fit_chart(
    X: FloatArray, y: FloatArray, capped: BoolArray, X_new: FloatArray, level: float
) -> tuple[FloatArray, FloatArray] | None:
    """Medians and half-widths at `X_new` from one chart; None if the fit has no maximum."""
    quantile = _t_quantile(int(np.sum(~capped)) - X.shape[1], level)
    if not capped.any():
        ahead = predict(least_squares(X, y), X_new, new_observation=True)
        return ahead.mean, quantile * ahead.standard_error
    fit = fit_censored(X, y, upper=np.where(capped, y, np.inf))
    if fit.status != "converged":
        return None
    variance = np.einsum("ij,jk,ik->i", X_new, fit.covariance[:-1, :-1], X_new)
    return X_new @ fit.coefficients, quantile * np.sqrt(variance + np.exp(2 * fit.log_scale))


def _crowd_rates(data: PeerData, crowded: BoolArray) -> FloatArray:
    """Median log rate of the crowd at the top of each chart, infinite without a crowd."""
    top = np.full(len(data.chart_features), np.inf)
    for chart in np.unique(data.chart_index[crowded]):
        top[chart] = np.median(data.log_rate[crowded & (data.chart_index == chart)])
    return top


def _t_quantile(dof: int, level: float) -> float:
    return float(special.stdtrit(dof, 0.5 + level / 2))
