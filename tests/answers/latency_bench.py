"""A bench with shots drawn on a known line."""

from pathlib import Path

import numpy as np
import pandas as pd

from scalemodel.data.bench import Bench, read_bench
from tests.answers.small_lab import sheets

CONSTANT, FRAMES, SHOT_SD = {"Game 0": 8.0, "Game 1": 14.0}, 2.5, 2.0
CARDS = tuple(sheets()["card"][:8])
CELL = ["card", "platform", "game", "preset", "resolution"]


def tables(
    *,
    platform: str = "P",
    rates_of: str = "P",
    extra_ms: dict[str, float] | None = None,
    shots: int = 30,
    seed: int = 4,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return results and latency.csv of eight cards, two games, two resolutions."""
    rng = np.random.default_rng(seed)
    results, fired = [], []
    for c, card in enumerate(CARDS):
        for g, game in enumerate(CONSTANT):
            for size, fast in (("1920x1080", 1.6), ("2560x1440", 1.0)):
                rate = 60 * (1 + 0.3 * c) * (1 + 0.2 * g) * fast
                place = (card, rates_of, game, "High", size)
                rates = rate * np.exp(0.004 * rng.standard_normal(2))
                results += [(*place, run + 1, rates[run]) for run in range(2)]
                mean = CONSTANT[game] + FRAMES * 1000 / rate + (extra_ms or {}).get(card, 0.0)
                times = mean + SHOT_SD * rng.standard_normal(shots)
                place = (card, platform, game, "High", size)
                fired += [(*place, shot + 1, times[shot], 240) for shot in range(shots)]
    runs = pd.DataFrame(results, columns=[*CELL, "run", "avg_fps"])
    latency = pd.DataFrame(fired, columns=[*CELL, "shot", "latency_ms", "refresh_hz"])
    return runs.round({"avg_fps": 3}), latency.round({"latency_ms": 2})


def write(folder: Path, results: pd.DataFrame, latency: pd.DataFrame) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    sheets().to_csv(folder / "cards.csv", index=False)
    results.to_csv(folder / "results.csv", index=False)
    if len(latency):
        latency.to_csv(folder / "latency.csv", index=False)
    return folder


def bench(folder: Path, **settings: object) -> Bench:
    return read_bench(write(folder, *tables(**settings)))  # type: ignore[arg-type]
