"""Which position a predicted card would take among the cards measured on a chart."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.ranks import rank_distribution

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit


def rank_table(fit: "Fit", table: pd.DataFrame, log_rate: FloatArray) -> pd.DataFrame:
    """Return card, chart, position and probability for each chart that is not refused.

    Args:
        fit: the fit.
        table: the card's predicted rows.
        log_rate: (draws, rows) joint draws of its log rate.
    """
    measured = fit.cells.table.groupby(list(CHART_COLUMNS), sort=False)
    rng = np.random.default_rng(fit.seed)
    parts = []
    for j, row in enumerate(table.to_dict(orient="records")):
        if row["reason"]:
            continue
        chart = tuple(row[name] for name in CHART_COLUMNS)
        cells = measured.get_group(chart)
        sd = np.nan_to_num(cells["se"].to_numpy(dtype=float))
        normals = rng.standard_normal((len(log_rate), len(cells)))
        others = np.log(cells["rate"].to_numpy(dtype=float)) + sd * normals
        position = rank_distribution(np.column_stack([log_rate[:, j], others]))[0]
        part = pd.DataFrame({"position": np.arange(1, len(position) + 1), "probability": position})
        part = part.assign(card=row["card"], **dict(zip(CHART_COLUMNS, chart, strict=True)))
        parts.append(part[["card", *CHART_COLUMNS, "position", "probability"]])
    return pd.concat(parts, ignore_index=True)
