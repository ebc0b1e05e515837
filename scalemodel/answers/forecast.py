"""A forecast to be sealed: predictions with all that is needed to judge them later."""

import datetime
import hashlib
import json
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.predict import predict_card
from scalemodel.answers.runs import metric_column
from scalemodel.answers.sheets import complete_sheets
from scalemodel.data.bench import Bench
from scalemodel.data.forecast_file import QUANTILES, Forecast, Origin, sheet_records
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.version import VERSION

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Joint draws kept of a card: enough to say that a shift comes up once in 250 times.
KEPT_DRAWS = 256
#: Decimals of the rates kept, in frames per second.
DECIMALS = 3
LEVEL = 0.8


def forecast(fit: "Fit", specs: pd.DataFrame, date: datetime.date) -> Forecast:
    """Predict cards and keep quantiles, joint draws and what they rest on."""
    sheets = complete_sheets(fit, specs)
    tables, rates, draws = [], [], []
    for k in range(len(sheets.table)):
        table, drawn = predict_card(fit, sheets, k, LEVEL)
        good = (table["reason"] == "").to_numpy()
        kept = np.full((len(table), len(QUANTILES)), np.nan)
        few = np.full((KEPT_DRAWS, len(table)), np.nan)
        if drawn is not None:
            every = drawn.log_rate
            kept[good] = np.exp(np.quantile(every[:, good], QUANTILES, axis=0)).T.round(DECIMALS)
            # Evenly over the draws, which lie in the order of the points they were made at.
            few[:, good] = every[np.linspace(0, len(every) - 1, KEPT_DRAWS).astype(int)][:, good]
        tables.append(table)
        rates.append(kept)
        draws.append(few)
    columns = ["card", *CHART_COLUMNS, "p_ceiling", "basis", "reason"]
    return Forecast(
        date=date,
        version=VERSION,
        metric=fit.metric,
        settings=dict(fit.settings),
        origin=origin_of(fit.bench, fit.metric),
        sheets=specs.reset_index(drop=True),
        charts=pd.concat(tables, ignore_index=True)[columns],
        rates=np.concatenate(rates),
        draws=np.concatenate(draws, axis=1),
    )


def origin_of(bench: Bench, metric: str) -> Origin:
    """Return digests of the parts of a bench, as it is now."""
    columns = [*CHART_COLUMNS, "run", metric_column(metric)]
    runs = bench.results.dropna(subset=columns[-1]).sort_values(columns)
    results = {
        str(card): _digest([[str(value) for value in row] for row in own.to_numpy()])
        for card, own in runs.groupby("card", sort=True)[columns]
    }
    tested = bench.cards[bench.cards["card"].isin(results)]
    platforms = bench.platforms.astype(str).to_dict(orient="records")
    return Origin(
        bench.digest,
        results,
        {sheet["card"]: _digest(sheet) for sheet in sheet_records(tested)},
        {str(one["platform"]): _digest(one) for one in platforms},
    )


def _digest(content: object) -> str:
    text = json.dumps(content, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
