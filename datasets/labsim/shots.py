"""Latency from click to photon, shot by shot, from what a lab measured of its cells."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

SENSOR_MS = 9.0
"""What `latency_ms` of results holds beside the time from the begin of a frame to its end."""

DEVICE_MS, SCREEN_MS = 1.2, 3.1
"""Time of the button, and of the screen until the sensor sees its change."""

RENDER_SD = 0.06
"""Spread of the log time from the begin of a frame to its end, from shot to shot."""

CELL = ["card", "platform", "game", "preset", "resolution"]


def fire(
    results: pd.DataFrame,
    game_ms: Mapping[str, float],
    card_frames: Mapping[str, float],
    *,
    shots: int,
    refresh_hz: float,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fire shots at every cell of some results; return latency.csv and the true mean of each cell.

    A click waits until the next frame begins (uniform over a frame), then for the frame to be
    prepared and drawn, and until the screen is drawn where the sensor looks (uniform over a
    refresh).

    Args:
        results: runs with avg_fps and latency_ms.
        game_ms: what each game adds before it reacts.
        card_frames: further frames that wait in the queue of a card; cards not named have none.
        shots: a cell.
        refresh_hz: of the screen.
        rng: of all that is drawn.
    """
    cells = results.groupby(CELL, sort=False)[["avg_fps", "latency_ms"]].mean().reset_index()
    frame = 1e3 / cells["avg_fps"].to_numpy()
    render = cells["latency_ms"].to_numpy() - SENSOR_MS
    extra = cells["card"].map(dict(card_frames)).fillna(0.0).to_numpy() * frame
    fixed = DEVICE_MS + SCREEN_MS + cells["game"].map(dict(game_ms)).to_numpy() + extra
    mean = fixed + frame / 2 + render + 500 / refresh_hz
    row = np.repeat(np.arange(len(cells)), shots)
    drawn = fixed[row] + rng.uniform(0, 1, len(row)) * frame[row]
    drawn += render[row] * np.exp(RENDER_SD * rng.standard_normal(len(row)) - RENDER_SD**2 / 2)
    drawn += rng.uniform(0, 1, len(row)) * 1e3 / refresh_hz
    table = cells.loc[row, CELL].reset_index(drop=True)
    table = table.assign(
        shot=np.tile(np.arange(1, shots + 1), len(cells)),
        latency_ms=drawn.round(1),
        refresh_hz=int(refresh_hz),
    )
    return table, cells[CELL].assign(latency_ms=mean)
