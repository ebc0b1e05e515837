"""Peers that learn from all charts at once: boosted trees, a Gaussian process, a power law."""

import warnings

import numpy as np
from scipy import special
from sklearn.ensemble import GradientBoostingRegressor
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.preprocessing import StandardScaler
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning as MixedConvergenceWarning

from scalemodel.model.arrays import FloatArray
from scalemodel.model.peers.data import PeerData, PeerPrediction, Question
from scalemodel.model.peers.kernel import learn_kernel
from scalemodel.model.peers.law import fit_power_law

ROWS_FOR_KERNEL = 250  # rows from which the lengths of the kernel are learned
ROWS_FOR_PROCESS = 1500  # rows on which the process is conditioned; cost grows with the cube


def gradient_boosting(data: PeerData, question: Question) -> PeerPrediction:
    """Boosted regression trees on specs and chart features, after taking out chart levels.

    Trees are constant outside the cards seen: they cannot extrapolate. No range of its own.
    """
    law = fit_power_law(data)
    level = law.level()
    trees = GradientBoostingRegressor(
        n_estimators=300,
        learning_rate=0.05,
        max_depth=3,
        subsample=0.7,
        random_state=question.seed,
    )
    trees.fit(_features(data), data.log_rate - level[data.chart_index])
    median = np.asarray(trees.predict(_features(data, question))) + level[question.charts]
    return PeerPrediction(median)


def gaussian_process(data: PeerData, question: Question) -> PeerPrediction:
    """A Gaussian process on specs and chart features, one length a column.

    Its mean is a constant: pooled power laws as a mean, or a linear kernel beside it, did worse
    beyond the tested cards wherever a ceiling bends the rates. The kernel is learned on at most
    `ROWS_FOR_KERNEL` rows, the process conditioned on at most `ROWS_FOR_PROCESS`, both drawn with
    the seed.
    """
    scaler = StandardScaler().fit(_features(data))
    X = scaler.transform(_features(data))
    order = np.random.default_rng(question.seed).permutation(data.log_rate.size)
    few, many = order[:ROWS_FOR_KERNEL], order[:ROWS_FOR_PROCESS]
    y = data.log_rate[few]
    learned = learn_kernel(X[few], (y - y.mean()) / y.std())
    process = GaussianProcessRegressor(learned, optimizer=None, normalize_y=True)
    process.fit(X[many], data.log_rate[many])
    mean, sd = process.predict(scaler.transform(_features(data, question)), return_std=True)
    measured = np.isin(question.charts, data.chart_index)
    return _normal_range(np.where(measured, mean, np.nan), sd, question.level)


def power_law(data: PeerData, question: Question) -> PeerPrediction:
    """A mixed model: log specs with common slopes, a random level a chart (REML).

    Every row counts, crowded or not: this peer knows no ceiling.
    """
    law = fit_power_law(data)
    X = np.column_stack([np.ones(data.log_rate.size), data.row_specs[:, law.columns]])
    with warnings.catch_warnings():
        # A variance at zero, or charts so far apart that it hardly matters, is no failure here.
        warnings.simplefilter("ignore", MixedConvergenceWarning)
        fit = MixedLM(data.log_rate, X, groups=data.chart_index).fit()
    X_new = np.column_stack([np.ones(question.charts.size), question.specs[:, law.columns]])
    effect = np.full(len(data.chart_features), np.nan)
    spread = np.full(len(data.chart_features), np.nan)
    for chart, value in fit.random_effects.items():
        effect[chart] = float(np.asarray(value)[0])
        spread[chart] = float(np.asarray(fit.random_effects_cov[chart]).ravel()[0])
    slopes = np.asarray(fit.cov_params())[1 : X.shape[1], 1 : X.shape[1]]
    gap = X_new[:, 1:] - X[:, 1:].mean(axis=0)
    variance = np.einsum("ij,jk,ik->i", gap, slopes, gap) + spread[question.charts] + fit.scale
    median = X_new @ np.asarray(fit.fe_params) + effect[question.charts]
    return _normal_range(median, np.sqrt(variance), question.level)


def _features(data: PeerData, question: Question | None = None) -> FloatArray:
    """Specs and chart features side by side, of the rows of `question` if given."""
    if question is None:
        return np.column_stack([data.row_specs, data.chart_features[data.chart_index]])
    return np.column_stack([question.specs, data.chart_features[question.charts]])


def _normal_range(median: FloatArray, sd: FloatArray, level: float) -> PeerPrediction:
    half = float(special.ndtri(0.5 + level / 2)) * sd
    return PeerPrediction(median, median - half, median + half)
