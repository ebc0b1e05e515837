"""What the demo lab shot at its screen, and the lows of a card that a driver holds back."""

import numpy as np
import pandas as pd

from datasets.labsim.shots import fire

SHOTS, REFRESH_HZ = 20, 360.0
CARDS = (
    "Ostrel F30",
    "Ostrel F50 16G",
    "Ostrel F70",
    "Ostrel F90",
    "Kivand W180",
    "Tumarin S5",
    "Tumarin S7",
    "Ostrel T50",
    "Ostrel T60",
    "Ostrel T80",
    "Ostrel T90",
    "Kivand L160",
    "Kivand L200",
    "Kivand L240",
)
GAME_MS = {"Saltmarch": 5.5, "Pale Circuit": 1.0, "Oxbow": 8.0}
RESOLUTIONS = ("1920x1080", "2560x1440")
BREAKS = ("Kivand L200", 1.0)
"""The card whose driver lets one more frame wait."""

OUTLIER = ("Ostrel T60", "Saltmarch", "ultra", "2560x1440", 9)
OUTLIER_FACTOR = 2.4
LOW_CARD, LOW_FACTOR = "Tumarin S5", 0.8
LOW_SCENES = (("Tidewright", "epic"), ("Farrow's Keep", "very high"))
"""Scenes in which the lows of one card are out of step with its average."""


def with_low_faults(platform: str, table: pd.DataFrame) -> pd.DataFrame:
    """Hold back the lows of one card in two scenes; averages stay as they are."""
    for game, preset in LOW_SCENES:
        rows = (table["card"] == LOW_CARD) & (table["platform"] == platform)
        rows &= (table["game"] == game) & (table["preset"] == preset)
        lows = ["low_1pct_fps", "low_01pct_fps"]
        table.loc[rows, lows] = (table.loc[rows, lows] * LOW_FACTOR).round(2)
    return table


def shots(platform: str, results: pd.DataFrame, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return latency.csv and the true mean latency of each of its cells."""
    rows = results["card"].isin(CARDS) & results["game"].isin(GAME_MS)
    rows &= results["resolution"].isin(RESOLUTIONS) & (results["platform"] == platform)
    rows &= results["exclude"] == ""
    table, truth = fire(
        results[rows],
        GAME_MS,
        dict([BREAKS]),
        shots=SHOTS,
        refresh_hz=REFRESH_HZ,
        rng=np.random.default_rng([seed, 14]),
    )
    far = table[["card", "game", "preset", "resolution", "shot"]].eq(list(OUTLIER)).all(axis=1)
    table.loc[far, "latency_ms"] = (table.loc[far, "latency_ms"] * OUTLIER_FACTOR).round(1)
    return table, truth.round(3)


def faults(platform: str) -> list[dict[str, object]]:
    """Return what was planted, one row each (see datasets/README.md)."""
    card, frames = BREAKS
    shot = dict(zip(("card", "game", "preset", "resolution", "run"), OUTLIER, strict=True))
    rows: list[dict[str, object]] = [
        {"fault": "latency_break", "card": card, "platform": platform, "value": frames},
        {"fault": "latency_outlier", "platform": platform, **shot, "value": OUTLIER_FACTOR},
    ]
    for game, preset in LOW_SCENES:
        scene = {"platform": platform, "game": game, "preset": preset}
        rows.append({"fault": "low_out_of_step", "card": LOW_CARD, **scene, "value": LOW_FACTOR})
    return rows
