"""Sealed forecasts on disk: what was predicted, from what, when; and a seal over all of it.

The file is JSON. The seal is the sha256 of its content in canonical form, so that anybody can see
that a forecast, once its seal is known to others, is still the one that was made.
"""

import datetime
import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scalemodel.data.problems import shown
from scalemodel.data.schema import CARDS, CHART_COLUMNS
from scalemodel.data.specs import with_derived
from scalemodel.errors import ScalemodelError
from scalemodel.version import VERSION

KIND = "scalemodel forecast"
FORMAT = 1
#: Probabilities at which each chart's rate is kept: the ends of the usual ranges among them.
QUANTILES = (
    0.005, 0.01, 0.025, 0.05, 0.1, 0.15, 0.25, 0.35, 0.5,
    0.65, 0.75, 0.85, 0.9, 0.95, 0.975, 0.99, 0.995,
)  # fmt: skip
#: Draws are kept as whole numbers of this log rate, from the median.
STEP = 1e-4
#: Bytes of a file beyond which it is not read.
LARGEST = 512 << 20
ALLOWED = "a forecast as `scalemodel predict --save FILE` writes it"


class ForecastError(ScalemodelError):
    """A file that cannot be used as a forecast."""


@dataclass(frozen=True)
class Origin:
    """The bench that a forecast was made from, so that later changes can be named.

    Attributes:
        digest: of its files.
        results: card -> digest of its measured cells.
        sheets: card -> digest of its spec sheet, of cards with results.
        platforms: platform -> digest of its description.
    """

    digest: str
    results: Mapping[str, str]
    sheets: Mapping[str, str]
    platforms: Mapping[str, str]


