"""A small lab whose truth is known: benches simulated with the model's own physics.

The cards, games and numbers are invented. What the model has to find out (shares of the stages,
levels, ceilings, effects of architectures and cards) is drawn here, not taken from its priors.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from scalemodel.data.bench import Bench, read_bench
from scalemodel.model.physics import Predictors, StageSpeeds, gpu_side, under_ceiling

CHART = ["platform", "game", "preset", "resolution"]
CELL = ["card", *CHART]
COLUMNS = (
    "card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs,cache_mb,rops"
)
CARDS = (
    ("Mirel 10", "Mirel", "Fen", 2048, 1900, 12, 224, 6, 48),
    ("Mirel 20", "Mirel", "Fen", 3072, 1850, 12, 320, 8, 64),
    ("Mirel 30", "Mirel", "Fen", 4608, 1800, 16, 448, 12, 96),
    ("Mirel 25", "Mirel", "Moor", 2560, 2350, 12, 256, 24, 48),
    ("Mirel 35", "Mirel", "Moor", 4096, 2400, 16, 384, 32, 80),
    ("Mirel 45", "Mirel", "Moor", 5632, 2450, 16, 512, 48, 96),
    ("Mirel 55", "Mirel", "Moor", 8192, 2400, 24, 720, 64, 128),
    ("Halvor A", "Halvor", "Strand", 2304, 2300, 12, 256, 16, 64),
    ("Halvor B", "Halvor", "Strand", 3584, 2400, 12, 384, 32, 64),
    ("Halvor C", "Halvor", "Strand", 5120, 2350, 16, 512, 64, 96),
    ("Halvor D", "Halvor", "Strand", 7168, 2300, 20, 640, 80, 128),
)
ARCHITECTURES = {"Fen": -0.05, "Moor": 0.04, "Strand": 0.02}
LEVELS = {"Game 1": 60.0, "Game 2": 95.0, "Game 3": 120.0, "Game 4": 75.0}
#: Reached by fast cards in the first three games; in the last one nobody comes near.
CEILINGS = {"Game 1": 150.0, "Game 2": 230.0, "Game 3": 190.0, "Game 4": 700.0}
RESOLUTIONS = ("1920x1080", "2560x1440", "3840x2160")
SHARES = np.log([0.50, 0.28, 0.07, 0.08])
GROWTH = np.array([0.95, 0.85, 0.55, 0.0])
STAGES = ("arithmetic", "traffic", "raster", "fixed")


@dataclass(frozen=True)
class Settings:
    """What a lab tests, and its ceilings in frames per second on a platform of factor 1."""

    ceilings: Mapping[str, float] = field(default_factory=lambda: dict(CEILINGS))
    platforms: Mapping[str, float] = field(default_factory=lambda: {"Bench": 1.0})
    resolutions: tuple[str, ...] = RESOLUTIONS
    runs: int = 3
    run_sd: float = 0.004
    cell_sd: float = 0.008
    card_sd: float = 0.012
    sharpness: float = 15.0
    seed: int = 3


@dataclass(frozen=True)
class Lab:
    """A simulated lab: spec sheets, runs, and the truth of every cell."""

    cards: pd.DataFrame
    results: pd.DataFrame
    truth: pd.DataFrame

    def write(self, folder: Path, without: tuple[str, ...] = ()) -> Path:
        """Write the bench, leaving out the results of some cards."""
        folder.mkdir(parents=True, exist_ok=True)
        kept = self.results[~self.results["card"].isin(without)]
        self.cards.to_csv(folder / "cards.csv", index=False)
        kept.to_csv(folder / "results.csv", index=False)
        return folder

    def bench(self, folder: Path, without: tuple[str, ...] = ()) -> Bench:
        return read_bench(self.write(folder, without))


def sheets() -> pd.DataFrame:
    return pd.DataFrame(CARDS, columns=COLUMNS.split(","))


def simulate(settings: Settings | None = None) -> Lab:
    """Simulate every card on every chart of the lab."""
    use = settings or Settings()
    rng = np.random.default_rng(use.seed)
    cards = sheets()
    truth = _grid(cards, use)
    truth["gpu_fps"] = np.exp(_log_gpu(cards, truth, use, rng))
    ceiling = truth["game"].map(use.ceilings) * truth["platform"].map(use.platforms)
    truth["ceiling_fps"] = ceiling.to_numpy(dtype=float)
    capped = under_ceiling(
        np.log(truth["gpu_fps"].to_numpy()),
        np.log(truth["ceiling_fps"].to_numpy()),
        np.full(len(truth), np.log(use.sharpness)),
    )
    truth["fps"] = np.exp(capped.log_rate)
    runs = truth.loc[truth.index.repeat(use.runs), [*CELL, "fps"]].reset_index(drop=True)
    runs["run"] = np.tile(np.arange(1, use.runs + 1), len(truth))
    runs["avg_fps"] = (runs["fps"] * np.exp(use.run_sd * rng.standard_normal(len(runs)))).round(4)
    return Lab(cards, runs[[*CELL, "run", "avg_fps"]], truth)


def _grid(cards: pd.DataFrame, use: Settings) -> pd.DataFrame:
    keys = [list(cards["card"]), list(use.platforms), list(use.ceilings), use.resolutions]
    index = pd.MultiIndex.from_product(keys, names=["card", "platform", "game", "resolution"])
    return index.to_frame(index=False).assign(preset="High")[CELL]


def _log_gpu(
    cards: pd.DataFrame, cells: pd.DataFrame, use: Settings, rng: np.random.Generator
) -> np.ndarray:
    games, names = list(LEVELS), list(cards["card"])
    game = np.array([games.index(g) for g in cells["game"]])
    card = np.array([names.index(c) for c in cells["card"]])
    size = cells["resolution"].str.split("x", expand=True).astype(float)
    pixels = np.log((size[0] * size[1]).to_numpy() / (2560 * 1440))
    scene_stage = 0.2 * rng.standard_normal((len(games), len(STAGES)))
    view = 0.03 * rng.standard_normal((len(games), 3))
    column = np.array([use.resolutions.index(r) for r in cells["resolution"]])
    offset = np.log([LEVELS[g] for g in games])[game] + view[game, column]
    offset += np.array([ARCHITECTURES[a] for a in cards["architecture"]])[card]
    offset += (use.card_sd * rng.standard_normal(len(cards)))[card]
    offset += use.cell_sd * rng.standard_normal((len(cards), len(games), 3))[card, game, column]
    stage = SHARES + scene_stage[game]
    offset -= np.log(np.exp(stage).sum(axis=1))  # LEVELS are of a frame of one unit of time
    at = Predictors(
        stage=stage,
        growth=GROWTH * pixels[:, None],
        offset=offset,
        fill=np.log(0.08) - 0.3 * pixels,
        request=np.full(len(cells), 0.7),
        hit=np.full(len(cells), np.log(0.5)),
        working_set=np.full(len(cells), np.log(30.0)),
        set_growth=0.7 * pixels,
    )
    rate: np.ndarray = gpu_side(_speeds(cards, card), at).log_rate
    return rate


def _speeds(cards: pd.DataFrame, card: np.ndarray) -> StageSpeeds:
    clock = cards["boost_clock_mhz"]
    speed = np.log(
        np.column_stack(
            [
                cards["shaders"] * clock,
                cards["memory_bandwidth_gbs"],
                cards["rops"] * clock,
                np.ones(len(cards)),
            ]
        )
    )
    width = np.log(cards["shaders"].to_numpy(dtype=float))
    return StageSpeeds(
        log_speed=(speed - speed.mean(axis=0))[card],
        log_width=(width - width.mean())[card],
        log_cache=np.log(cards["cache_mb"].to_numpy(dtype=float))[card],
        reference_cache=float(np.log(cards["cache_mb"]).mean()),
        arithmetic=0,
        traffic=1,
    )
