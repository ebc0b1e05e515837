"""The line of latency against frame time on a platform: scenes, cards, cells."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as student

from scalemodel.answers.levels import counted
from scalemodel.answers.spread import ALL
from scalemodel.data.repeats import index_by
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import BoolArray, FloatArray
from scalemodel.model.layout import ScalePrior
from scalemodel.model.lines import FEWEST_CARDS, TAIL, LineData, Lines, fit_lines
from scalemodel.model.mixed import draw_coefficients
from scalemodel.model.out_of_step import cells_apart
from scalemodel.model.waiting import least_latency

FEWEST_LINE_CARDS, FEWEST_LINE_CELLS = 3, 6
"""A line needs so many cards and cells."""

LEAST_SPAN = 1.2
"""... and frame times that differ by this factor."""

LEAST_SLACK = 0.3
"""Slack in ms below which it does not tell what the ceiling does to latency."""

OF_A_FRAME = 1.5
"""Frames that any click takes where the GPU sets the rate: half of one until the next begins, and
one to draw it. What the line has beyond waits in a queue."""

PRIORS = (
    ScalePrior(3.0, 1.0),
    ScalePrior(0.3, 0.8),
    ScalePrior(0.5, 0.8),
    ScalePrior(0.4, 0.8),
)
"""Of what scenes differ by at a usual frame time (ms), of their frames, of cards and cells (ms)."""

KINDS = 2
"""What may be out of step: a card, or a single cell."""

DRAWS, POINTS = 2048, 64
LINE_COLUMNS = (
    "platform",
    "game",
    "preset",
    "cells",
    "cards",
    "constant_ms",
    "constant_lower_ms",
    "constant_upper_ms",
    "frames",
    "frames_lower",
    "frames_upper",
    "waiting_frames",
    "from_fps",
    "to_fps",
    "bought_ms",
    "bought_lower_ms",
    "bought_upper_ms",
    "slack_part",
    "scatter_ms",
    "typical_ms",
    "least_ms",
    "reason",
)
CARD_COLUMNS = (
    "platform",
    "card",
    "cells",
    "shots",
    "mean_ms",
    "apart_ms",
    "apart_lower_ms",
    "apart_upper_ms",
    "apart_frames",
    "p",
    "breaks",
    "reason",
)


@dataclass(frozen=True)
class PlatformLine:
    """The fitted line of one platform.

    Attributes:
        cells: the cells in the fit: the columns of LatencyCells.table.
        middle_ms: frame time that the columns are centred at.
        usual_ms: latency at which a cell's scatter is that of the fit.
        lines: the fit.
        draws: (draws, coefficients) joint draws of it.
        log_scales: (draws, scales) the scales they were drawn with.
    """

    cells: pd.DataFrame
    middle_ms: float
    usual_ms: float
    lines: Lines
    draws: FloatArray
    log_scales: FloatArray

    @property
    def has_slack(self) -> bool:
        """Whether the fit tells what a card that waits for the ceiling gains."""
        return len(self.lines.data.own) > 1

    def of_scene(self, scene: int | None) -> tuple[FloatArray, FloatArray]:
        """Return (draws,) the constant in ms and the frames of a scene; None: of all scenes."""
        level, slope = self.draws[:, 0], self.draws[:, 1]
        data = self.lines.data
        if scene is not None and data.scenes > 1:
            first = 1 + data.columns.shape[1]
            level = level + self.draws[:, first + scene]
            slope = slope + self.draws[:, first + data.scenes + scene]
        return level - slope * self.middle_ms, slope

    def scene_number(self, game: str, preset: str) -> int | None:
        """Return the number of a scene in the fit; None if it has no cell there."""
        here = ((self.cells["game"] == game) & (self.cells["preset"] == preset)).to_numpy()
        return int(self.lines.data.scene[here][0]) if here.any() else None


def fit_platform(cells: pd.DataFrame, tail: float, seed: int, platforms: int) -> PlatformLine | str:
    """Fit the line of a platform's cells, or say why there is none.

    Args:
        cells: the columns of LatencyCells.table.
        tail: degrees of freedom of their test errors; NaN if not known.
        seed: of the draws.
        platforms: how many there are; on all together something is found by chance in one bench
            of twenty.
    """
    usable = cells[cells["reason"] == ""].reset_index(drop=True)
    if usable.empty:
        return str(cells["reason"].mode().iloc[0])
    if usable["card"].nunique() < FEWEST_LINE_CARDS or len(usable) < FEWEST_LINE_CELLS:
        few = f"{counted(len(usable), 'cell')} of {counted(usable['card'].nunique(), 'card')}"
        least = f"at least {FEWEST_LINE_CELLS} of {FEWEST_LINE_CARDS}"
        return f"{few} are too few for a line: {least}"
    frame = usable["frame_ms"].to_numpy(dtype=float)
    if frame.max() / frame.min() < LEAST_SPAN:
        return f"frame times differ by less than {LEAST_SPAN - 1:.0%}"
    middle = float(np.median(frame))
    slack = np.nan_to_num(frame - usable["gpu_ms"].to_numpy(dtype=float))
    columns = [frame - middle, slack] if slack.max() >= LEAST_SLACK else [frame - middle]
    latency = usable["latency_ms"].to_numpy(dtype=float)
    usual = float(np.median(latency))
    data = LineData(
        y=latency,
        known=np.nan_to_num(usable["se_ms"].to_numpy(dtype=float)) ** 2,
        columns=np.column_stack(columns),
        own=(True, False)[: len(columns)],
        scene=index_by(usable, ("game", "preset")),
        card=index_by(usable, ("card",)),
        stretch=latency / usual,
        bent=slack >= LEAST_SLACK,
        priors=PRIORS if usable.groupby(["game", "preset"]).ngroups > 1 else PRIORS[2:],
        tail=TAIL if np.isnan(tail) else tail,
        families=KINDS * platforms,
    )
    lines = fit_lines(data)
    draws = draw_coefficients(lines.fit, DRAWS, POINTS, seed)
    return PlatformLine(usable, middle, usual, lines, *draws)


def line_rows(
    line: PlatformLine, platform: str, between: tuple[float, float], level: float
) -> list[dict[str, object]]:
    """Return one row a scene, then one of all scenes."""
    scenes = line.cells[["game", "preset"]].drop_duplicates()
    names: list[tuple[str, str, int | None]] = [
        (game, preset, line.scene_number(game, preset))
        for game, preset in scenes.itertuples(index=False, name=None)
    ]
    return [
        {"platform": platform, "game": game, "preset": preset, **_line(line, n, between, level)}
        for game, preset, n in [*names, (ALL, ALL, None)]
    ]


def _line(
    line: PlatformLine, scene: int | None, between: tuple[float, float], level: float
) -> dict[str, object]:
    here = line.lines.data.scene == scene if scene is not None else np.ones(len(line.cells), bool)
    constant, frames = line.of_scene(scene)
    saved = 1000 / between[0] - 1000 / between[1]
    scatter = line.lines.scatter[here] / line.lines.data.stretch[here]
    return {
        "cells": int(here.sum()),
        "cards": line.cells[here]["card"].nunique(),
        **_range("constant_ms", constant, level),
        **_range("frames", frames, level),
        "waiting_frames": float(frames.mean()) - OF_A_FRAME,
        "from_fps": between[0],
        "to_fps": between[1],
        **_range("bought_ms", saved * frames, level),
        "slack_part": float(line.draws[:, 2].mean()) if line.has_slack else np.nan,
        "scatter_ms": float(np.median(scatter)),
        "typical_ms": float(line.cells["latency_ms"][here].median()),
        "least_ms": float(np.median(least_ms(line.cells)[here])),
        "reason": "",
    }


def _range(name: str, draws: FloatArray, level: float) -> dict[str, float]:
    stem, _, unit = name.partition("_ms")
    tail = "_ms" if name.endswith("_ms") else unit
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return {
        name: float(draws.mean()),
        f"{stem}_lower{tail}": float(low),
        f"{stem}_upper{tail}": float(high),
    }


def card_rows(
    line: PlatformLine, platform: str, margin_ms: float, level: float
) -> list[dict[str, object]]:
    """Return one row a card: how far it is from the line of the others."""
    judged, data = line.lines.cards, line.lines.data
    usual = float(line.lines.fit.sds[-1])
    own_sd = np.sqrt(np.maximum(judged.sd**2 - usual**2, 0.0))
    reach = float(student.ppf((1 + level) / 2, max(data.cards - 1, 1))) * own_sd
    out = judged.out(margin_ms)
    few = f"fewer than {FEWEST_CARDS} cards: none can be told to break from the line"
    rows = []
    for number in range(data.cards):
        cells = line.cells[data.card == number]
        apart = float(judged.apart[number])
        rows.append(
            {
                "platform": platform,
                "card": cells["card"].iloc[0],
                "cells": len(cells),
                "shots": int(cells["shots"].sum()),
                "apart_ms": apart,
                "apart_lower_ms": apart - reach[number],
                "apart_upper_ms": apart + reach[number],
                "apart_frames": apart / float(cells["frame_ms"].mean()),
                "p": float(judged.p[number]),
                "breaks": bool(out[number]),
                "reason": few if np.isnan(judged.p[number]) else "",
            }
        )
    return rows


def cell_columns(
    line: PlatformLine, margin_ms: float, level: float
) -> dict[str, FloatArray | BoolArray]:
    """Return what the line says of its cells: expected, its range, apart, p and off_line."""
    lines = line.lines
    found = cells_apart(lines)
    usual = float(lines.fit.sds[-1])
    sd = np.sqrt(lines.data.known + lines.scatter**2 + lines.line_sd**2 + usual**2)
    reach = float(student.ppf((1 + level) / 2, max(lines.data.cards - 1, 1))) * sd
    return {
        "expected_ms": lines.line,
        "expected_lower_ms": lines.line - reach,
        "expected_upper_ms": lines.line + reach,
        "apart_ms": lines.data.y - lines.line,
        "p": found.p,
        "off_line": found.out(margin_ms),
    }


def least_ms(cells: pd.DataFrame) -> FloatArray:
    """Return (cells,) what the latency cannot be below; NaN without a frame time.

    Without a fit nobody knows what the GPU needs, and only the wait for the next frame counts.
    """
    frame, gpu, refresh = (
        cells[name].to_numpy(dtype=float) for name in ("frame_ms", "gpu_ms", "refresh_hz")
    )
    return least_latency(frame, np.nan_to_num(gpu), refresh)


def cell_key(cells: pd.DataFrame) -> pd.MultiIndex:
    """Return what names the cells."""
    return pd.MultiIndex.from_frame(cells[list(CELL_COLUMNS)])
