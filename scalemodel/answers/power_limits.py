"""How a card's rate follows its power, from runs at several power limits."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import t as student

from scalemodel.answers.comparable import common_reason
from scalemodel.answers.groups import NATIVE, kept_apart, upscaled_by
from scalemodel.answers.repeats import run_sd
from scalemodel.answers.runs import metric_column
from scalemodel.data.repeats import index_by, medians
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.equivalence import mean_difference
from scalemodel.model.power_curve import PowerCurve, power_curve

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit
    from scalemodel.answers.power_cells import CellPower

LAST = 0.1
"""Share of the power of which is said what it brings."""

LIMIT_COLUMNS = (
    "card",
    "platform",
    "power_limit_w",
    "level",
    "power_w",
    "power_ratio",
    "rate_ratio",
    "lower",
    "upper",
    "frames_per_joule_ratio",
    "charts_used",
    "left_out",
    "reason",
)
CURVE_COLUMNS = (
    "card",
    "platform",
    "level",
    "brings",
    "lower",
    "upper",
    "slope",
    "bend",
    "least_power_ratio",
    "charts_used",
    "reason",
)
NOT_OWN = "no result at the card's own limit"
UNLIKE = "upscaled at one of the two limits only"


def limit_tables(fit: "Fit", power: "CellPower", level: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a row a card, platform and limit, and a row a curve."""
    pairs = _pairs(fit, power)
    limits: list[dict[str, object]] = []
    rows: list[dict[str, object]] = []
    for (card, platform), every in pairs.groupby(["card", "platform"], sort=False):
        native = ((every["reason"] == "") & (every["upscaling"] == NATIVE)).any()
        own = kept_apart(every, NATIVE) if native else every
        about: dict[str, object] = {"card": card, "platform": platform, "level": level}
        for limit, here in own.groupby("power_limit_w"):
            limits.append({**about, "power_limit_w": limit, **_limit(here, level)})
        rows.append({**about, **_curve(own, level)})
    return (
        pd.DataFrame(limits).reindex(columns=list(LIMIT_COLUMNS)),
        pd.DataFrame(rows).reindex(columns=list(CURVE_COLUMNS)),
    )


def _pairs(fit: "Fit", power: "CellPower") -> pd.DataFrame:
    """Return each cell at a limit beside the same cell at the card's own limit.

    Gives CELL_COLUMNS, power_limit_w, rate, se and power_w at the limit; own_rate, own_se and
    own_power_w; upscaling, and reason, which is empty where the two can be compared.
    """
    column = metric_column(fit.metric)
    runs = fit.bench.limited
    runs = runs[runs[column].notna() & runs["power_w"].notna()].reset_index(drop=True)
    keys = [*CELL_COLUMNS, "power_limit_w"]
    cell = index_by(runs, keys)
    first = np.unique(cell, return_index=True)[1]
    found = runs.iloc[first][keys].reset_index(drop=True)
    if len(found):
        for name, source in (("rate", column), ("power_w", "power_w")):
            found[name] = np.exp(medians(np.log(runs[source].to_numpy(dtype=float)), cell))
        found["se"] = run_sd(fit) / np.sqrt(np.bincount(cell))
    else:
        found = found.reindex(columns=[*keys, "rate", "power_w", "se"])
    own = power.table[[*CELL_COLUMNS, "rate", "se", "power_w", "reason", "upscaling"]]
    own = own.rename(columns={name: f"own_{name}" for name in ("rate", "se", "power_w")})
    both = found.merge(own, on=list(CELL_COLUMNS), how="left")
    at_limit = both[keys].join(upscaled_by(runs, keys), on=keys)["upscaling"]
    unlike = (both["reason"] == "") & (at_limit != both["upscaling"])
    both["reason"] = both["reason"].mask(unlike, UNLIKE)
    both["reason"] = both["reason"].where(both["own_rate"].notna(), NOT_OWN)
    return both


def _logs(here: pd.DataFrame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return logs of rate and power over those at the card's own limit, and the error of the first.

    What the results at one's own limit err by is in all ratios of a chart alike, so it is counted.
    """
    rate = np.log((here["rate"] / here["own_rate"]).to_numpy(dtype=float))
    power = np.log((here["power_w"] / here["own_power_w"]).to_numpy(dtype=float))
    error = np.hypot(here["se"].to_numpy(dtype=float), here["own_se"].to_numpy(dtype=float))
    return rate, power, error


def _limit(here: pd.DataFrame, level: float) -> dict[str, object]:
    used = here[here["reason"] == ""]
    if used.empty:
        return {"charts_used": 0, "reason": common_reason(here["reason"])}
    rate, power, error = _logs(used)
    mean, se, dof = mean_difference(rate, error)
    reach = float(student.ppf((1 + level) / 2, dof)) * se
    return {
        "power_w": np.exp(np.log(used["power_w"].to_numpy(dtype=float)).mean()),
        "power_ratio": np.exp(power.mean()),
        "rate_ratio": np.exp(mean),
        "lower": np.exp(mean - reach),
        "upper": np.exp(mean + reach),
        "frames_per_joule_ratio": np.exp(mean - power.mean()),
        "charts_used": len(used),
        "left_out": common_reason(here["reason"]),
        "reason": "",
    }


def _curve(own: pd.DataFrame, level: float) -> dict[str, object]:
    used = own[own["reason"] == ""]
    if used.empty:
        return {"charts_used": 0, "reason": common_reason(own["reason"])}
    try:
        curve = _fitted(used)
    except ScalemodelError as error:
        return {"charts_used": 0, "reason": str(error)}
    slope, bend = curve.mean
    row: dict[str, object] = {
        "slope": slope,
        "bend": bend,
        "least_power_ratio": np.exp(curve.least),
        "charts_used": len(curve.terms),
        "reason": "",
    }
    if curve.least > np.log1p(-LAST):
        return {**row, "reason": f"tested down to {np.exp(curve.least):.0%} of its power only"}
    low, value, high = curve.bought_by(LAST, level)
    return {**row, "brings": value, "lower": low, "upper": high}


def _fitted(used: pd.DataFrame) -> PowerCurve:
    """Fit the curve; the card's own limit is on it on each of its charts."""
    chart = index_by(used, CHART_COLUMNS)
    rate, power, error = _logs(used)
    first = np.unique(chart, return_index=True)[1]
    base = np.zeros(len(first))
    return power_curve(
        np.concatenate([rate, base]),
        np.concatenate([power, base]),
        np.concatenate([chart, chart[first]]),
        np.concatenate([error, used["own_se"].to_numpy(dtype=float)[first]]),
    )
