"""What the demo lab tested and wrote down, mistakes included."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.latency import with_low_faults
from datasets.labsim.lab import measure
from datasets.labsim.world import World, world_gpu_times

RUNS, FRAMES, MEASUREMENT_SD = 3, 2400, 0.005
SECOND_PLATFORM_CARDS = (
    "Ostrel C50",
    "Kivand W180",
    "Ostrel F30",
    "Ostrel F50 16G",
    "Ostrel F70",
    "Tumarin S5",
    "Tumarin S7",
    "Ostrel T50",
    "Ostrel T60",
    "Kivand L200",
)
SECOND_PLATFORM_SCENES = (
    ("Saltmarch", "ultra"),
    ("Harrow Line", "high"),
    ("Tidewright", "epic"),
    ("Cindervale", "ultra"),
    ("Pale Circuit", "competitive"),
    ("Oxbow", "maximum"),
    ("Nine Kilns", "ultra"),
    ("Glasswing Rally", "ultra"),
    ("Second Meridian", "extreme"),
)
NOT_TRACED = ("Ostrel C30", "Ostrel C50", "Kivand W140", "Tumarin S3")
SOLD_ON = {"Kivand W140": ("Undertow Station", "Farrow's Keep"), "Ostrel C50": ("Farrow's Keep",)}
"""Cards that had left the lab before these games came."""
TOO_SLOW_FPS = 18.0
VERSIONS = {
    "Saltmarch": "1.6.0",
    "Harrow Line": "2.21",
    "Tidewright": "1.0.9",
    "Cindervale": "3.4.1",
    "Pale Circuit": "11.02",
    "Oxbow": "1.12",
    "Lanternfall": "0.98.4",
    "Nine Kilns": "1.3.2",
    "Glasswing Rally": "5.1",
    "Undertow Station": "1.0.2",
    "Farrow's Keep": "2.0.0",
    "Second Meridian": "1.5.7",
}
DRIVERS = {"Ostrel": "612.40", "Kivand": "25.6.1", "Tumarin": "9.3.0.118"}
FIRST_DAY = np.datetime64("2025-06-16")


@dataclass(frozen=True)
class Plant:
    """A mistake or a special row put into the results on purpose."""

    fault: str
    card: str
    game: str
    preset: str
    resolution: str
    run: int
    factor: float
    note: str = ""


BAD_RUNS = (
    Plant("bad_run", "Ostrel C80", "Cindervale", "ultra", "2560x1440", 2, 0.82),
    Plant("bad_run", "Ostrel T50", "Tidewright", "epic", "3840x2160", 3, 1.09),
)
STALE = Plant("stale_version", "Ostrel F70", "Nine Kilns", "ultra", "", 0, 0.94)
STALE_VERSION, STALE_DATE, STALE_DRIVER = "1.1.0", "2025-01-21", "590.12"
TRACED = ("Cindervale", "ultra, rays")
EXTRA_ROWS = (
    Plant("frame_generation", "Ostrel T80", *TRACED, "2560x1440", 4, 1.74),
    Plant("frame_generation", "Ostrel T80", *TRACED, "3840x2160", 4, 1.74),
    Plant("frame_generation", "Ostrel T90", *TRACED, "2560x1440", 4, 1.74),
    Plant("frame_generation", "Ostrel T90", *TRACED, "3840x2160", 4, 1.74),
    Plant("frame_generation", "Kivand L240", *TRACED, "2560x1440", 4, 1.74),
    Plant("exclude", "Kivand L160", "Oxbow", "maximum", "2560x1440", 4, 0.9, "update running"),
    Plant("exclude", "Ostrel F90", "Saltmarch", "ultra", "1920x1080", 4, 1.04, "wrong shadows"),
)


def tested_cells(world: World, seed: int) -> NDArray[np.bool_]:
    """Return which cells were tested: tested cards x scenes x resolutions x platforms."""
    rng = np.random.default_rng([seed, 12])
    names = world.cards.sheet["card"].to_numpy(dtype=object)[world.tested]
    scenes = world.scenes
    games = np.array(scenes.game, dtype=object)
    n, s, r = names.size, len(scenes), len(world.resolutions)
    first = np.ones((n, s, r), dtype=bool)
    first &= ~(np.isin(names, NOT_TRACED)[:, None] & scenes.ray_tracing)[..., None]
    for card, left_out in SOLD_ON.items():
        first[np.ix_(names == card, np.isin(games, left_out))] = False
    gpu = world_gpu_times(world)
    slow = 1e3 / gpu.frame_ms[:n] * gpu.over_memory[:n] < TOO_SLOW_FPS
    gaps = (rng.random((n, s)) < 0.02)[..., None] | (rng.random((n, s, r)) < 0.02)
    first &= ~slow & ~(gaps & (games != "Undertow Station")[:, None])
    second = np.zeros_like(first)
    pairs = list(zip(scenes.game, scenes.preset, strict=True))
    both = np.array([pair in SECOND_PLATFORM_SCENES for pair in pairs])
    cards = np.isin(names, SECOND_PLATFORM_CARDS)
    second[:, :, :-1] = (cards[:, None] & both)[..., None]
    return np.stack([first, second & first], axis=-1)


def _where(table: pd.DataFrame, world: World, plant: Plant) -> pd.Series:
    """Return the rows of the first platform that a plant is about."""
    rows = (table["platform"] == world.platforms[0]) & (table["card"] == plant.card)
    rows &= (table["game"] == plant.game) & (table["preset"] == plant.preset)
    if plant.resolution:
        rows &= table["resolution"] == plant.resolution
    if plant.run:
        rows &= table["run"] == plant.run
    if not rows.any():
        raise ValueError(f"nothing was tested where {plant} belongs")
    return rows


def _scaled(table: pd.DataFrame, rows: pd.Series, factor: float) -> pd.DataFrame:
    """Return the table with the rates of some rows multiplied."""
    rates = ["avg_fps", "low_1pct_fps", "low_01pct_fps"]
    table.loc[rows, rates] = (table.loc[rows, rates] * factor).round(2)
    return table


def with_records(world: World, table: pd.DataFrame) -> pd.DataFrame:
    """Add driver, game version and date; a card is tested on one day a platform."""
    sheet = world.cards.sheet
    vendor = dict(zip(sheet["card"], sheet["vendor"], strict=True))
    day = dict(zip(sheet["card"], range(len(sheet)), strict=True))
    later = (table["platform"] != world.platforms[0]).to_numpy() * 35
    days = FIRST_DAY + (table["card"].map(day).to_numpy() + later).astype("timedelta64[D]")
    return table.assign(
        driver=table["card"].map(vendor).map(DRIVERS),
        game_version=table["game"].map(VERSIONS),
        date=np.datetime_as_string(days, unit="D"),
        frame_generation="no",
        exclude="",
        note="",
    )


def with_faults(world: World, table: pd.DataFrame) -> pd.DataFrame:
    """Put in the bad runs, the stale version, generated frames and excluded rows."""
    for plant in BAD_RUNS:
        table = _scaled(table, _where(table, world, plant), plant.factor)
    stale = _where(table, world, STALE)
    table = _scaled(table, stale, STALE.factor)
    table.loc[stale, ["game_version", "date", "driver"]] = STALE_VERSION, STALE_DATE, STALE_DRIVER
    extra = []
    for plant in EXTRA_ROWS:
        row = table[_where(table, world, replace(plant, run=RUNS))].copy()
        row = row.assign(run=plant.run, note=plant.note)
        row = _scaled(row, pd.Series(True, index=row.index), plant.factor)
        if plant.fault == "frame_generation":
            row = row.assign(frame_generation="yes", latency_ms=(row["latency_ms"] * 1.2).round(1))
        else:
            row = row.assign(exclude="yes")
        extra.append(row)
    order = pd.concat([table, *extra]).sort_index(kind="stable")
    return order.reset_index(drop=True)


def results(world: World, seed: int) -> pd.DataFrame:
    """Return results.csv."""
    tested = tested_cells(world, seed)
    table = measure(world, tested, runs=RUNS, frames=FRAMES, sd=MEASUREMENT_SD, seed=seed)
    table = with_faults(world, with_records(world, table))
    return with_low_faults(world.platforms[0], table)
