"""Which results and charts sit at the ceiling?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.levels import check_level
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.measured import ceiling_draws

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: A result counts against a chart when the ceiling is more likely than not its slower side.
MORE_LIKELY = 0.5
#: Fewest GPU-bound cards for a chart to compare anything.
FEWEST_COMPARED = 2

MEMORY_NOTE = "fell for lack of memory; neither side of the model set this rate"


@dataclass(frozen=True)
class Ceilings:
    """Results and charts against the ceiling.

    Attributes:
        table: one row a result: card, platform, game, preset, resolution, metric, rate (fps),
            p_ceiling, sensitivity, headroom, ceiling_rate (fps; empty where no card comes near
            the ceiling), state, reason.
        charts: one row a chart: platform, game, preset, resolution, metric, ceiling_rate,
            ceiling_low, ceiling_high (fps; where no card comes near the ceiling only ceiling_low
            is given and the ceiling is above it), cards, cards_cpu_bound, verdict, usable_below
            (fps), usable_below_card, reason.
        level: probability from which a result is called cpu_bound, and of the ranges.
    """

    table: pd.DataFrame
    charts: pd.DataFrame
    level: float

    def __str__(self) -> str:
        counts = self.charts["verdict"].value_counts()
        states = self.table["state"].value_counts()
        total = len(self.charts)
        return (
            f"{int(counts.get('usable', 0))} of {total} charts compare all their cards, "
            f"{int(counts.get('usable_below', 0))} compare only the cards below the ceiling, "
            f"{int(counts.get('not_usable', 0))} compare nothing. "
            f"{int(states.get('cpu_bound', 0))} of {len(self.table)} results sit at the "
            f"ceiling, {int(states.get('mixed', 0))} are too close to call."
        )


def ceilings(fit: "Fit", level: float) -> Ceilings:
    """Judge every measured cell and chart of a fit.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    check_level(level)
    table = _results(fit, level)
    helpers = ["pixels", "ceiling_low", "ceiling_high", "reached"]
    return Ceilings(table.drop(columns=helpers), _charts(fit.metric, table), level)


def _results(fit: "Fit", level: float) -> pd.DataFrame:
    judged = fit.judged
    draws = ceiling_draws(fit.model, fit.observed)
    cells = fit.cells.table
    kept = fit.model.kept
    p_ceiling = np.where(kept, judged.p_ceiling, 0.0)
    table = cells[list(CELL_COLUMNS)].assign(
        metric=fit.metric,
        rate=cells["rate"],
        p_ceiling=p_ceiling,
        sensitivity=np.where(kept, judged.sensitivity, np.nan),
        headroom=np.where(kept, np.exp(judged.log_headroom), np.nan),
        ceiling_rate=np.exp(np.median(draws, axis=0)),
        state=_states(p_ceiling, level),
        reason=np.where(kept, "", MEMORY_NOTE),
        pixels=cells["pixels"],
        ceiling_low=np.exp(np.quantile(draws, (1 - level) / 2, axis=0)),
        ceiling_high=np.exp(np.quantile(draws, (1 + level) / 2, axis=0)),
    )
    reached = table.groupby(["platform", "game", "preset"])["p_ceiling"].transform("max")
    table["reached"] = reached >= MORE_LIKELY
    # What was measured bounds such a ceiling; how far above that it lies, the prior would decide.
    fastest = table.groupby(["platform", "game", "preset"])["rate"].transform("max")
    bounded = np.minimum(table["ceiling_low"], fastest)
    table["ceiling_low"] = table["ceiling_low"].where(table["reached"], bounded)
    table["ceiling_rate"] = table["ceiling_rate"].where(table["reached"])
    return table


def _states(p_ceiling: FloatArray, level: float) -> FloatArray:
    return np.select(
        [p_ceiling >= level, p_ceiling <= 1 - level], ["cpu_bound", "gpu_bound"], "mixed"
    )


def _charts(metric: str, table: pd.DataFrame) -> pd.DataFrame:
    rows = []
    keys = [*CHART_COLUMNS, "pixels"]
    order = ["platform", "game", "preset", "pixels"]
    for key, results in table.sort_values(order).groupby(keys, sort=False):
        chart = dict(zip(CHART_COLUMNS, key, strict=False))
        rows.append({**chart, "metric": metric, **_verdict(results)})
    return pd.DataFrame(rows)


def _verdict(results: pd.DataFrame) -> dict[str, object]:
    first = results.iloc[0]
    at_ceiling = results[results["p_ceiling"] >= MORE_LIKELY]
    fell = int((results["reason"] != "").sum())
    compared = int((results["p_ceiling"] < MORE_LIKELY).sum()) - fell
    verdict, below, card, reason = "usable", np.nan, "", ""
    if len(results) < FEWEST_COMPARED:
        verdict, reason = "not_usable", "only one card"
    elif compared < FEWEST_COMPARED:
        verdict, reason = "not_usable", "fewer than two cards stay below the ceiling"
        reason += " and hold enough memory" if fell else ""
    elif len(at_ceiling):
        slowest = at_ceiling.sort_values("rate").iloc[0]
        verdict, below, card = "usable_below", float(slowest["rate"]), str(slowest["card"])
    if not first["reached"]:
        reason = reason or "no card comes near the ceiling; it is only known to be above"
    return {
        "ceiling_rate": first["ceiling_rate"],
        "ceiling_low": first["ceiling_low"],
        "ceiling_high": first["ceiling_high"] if first["reached"] else np.nan,
        "cards": len(results),
        "cards_cpu_bound": int((results["state"] == "cpu_bound").sum()),
        "verdict": verdict,
        "usable_below": below,
        "usable_below_card": card,
        "reason": reason,
    }
