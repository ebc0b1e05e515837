"""A sealed forecast against what was measured later."""

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.forecast import origin_of
from scalemodel.answers.held_out import FELL
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.shifts import SHIFT_COLUMNS, Shifts, card_shifts
from scalemodel.data.forecast_file import QUANTILES, Forecast, sheet_records
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.surprise import tail_share, two_sided
from scalemodel.version import VERSION

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NOT_YET = "not measured yet"
NOT_FORECAST = "measured, but not in the forecast"
#: Widest ranges that the quantiles kept can give.
WIDEST = QUANTILES[-1] - QUANTILES[0]


@dataclass(frozen=True)
class ForecastScore:
    """A forecast against what was measured since.

    Attributes:
        table: one row a card and chart of the forecast: card, platform, game, preset, resolution,
            metric, measured (fps), level, lower, median, upper (fps, as they were forecast),
            error (log of median over measured), inside, pit (share of the forecast below what was
            measured, test error included), surprise (probability of a rate as far out, on either
            side), p_ceiling, reason. A row with a reason is not judged.
        cards: one row a card: card, charts, cells, inside, mean_error, p (how often the forecast
            itself shifts anywhere as strongly), where.
        shifts: one row a surprise of a card, what explains most first: card, kind, where, shift
            (measured over forecast minus 1), p, charts.
        changes: what else is not as it was when the forecast was made: what, name, change.
        date, version, seal: of the forecast.
        level: level of the ranges.
    """

    table: pd.DataFrame
    cards: pd.DataFrame
    shifts: pd.DataFrame
    changes: pd.DataFrame
    date: str
    version: str
    seal: str
    level: float

    def __str__(self) -> str:
        words = [f"Forecast of {self.date}."]
        for row in self.cards.to_dict(orient="records"):
            words.append(_card_words(row, self.shifts, self.level))
        if len(self.changes):
            words.append(f"{counted(len(self.changes), 'thing')} changed in the bench since.")
        return " ".join(words)


def _card_words(row: dict[Hashable, Any], shifts: pd.DataFrame, level: float) -> str:
    card, cells = row["card"], int(row["cells"])
    if not cells:
        return f"{card}: {row['where']}."
    words = (
        f"{card}: {round(row['inside'] * cells)} of {counted(cells, 'measured rate')} "
        f"in the {100 * level:.10g}% ranges. "
    )
    if (shifts["card"] == card).any():
        return words + f"It is {row['where']}."
    words += f"They are {_off(-row['mean_error'])} on average. That is no surprise: some group of "
    often = max(1, round(100 * row["p"]))
    return words + f"charts is as far off in {often} of 100 forecasts like this."


def _off(size: float) -> str:
    """Say how far measured rates lie from the forecast, from the log of their ratio."""
    ratio = float(np.expm1(size))
    return f"{abs(ratio):.1%} {'above' if ratio > 0 else 'below'} the forecast"


def score_forecast(fit: "Fit", forecast: Forecast, level: float) -> ForecastScore:
    """Compare a forecast with the results that a fit now has.

    Raises:
        ScalemodelError: the fit is of another metric or bench, or the level is too high for the
            quantiles kept.
    """
    check_level(level)
    _check_same(fit, forecast, level)
    rows, draws = _rows(fit, forecast, level)
    cards, shifts = [], []
    for card in dict.fromkeys(rows["card"]):
        at = np.flatnonzero((rows["card"] == card) & (rows["reason"] == ""))
        own = rows.iloc[at]
        found = _shifts(str(card), own, draws[:, at])
        shifts.append(found.table)
        cards.append(_card_row(str(card), rows[rows["card"] == card], own, found))
    order = [*CELL_COLUMNS, "metric", "measured", "level", "lower", "median", "upper", "error"]
    order += ["inside", "pit", "surprise", "p_ceiling", "reason"]
    return ForecastScore(
        table=rows[order],
        cards=pd.DataFrame(cards),
        shifts=pd.concat(shifts, ignore_index=True)[list(SHIFT_COLUMNS)],
        changes=pd.DataFrame(_changes(fit, forecast), columns=["what", "name", "change"]),
        date=forecast.date.isoformat(),
        version=forecast.version,
        seal=forecast.seal,
        level=level,
    )


def _check_same(fit: "Fit", forecast: Forecast, level: float) -> None:
    source = fit.bench.source
    if forecast.metric != fit.metric:
        raise ScalemodelError(
            f"The forecast is of the metric {forecast.metric}, the fit of {fit.metric}. "
            f'Fix: fit the metric "{forecast.metric}".'
        )
    if level > WIDEST + 1e-9:
        raise ScalemodelError(
            f"A level of {level:g} is more than a forecast keeps. Allowed: up to {WIDEST:g}."
        )
    here = pd.MultiIndex.from_frame(fit.labels.charts[list(CHART_COLUMNS)])
    there = pd.MultiIndex.from_frame(forecast.charts[list(CHART_COLUMNS)])
    if not set(forecast.origin.results) & set(fit.labels.cards) or not there.isin(here).any():
        raise ScalemodelError(
            f"{source}: the forecast was made from another bench; none of its tested cards, or "
            "none of its charts, is in this one. Fix: name the bench that it was made from."
        )