@dataclass(frozen=True)
class Forecast:
    """Predictions as they were made, to be compared with what is measured later.

    Attributes:
        date: day on which it was made.
        version: of the program that made it.
        metric: which number of a run.
        settings: everything that, with the bench, determines the predictions.
        origin: the bench it was made from.
        sheets: the spec sheets, with the columns of ``Bench.cards``.
        charts: one row a card and chart: card, CHART_COLUMNS, p_ceiling, basis, reason.
        rates: (rows of charts, quantiles) predicted rates at QUANTILES, fps; NaN where refused.
        draws: (draws, rows of charts) joint draws of log rates; NaN where refused.
    """

    date: datetime.date
    version: str
    metric: str
    settings: Mapping[str, object]
    origin: Origin
    sheets: pd.DataFrame
    charts: pd.DataFrame
    rates: np.ndarray[Any, np.dtype[np.float64]]
    draws: np.ndarray[Any, np.dtype[np.float64]]

    @property
    def seal(self) -> str:
        """The sha256 of the content."""
        return _seal(_document(self))

    def to_json(self) -> str:
        """Write the sealed file."""
        document = _document(self)
        sealed = {**document, "seal": _seal(document)}
        return json.dumps(sealed, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _document(forecast: Forecast) -> dict[str, Any]:
    origin = forecast.origin
    return {
        "kind": KIND,
        "format": FORMAT,
        "version": forecast.version,
        "date": forecast.date.isoformat(),
        "metric": forecast.metric,
        "settings": dict(forecast.settings),
        "bench": {
            "digest": origin.digest,
            "results": dict(origin.results),
            "sheets": dict(origin.sheets),
            "platforms": dict(origin.platforms),
        },
        "quantiles": list(QUANTILES),
        "cards": [_card(forecast, sheet) for sheet in sheet_records(forecast.sheets)],
    }


def sheet_records(sheets: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the columns of cards.csv of each sheet; None where the sheet is silent."""
    plain = sheets[list(CARDS.names())].astype(object)
    records = plain.where(plain.notna(), None).to_dict(orient="records")
    return [{str(name): value for name, value in record.items()} for record in records]


def _card(forecast: Forecast, sheet: dict[str, Any]) -> dict[str, Any]:
    at = np.flatnonzero(forecast.charts["card"] == sheet["card"])
    charts = forecast.charts.iloc[at]
    good = at[(charts["reason"] == "").to_numpy()]
    median = np.log(forecast.rates[good, QUANTILES.index(0.5)])
    steps = np.rint((forecast.draws[:, good] - median) / STEP).astype(int)
    rows = []
    for place, chart in zip(at, charts.to_dict(orient="records"), strict=True):
        row: dict[str, Any] = {name: chart[name] for name in CHART_COLUMNS}
        if chart["reason"]:
            rows.append({**row, "reason": chart["reason"]})
        else:
            rates = [float(rate) for rate in forecast.rates[place]]
            rows.append({**row, "p_ceiling": float(chart["p_ceiling"]), "rates": rates})
    return {
        "sheet": sheet,
        "basis": str(charts["basis"].iloc[0]),
        "charts": rows,
        "draws": [" ".join(map(str, draw)) for draw in steps.tolist()],
    }


def _seal(document: Mapping[str, Any]) -> str:
    """Return the sha256 of a document without its seal, in the one canonical form."""
    content = {key: value for key, value in document.items() if key != "seal"}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def read_forecast(path: str | os.PathLike[str]) -> Forecast:
    """Read a sealed forecast.

    Raises:
        ForecastError: it cannot be read, is something else, or was changed since it was sealed.
    """
    name = os.fspath(path)
    document = _loaded(name)
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise _error(name, "this is not a forecast", "name the file that predict --save wrote")
    if document.get("format") != FORMAT:
        given = shown(str(document.get("format"))).strip('"')
        what = f"the forecast has format {given}, and scalemodel {VERSION} reads"
        raise _error(
            name, f"{what} format {FORMAT}", "use the version that wrote it, or a newer one"
        )
    try:
        sealed = _seal(document) == document.get("seal")
        if sealed:
            return _parsed(document)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        what = "the forecast is not as scalemodel writes it"
    else:
        what = "the content does not match its seal: it was changed after it was written"
    raise _error(name, what, "take the file as it was written")


def _loaded(name: str) -> object:
    try:
        with Path(name).open("rb") as stream:
            content = stream.read(LARGEST + 1)
        if len(content) > LARGEST:
            what = f"the file has more than {LARGEST >> 20} MiB"
            raise _error(name, what, "name the file that predict --save wrote")
        return json.loads(content.decode("utf-8"), parse_constant=_refuse)
    except FileNotFoundError:
        raise _error(name, "there is no such file", "correct the path") from None
    except OSError as error:
        what = f"the file cannot be read ({error.strerror or error})"
        raise _error(name, what, "allow reading it or correct the path") from None
    except (ValueError, RecursionError):  # not UTF-8, not JSON, or cut short
        what = "this is not a whole JSON document"
        raise _error(
            name, what, "take the file as it was written; a copy may be cut short"
        ) from None


def _refuse(constant: str) -> float:
    raise ValueError(constant)


def _error(name: str, what: str, fix: str) -> ForecastError:
    return ForecastError(f"{name}: {what}. Allowed: {ALLOWED}. Fix: {fix}.")


def _parsed(document: Mapping[str, Any]) -> Forecast:
    bench = document["bench"]
    if document["quantiles"] != list(QUANTILES):
        raise ValueError("other quantiles")
    parts = [_parsed_card(card) for card in document["cards"]]
    sheets = pd.DataFrame([card["sheet"] for card in document["cards"]], columns=CARDS.names())
    numbers = [column.name for column in CARDS.columns if column.kind == "number"]
    sheets[numbers] = sheets[numbers].astype(float)
    return Forecast(
        date=datetime.date.fromisoformat(document["date"]),
        version=str(document["version"]),
        metric=str(document["metric"]),
        settings=dict(document["settings"]),
        origin=Origin(
            str(bench["digest"]),
            dict(bench["results"]),
            dict(bench["sheets"]),
            dict(bench["platforms"]),
        ),
        sheets=with_derived(sheets),
        charts=pd.concat([charts for charts, _, _ in parts], ignore_index=True),
        rates=np.concatenate([rates for _, rates, _ in parts]),
        draws=np.concatenate([draws for _, _, draws in parts], axis=1),
    )


def _parsed_card(
    card: Mapping[str, Any],
) -> tuple[
    pd.DataFrame, np.ndarray[Any, np.dtype[np.float64]], np.ndarray[Any, np.dtype[np.float64]]
]:
    rows = [
        {
            "card": card["sheet"]["card"],
            **{name: chart[name] for name in CHART_COLUMNS},
            "p_ceiling": chart.get("p_ceiling", np.nan),
            "basis": card["basis"],
            "reason": chart.get("reason", ""),
        }
        for chart in card["charts"]
    ]
    charts = pd.DataFrame(rows)
    good = (charts["reason"] == "").to_numpy()
    rates = np.full((len(charts), len(QUANTILES)), np.nan)
    for place in np.flatnonzero(good):
        rates[place] = card["charts"][place]["rates"]
    draws = np.full((len(card["draws"]), len(charts)), np.nan)
    steps = np.array([line.split() for line in card["draws"]], dtype=float)
    draws[:, good] = steps.reshape(len(draws), int(good.sum())) * STEP
    draws += np.log(rates[:, QUANTILES.index(0.5)])
    return charts, rates, draws
