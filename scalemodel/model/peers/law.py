"""The pooled power law: one slope a spec for all charts, one level a chart."""

from dataclasses import dataclass

import numpy as np

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray, IntArray, read_only
from scalemodel.model.peers.data import PeerData, usable_columns
from scalemodel.model.regression import least_squares


@dataclass(frozen=True)
class PowerLaw:
    """Slopes common to all charts, and where each chart sits.

    `columns` are the specs used; `slopes`, shape (len(columns),), and their `covariance`.
    Charts: `mean_rate` (log), `mean_specs` (charts, len(columns)) and `count` of the rows used;
    NaN and 0 for a chart without rows. `residual_sd` of a row, with `dof` degrees of freedom.
    """

    columns: list[int]
    slopes: FloatArray
    covariance: FloatArray
    mean_rate: FloatArray
    mean_specs: FloatArray
    count: FloatArray
    residual_sd: float
    dof: int

    def median(self, specs: FloatArray, charts: IntArray) -> FloatArray:
        """Predict log rates for rows of specs on charts, shape (rows,)."""
        gap = specs[:, self.columns] - self.mean_specs[charts]
        return np.asarray(self.mean_rate[charts] + gap @ self.slopes)

    def sd(self, specs: FloatArray, charts: IntArray) -> FloatArray:
        """Standard deviation of a new row about that prediction, shape (rows,)."""
        gap = specs[:, self.columns] - self.mean_specs[charts]
        of_slopes = np.einsum("ij,jk,ik->i", gap, self.covariance, gap)
        of_level = self.residual_sd**2 * (1 + 1 / np.where(self.count > 0, self.count, np.nan))
        return np.asarray(np.sqrt(of_slopes + of_level[charts]))

    def level(self) -> FloatArray:
        """Log rate of a card of middling specs on each chart, shape (charts,)."""
        middle = self.mean_specs[self.count > 0].mean(axis=0)
        return np.asarray(self.mean_rate + (middle - self.mean_specs) @ self.slopes)


def fit_power_law(data: PeerData) -> PowerLaw:
    """Fit the law by least squares within charts, leaving out rows crowded at a chart's top.

    A chart that is one crowd keeps its rows, for want of others. Raises ScalemodelError when
    the cards on shared charts are too few, or too alike, for a single slope.
    """
    crowded = data.crowded()
    n_charts = len(data.chart_features)
    free = np.bincount(data.chart_index[~crowded], minlength=n_charts)
    keep = ~crowded | (free[data.chart_index] == 0)
    charts, rates, specs = data.chart_index[keep], data.log_rate[keep], data.row_specs[keep]
    count = np.bincount(charts, minlength=n_charts).astype(float)
    mean_rate = _chart_means(rates[:, None], charts, count)[:, 0]
    mean_specs = _chart_means(specs, charts, count)
    gap = specs - mean_specs[charts]
    columns = usable_columns(gap, data.cards.size)
    if not columns:
        raise ScalemodelError(
            f"{data.cards.size} cards on shared charts cannot fix how rates grow with specs; "
            "three cards that differ in shaders x clock are the least"
        )
    fit = least_squares(gap[:, columns], rates - mean_rate[charts])
    # Each chart's mean was fitted too.
    dof = max(fit.dof - int(np.sum(count > 0)), 1)
    inflation = np.sqrt(fit.dof / dof) if fit.dof else 1.0
    return PowerLaw(
        columns,
        fit.coefficients,
        read_only(fit.covariance * inflation**2),
        read_only(mean_rate),
        read_only(mean_specs[:, columns]),
        read_only(count),
        fit.residual_sd * inflation,
        dof,
    )


def _chart_means(values: FloatArray, charts: IntArray, count: FloatArray) -> FloatArray:
    """Mean of each column of `values` a chart; NaN for a chart without rows."""
    divisor = np.where(count > 0, count, np.nan)
    sums = [np.bincount(charts, weights=column, minlength=count.size) for column in values.T]
    return np.asarray(np.array(sums).T / divisor[:, None])
