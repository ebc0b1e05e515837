"""Peers that learn from all charts at once: boosted trees, a Gaussian process, a power law."""

import warnings

import numpy as np
from scipy import special
from sklearn.ensemble import GradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Kernel, WhiteKernel
from sklearn.preprocessing import StandardScaler
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning as MixedConvergenceWarning

from scalemodel.model.arrays import FloatArray
from scalemodel.model.peers.data import PeerData, PeerPrediction, Question
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
    """A Gaussian process on specs and chart features about the pooled power law.

    One smooth function of the specs shared by all charts, one that also changes with the chart,
    and an offset of each card. The kernel is learned on at most `ROWS_FOR_KERNEL` rows, the
    process conditioned on at most `ROWS_FOR_PROCESS`, both drawn with the seed.
    """
    law = fit_power_law(data)
    scaler = StandardScaler().fit(_features(data))
    X = scaler.transform(_features(data))
    residual = data.log_rate - law.median(data.row_specs, data.chart_index)
    order = np.random.default_rng(question.seed).permutation(residual.size)
    few, many = order[:ROWS_FOR_KERNEL], order[:ROWS_FOR_PROCESS]
    scale = float(np.std(residual)) or 1.0
    kernel = _kernel(data.card_specs.shape[1], X.shape[1])
    with warnings.catch_warnings():
        # A length at its bound says "no such effect", which is an answer.
        warnings.simplefilter("ignore", ConvergenceWarning)
        learned = GaussianProcessRegressor(kernel).fit(X[few], residual[few] / scale).kernel_
        process = GaussianProcessRegressor(learned, optimizer=None)
        process.fit(X[many], residual[many] / scale)
    mean, sd = process.predict(scaler.transform(_features(data, question)), return_std=True)
    median = law.median(question.specs, question.charts) + scale * mean
    # The law's own scatter is what the process explains; its slopes stay uncertain.
    gap = question.specs[:, law.columns] - law.mean_specs[question.charts]
    variance = np.einsum("ij,jk,ik->i", gap, law.covariance, gap) + (scale * sd) ** 2
    return _normal_range(median, np.sqrt(variance), question.level)


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


class _ColumnRBF(RBF):  # type: ignore[misc]
    """A radial kernel that sees the columns from `start` up to `stop` only."""

    def __init__(
        self,
        length_scale: float | FloatArray = 1.0,
        length_scale_bounds: tuple[float, float] | str = (0.1, 100.0),
        start: int = 0,
        stop: int = 1,
    ) -> None:
        super().__init__(length_scale, length_scale_bounds)
        self.start = start
        self.stop = stop

    def __call__(
        self, X: FloatArray, Y: FloatArray | None = None, eval_gradient: bool = False
    ) -> FloatArray | tuple[FloatArray, FloatArray]:
        """Evaluate the kernel, and its gradient by the log length if asked."""
        window = slice(self.start, self.stop)
        result: FloatArray | tuple[FloatArray, FloatArray] = super().__call__(
            X[:, window], None if Y is None else Y[:, window], eval_gradient
        )
        return result


def _kernel(n_specs: int, n_columns: int) -> Kernel:
    """Sum of what all charts share, what changes with the chart, a card's own offset, noise.

    The offset is a radial kernel too short to reach from one card to another; the lengths over
    specs, in standard deviations, start at a half so that they do not do its work.
    """
    strength = ConstantKernel(0.3, (1e-4, 1e2))
    shared = _ColumnRBF(1.0, (0.5, 20.0), stop=n_specs)
    by_chart = shared * _ColumnRBF(1.0, (0.1, 20.0), start=n_specs, stop=n_columns)
    offset = _ColumnRBF(1e-3, "fixed", stop=n_specs)
    noise = WhiteKernel(0.1, (1e-4, 1e1))
    return strength * shared + strength * by_chart + strength * offset + noise


def _features(data: PeerData, question: Question | None = None) -> FloatArray:
    """Specs and chart features side by side, of the rows of `question` if given."""
    if question is None:
        return np.column_stack([data.row_specs, data.chart_features[data.chart_index]])
    return np.column_stack([question.specs, data.chart_features[question.charts]])


def _normal_range(median: FloatArray, sd: FloatArray, level: float) -> PeerPrediction:
    half = float(special.ndtri(0.5 + level / 2)) * sd
    return PeerPrediction(median, median - half, median + half)