def _rows(fit: "Fit", forecast: Forecast, level: float) -> tuple[pd.DataFrame, FloatArray]:
    """Return the rows of the forecast with what was measured, and (draws, rows) of log rates."""
    cells = fit.cells.table.assign(fell=~fit.model.kept)
    cells = cells[cells["card"].isin(forecast.charts["card"])]
    keys = list(CELL_COLUMNS)
    ends = _ends(forecast, level)
    told = forecast.charts.assign(**ends, place=np.arange(len(forecast.charts)))
    rows = told.merge(cells[[*keys, "rate", "se", "fell"]], on=keys, how="outer", sort=False)
    rows = rows.sort_values("place", kind="stable", na_position="last").reset_index(drop=True)
    measured = rows["rate"].to_numpy(dtype=float)
    reason = rows["reason"].fillna(NOT_FORECAST)
    reason = reason.mask((reason == "") & np.isnan(measured), NOT_YET)
    reason = reason.mask((reason == "") & rows["fell"].eq(True), FELL)
    draws = np.full((len(forecast.draws), len(rows)), np.nan)
    draws[:, : len(told)] = forecast.draws
    sd = np.nan_to_num(rows["se"].to_numpy(dtype=float))
    rng = np.random.default_rng(fit.seed)
    draws = draws + sd * rng.standard_normal(draws.shape)
    good = (reason == "").to_numpy()
    pit = np.full(len(rows), np.nan)
    pit[good] = tail_share(draws[:, good], np.log(measured[good]))
    within = (rows["lower"] <= measured) & (measured <= rows["upper"])
    rows = rows.assign(
        metric=forecast.metric,
        measured=measured,
        level=level,
        error=np.where(good, np.log(rows["median"] / measured), np.nan),
        inside=within.astype(object).where(good, None),
        pit=pit,
        surprise=two_sided(pit),
        reason=reason,
    )
    return rows, draws


def _ends(forecast: Forecast, level: float) -> dict[str, FloatArray]:
    """Return lower, median and upper rates, between the quantiles kept where need be."""
    out = {}
    known = ndtri(np.array(QUANTILES))
    for name, share in (("lower", (1 - level) / 2), ("median", 0.5), ("upper", (1 + level) / 2)):
        at = ndtri(min(max(share, QUANTILES[0]), QUANTILES[-1]))
        logs = [np.interp(at, known, np.log(rates)) for rates in forecast.rates]
        out[name] = np.exp(np.array(logs))
    return out


def _shifts(card: str, own: pd.DataFrame, draws: FloatArray) -> Shifts:
    if own.empty:
        return Shifts(pd.DataFrame(columns=list(SHIFT_COLUMNS)), np.nan)
    observed = np.log(own["measured"].to_numpy(dtype=float))
    bound = own["p_ceiling"].to_numpy(dtype=float) >= MORE_LIKELY
    return card_shifts(card, own, draws, observed, bound)


def _card_row(card: str, rows: pd.DataFrame, own: pd.DataFrame, found: Shifts) -> dict[str, object]:
    row: dict[str, object] = {"card": card, "charts": len(rows), "cells": len(own)}
    if own.empty:
        return {
            **row,
            "inside": np.nan,
            "mean_error": np.nan,
            "p": np.nan,
            "where": rows["reason"].value_counts().index[0],
        }
    words = [
        f"{_off(float(np.log1p(shift)))} {where}"
        for shift, where in zip(found.table["shift"], found.table["where"], strict=True)
    ]
    return {
        **row,
        "inside": own["inside"].astype(bool).mean(),
        "mean_error": own["error"].mean(),
        "p": found.p,
        "where": "; ".join(words),
    }


def _changes(fit: "Fit", forecast: Forecast) -> Iterator[tuple[str, str, str]]:
    """Say what is not as it was when the forecast was made, its own cards' results apart."""
    then, now = forecast.origin, origin_of(fit.bench, fit.metric)
    own = set(forecast.sheets["card"])
    for what, old, new in (
        ("results", then.results, now.results),
        ("spec sheet", then.sheets, now.sheets),
        ("platform", then.platforms, now.platforms),
    ):
        for name in sorted({*old, *new} - own):
            if old.get(name) != new.get(name):
                change = "new" if name not in old else "gone" if name not in new else "changed"
                if what != "spec sheet" or change == "changed":
                    yield what, name, change
    sheets = {sheet["card"]: sheet for sheet in sheet_records(fit.bench.cards)}
    for sheet in sheet_records(forecast.sheets):
        for column, value in sheet.items():
            final = sheets.get(sheet["card"], sheet)[column]
            if final != value:
                yield "spec sheet", str(sheet["card"]), f"{column}: {value} then, {final} now"
    if forecast.version != VERSION:
        yield "program", "scalemodel", f"{forecast.version} then, {VERSION} now"
