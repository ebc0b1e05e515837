"""Where will this card land, from its spec sheet?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.ranks import rank_table
from scalemodel.answers.sheets import Sheets, complete_sheets
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.predictive import CellDraws, draw_cells
from scalemodel.model.ranks import p_faster

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

RANGE_COLUMNS = ("card", *CHART_COLUMNS, "metric", "level")
#: Added to the seed where a measured card is drawn, so that its noise is its own.
SEED_STEP = 1


@dataclass(frozen=True)
class Prediction:
    """Where cards should land: an estimate from their sheets, not a measurement.

    Attributes:
        table: one row a card and chart: card, platform, game, preset, resolution, metric, level,
            lower, median, upper (fps), p_ceiling, basis, reason. A refused prediction has empty
            numbers and its reason.
        against: one row a card, chart and card compared with: as above without the range, with
            against, p_faster, lead_lower, lead_median, lead_upper.
        ranks: one row a card, chart and position among the cards measured there (1 = fastest):
            card, platform, game, preset, resolution, position, probability.
        neighbours: measured rates: card, platform, game, preset, resolution, rate (fps).
        level: level of the ranges.
    """

    table: pd.DataFrame
    against: pd.DataFrame
    ranks: pd.DataFrame
    neighbours: pd.DataFrame
    level: float

    def __str__(self) -> str:
        words = []
        for card, rows in self.table.groupby("card", sort=False):
            good = rows[rows["reason"] == ""]
            if good.empty:
                words.append(f"{card}: no prediction ({rows['reason'].iloc[0]}).")
                continue
            part = f"{card}: {counted(len(good), 'chart')} predicted ({good['basis'].iloc[0]})"
            part += _width(good, self.level)
            bound = int((good["p_ceiling"] >= MORE_LIKELY).sum())
            part += f"; at the ceiling on {bound}" if bound else ""
            part += f"; {len(rows) - len(good)} refused" if len(rows) > len(good) else ""
            words.append(part + ".")
        return " ".join(words)


def _width(rows: pd.DataFrame, level: float) -> str:
    """Say how wide ranges are where the card itself is in question, not the ceiling."""
    below = rows[rows["p_ceiling"] < MORE_LIKELY]
    if below.empty:
        return ""
    width = (below["upper"] / below["lower"] - 1).median()
    return f", {level:.0%} ranges {width:.0%} wide below the ceiling"


def predict(
    fit: "Fit", specs: pd.DataFrame, level: float, against: tuple[str, ...], *, ranks: bool
) -> Prediction:
    """Predict cards on every chart of the bench.

    Raises:
        ScalemodelError: a card to compare with was not measured, or the level is not in (0, 1).
    """
    check_level(level)
    for card in against:
        fit.labels.card_index(card)
    sheets = complete_sheets(fit, specs)
    tables, compared, positions = [], [], []
    for k in range(len(sheets.table)):
        table, draws = predict_card(fit, sheets, k, level)
        tables.append(table)
        if draws is None:
            continue
        compared += [_compare(fit, table, draws, other, level) for other in against]
        if ranks:
            positions.append(rank_table(fit, table, draws.log_rate))
    neighbours = fit.cells.table[["card", *CHART_COLUMNS, "rate"]]
    return Prediction(
        table=pd.concat(tables, ignore_index=True),
        against=_joined(compared),
        ranks=_joined(positions),
        neighbours=neighbours,
        level=level,
    )


def _joined(tables: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def predict_card(
    fit: "Fit", sheets: Sheets, k: int, level: float
) -> tuple[pd.DataFrame, CellDraws | None]:
    """Return one card's rows, and its joint draws unless every chart is refused."""
    charts = fit.labels.charts
    card = sheets.table["card"].iloc[k]
    reasons = sheets.reasons(fit, k)
    table = pd.DataFrame(
        {
            "card": card,
            **{name: charts[name] for name in CHART_COLUMNS},
            "metric": fit.metric,
            "level": level,
            "lower": np.nan,
            "median": np.nan,
            "upper": np.nan,
            "p_ceiling": np.nan,
            "basis": sheets.basis[k],
            "reason": reasons,
        }
    )
    if all(reasons):
        return table, None
    specs = fit.labels.specs(sheets.table.iloc[[k]])
    rows = fit.labels.rows(charts, np.zeros(len(charts), dtype=np.intp))
    draws = draw_cells(fit.model, specs, rows, fit.seed)
    good = table["reason"].to_numpy() == ""
    ends = np.exp(np.quantile(draws.log_rate, [(1 - level) / 2, 0.5, (1 + level) / 2], axis=0))
    p_ceiling = (draws.log_gpu > draws.log_ceiling).mean(axis=0)
    for name, values in zip(("lower", "median", "upper"), ends, strict=True):
        table[name] = np.where(good, values, np.nan)
    table["p_ceiling"] = np.where(good, p_ceiling, np.nan)
    return table, draws


def _compare(
    fit: "Fit", table: pd.DataFrame, draws: CellDraws, other: str, level: float
) -> pd.DataFrame:
    """Return leads of a predicted card over a measured one on every chart not refused."""
    good = table["reason"].to_numpy() == ""
    theirs, basis = _other_draws(fit, other)
    leads = draws.log_rate - theirs
    ends = np.expm1(np.quantile(leads, [(1 - level) / 2, 0.5, (1 + level) / 2], axis=0))
    faster = np.array(
        [p_faster(draws.log_rate[:, j], theirs[:, j]) for j in range(theirs.shape[1])]
    )
    out = table[list(RANGE_COLUMNS)].assign(
        p_ceiling=table["p_ceiling"],
        basis=basis,
        reason=table["reason"],
        against=other,
        p_faster=np.where(good, faster, np.nan),
    )
    for name, values in zip(("lead_lower", "lead_median", "lead_upper"), ends, strict=True):
        out[name] = np.where(good, values, np.nan)
    return out


def _other_draws(fit: "Fit", other: str) -> tuple[FloatArray, list[str]]:
    """Return (draws, charts) log rates of a measured card: measured where it was, else fitted."""
    charts = fit.labels.charts
    index = fit.labels.card_index(other)
    rows = fit.labels.rows(charts, np.full(len(charts), index, dtype=np.intp))
    log_rate = draw_cells(fit.model, fit.model.specs, rows, fit.seed + SEED_STEP).log_rate
    cells = fit.cells.table
    own = cells[cells["card"] == other].set_index(list(CHART_COLUMNS))
    rng = np.random.default_rng(fit.seed + SEED_STEP)
    basis = []
    for j, chart in enumerate(charts[list(CHART_COLUMNS)].itertuples(index=False, name=None)):
        if chart in own.index:
            cell = own.loc[chart]
            noise = np.nan_to_num(float(cell["se"])) * rng.standard_normal(len(log_rate))
            log_rate[:, j] = np.log(float(cell["rate"])) + noise
            basis.append(f"{other} measured")
        else:
            basis.append(f"{other} fitted, not measured here")
    return log_rate, basis
