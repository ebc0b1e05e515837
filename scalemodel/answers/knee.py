"""How the rates of a scene run into its ceiling: what the cards would reach without it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import Ceilings, ceilings
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.moves import chosen_charts, in_scenes
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.likelihood import linear_predictors
from scalemodel.model.measured import gpu_quantiles
from scalemodel.model.physics import under_ceiling

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Points of a curve, and how far it goes beyond the highest ceiling or rate.
POINTS, BEYOND = 61, 1.25
SCENE = ["platform", "game", "preset"]
CURVE = (
    *SCENE,
    "gpu_rate",
    "rate",
    "lower",
    "upper",
    "sensitivity",
    "sensitivity_lower",
    "sensitivity_upper",
)


@dataclass(frozen=True)
class Knee:
    """Scenes and their ceilings.

    Attributes:
        table: the rows of `ceilings` of these scenes, with gpu_rate, gpu_lower and gpu_upper (fps):
            what the card would reach there without the ceiling, and its range.
        charts: the charts of `ceilings` of these scenes.
        curve: one row a scene, platform and step: platform, game, preset, gpu_rate, rate, lower,
            upper (fps), sensitivity with its range: what the model gives a card that would reach
            gpu_rate. Where no card comes near the ceiling it ends at the highest rate measured.
        level: of the ranges.
    """

    table: pd.DataFrame
    charts: pd.DataFrame
    curve: pd.DataFrame
    level: float

    def __str__(self) -> str:
        parts = []
        for scene, charts in self.charts.groupby(SCENE, sort=False):
            platform, game, preset = scene
            own = self.table
            for name, value in zip(SCENE, scene, strict=True):
                own = own[own[name] == value]
            bound = int((own["state"] == "cpu_bound").sum())
            first = charts.iloc[0]
            ceiling = (
                f"above {first['ceiling_low']:.1f}"
                if np.isnan(first["ceiling_rate"])
                else f"{first['ceiling_rate']:.1f}"
            )
            parts.append(
                f"{game} | {preset} on {platform}: ceiling {ceiling} fps, "
                f"{bound} of {counted(len(own), 'result')} at it."
            )
        return " ".join(parts)


def knee(fit: "Fit", scenes: Sequence[str], level: float) -> Knee:
    """Say how the rates of some scenes run into their ceilings.

    Args:
        fit: the fit.
        scenes: "Game | preset" or "Game".
        level: of the ranges.

    Raises:
        ScalemodelError: no scene has one of the names, or the level is not in (0, 1).
    """
    check_level(level)
    chosen_charts(fit.labels, scenes)
    whole = ceilings(fit, level)
    here = in_scenes(whole.table, scenes).to_numpy(dtype=bool)
    shares = ((1 - level) / 2, 0.5, (1 + level) / 2)
    lower, middle, upper = np.exp(
        gpu_quantiles(fit.model, fit.observed, np.flatnonzero(here), shares)
    )
    kept = fit.model.kept[here]
    numbers = {"gpu_rate": middle, "gpu_lower": lower, "gpu_upper": upper}
    table = whole.table[here].assign(
        **{name: np.where(kept, values, np.nan) for name, values in numbers.items()}
    )
    charts = whole.charts[in_scenes(whole.charts, scenes)]
    return Knee(
        table.reset_index(drop=True),
        charts.reset_index(drop=True),
        _curves(fit, Ceilings(table, charts, level)),
        level,
    )


def _curves(fit: "Fit", at: Ceilings) -> pd.DataFrame:
    parts = []
    for scene, charts in at.charts.groupby(SCENE, sort=False):
        own = at.table
        for name, value in zip(SCENE, scene, strict=True):
            own = own[own[name] == value]
        low, high = own["gpu_lower"].min(), own["gpu_rate"].max()
        first = charts.iloc[0]
        known = np.isfinite(first["ceiling_rate"])
        high = max(high, first["ceiling_high"]) * BEYOND if known else first["ceiling_low"]
        if np.isfinite(low) and low < high:
            gpu_rate = np.geomspace(low, high, POINTS)
            curve = pd.DataFrame(_curve(fit, charts.iloc[:1], gpu_rate, at.level))
            for name, value in zip(SCENE, scene, strict=True):
                curve[name] = str(value)
            parts.append(curve[list(CURVE)])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(CURVE))


def _curve(
    fit: "Fit", chart: pd.DataFrame, gpu_rate: FloatArray, level: float
) -> dict[str, FloatArray]:
    """Return the curve of one scene and platform at some GPU-side rates."""
    charts = fit.labels.charts.merge(chart[list(CHART_COLUMNS)], on=list(CHART_COLUMNS))
    layout = fit.model.layout
    rows = fit.labels.rows(charts, np.zeros(1, dtype=np.intp))
    values = linear_predictors(layout.design(rows, fit.model.specs), layout, fit.model.draws.theta)
    ceiling, log_p = (values[layout.predictors.index(name)] for name in ("ceiling", "log_p"))
    capped = under_ceiling(np.log(gpu_rate), ceiling, log_p)
    shares = [0.5, (1 - level) / 2, (1 + level) / 2]
    rates = np.exp(np.quantile(capped.log_rate, shares, axis=0))
    slopes = np.quantile(capped.sensitivity, shares, axis=0)
    return {
        "gpu_rate": gpu_rate,
        **dict(zip(CURVE[4:7], rates, strict=True)),
        **dict(zip(CURVE[7:], slopes, strict=True)),
    }
