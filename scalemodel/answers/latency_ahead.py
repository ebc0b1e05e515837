"""The latency to be expected of a card that is known by its spec sheet only."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.latency_lines import OF_A_FRAME, PlatformLine
from scalemodel.answers.predict import predict_card
from scalemodel.answers.sheets import complete_sheets
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.lines import TAIL
from scalemodel.model.predictive import CellDraws

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

NO_LINE = "no latency of this scene was measured on this platform"
AHEAD_COLUMNS = (
    "card",
    *CHART_COLUMNS,
    "level",
    "lower_ms",
    "median_ms",
    "upper_ms",
    "least_ms",
    "basis",
    "reason",
)


def latency_ahead(
    fit: "Fit", lines: Mapping[str, PlatformLine | str], specs: pd.DataFrame, level: float
) -> pd.DataFrame:
    """Predict the latency of cards from their sheets, through the draws of their rates.

    A range is of what as many shots as are usual on this platform show. It holds what is not known
    of the card's rate, of the line, of how cards and cells stray from it, and of the shots.
    """
    sheets = complete_sheets(fit, specs)
    tables = []
    for k in range(len(sheets.table)):
        table, draws = predict_card(fit, sheets, k, level)
        rows = []
        for j, chart in enumerate(table.to_dict(orient="records")):
            fixed = {name: chart[name] for name in ("card", *CHART_COLUMNS, "level", "basis")}
            reason, line = chart["reason"], lines.get(chart["platform"], NO_LINE)
            scene = None
            if isinstance(line, PlatformLine):
                scene = line.scene_number(chart["game"], chart["preset"])
            if not reason and scene is None:
                reason = line if isinstance(line, str) else NO_LINE
            if reason or draws is None or scene is None or isinstance(line, str):
                rows.append({**fixed, "reason": reason})
                continue
            rows.append({**fixed, **_range(line, scene, draws, j, level, fit.seed), "reason": ""})
        tables.append(pd.DataFrame(rows, columns=list(AHEAD_COLUMNS)))
    return pd.concat(tables, ignore_index=True)


def _range(
    line: PlatformLine, scene: int, draws: CellDraws, chart: int, level: float, seed: int
) -> dict[str, float]:
    frame = 1000 * np.exp(-draws.log_rate[:, chart])
    gpu = np.minimum(1000 * np.exp(-draws.log_gpu[:, chart]), frame)
    latency = draw_latency(line, scene, frame, frame - gpu, seed + chart)
    ends = np.quantile(latency, [(1 - level) / 2, 0.5, (1 + level) / 2])
    least = float(np.median((OF_A_FRAME - 1) * frame + gpu))
    return dict(zip(("lower_ms", "median_ms", "upper_ms"), map(float, ends), strict=True)) | {
        "least_ms": least
    }


def draw_latency(
    line: PlatformLine, scene: int, frame: FloatArray, slack: FloatArray, seed: int
) -> FloatArray:
    """Draw (draws,) latencies in ms of a new card with these drawn frame times.

    Args:
        line: the line of the platform.
        scene: number of the scene in it.
        frame: (draws,) frame times in ms.
        slack: (draws,) what the GPU has left of each.
        seed: of what is drawn.
    """
    rng = np.random.default_rng(seed)
    at = rng.integers(0, len(line.draws), len(frame))
    constant, frames = (part[at] for part in line.of_scene(scene))
    latency = constant + frames * frame
    if line.has_slack:
        latency = latency + line.draws[at, 2] * slack
    data, scales = line.lines.data, np.exp(line.log_scales[at])
    of_scene = data.scene == scene
    usual = float(np.median(line.lines.scatter[of_scene] / data.stretch[of_scene]))
    known = float(np.median(np.sqrt(data.known) / data.stretch))
    stretch = np.clip(latency / line.usual_ms, 0.1, None)
    cell = usual * stretch * rng.standard_t(TAIL, len(frame)) / np.sqrt(TAIL / (TAIL - 2))
    card = scales[:, -2] * rng.standard_normal(len(frame))
    shots = known * stretch * rng.standard_normal(len(frame))
    return np.asarray(latency + card + cell + shots)
