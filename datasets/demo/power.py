"""What the demo's cards draw: boards that stray from their sheets, and one card at power limits."""

from dataclasses import replace

import numpy as np
import pandas as pd

from datasets.demo.bench import FRAMES, MEASUREMENT_SD, RUNS, with_records
from datasets.labsim.cards import Array
from datasets.labsim.lab import measure
from datasets.labsim.world import World, world_gpu_times

VENDOR_SD, BOARD_SD = 0.03, 0.03
"""How far the boards of a vendor, and single boards, draw from what their sheets say (log)."""

FOLLOWS, FARTHEST = 0.8, 0.03
"""A run that is faster by 1% than its cell draws more by so many percent; up to so much."""

HUNGRY, HUNGRY_FACTOR = "Tumarin S7", 1.18
"""A board that draws far more than its sheet says: less efficient than its architecture."""

LIMITED, LIMITS = "Ostrel T80", (270, 240, 210, 180)
CHARTS = (
    ("Cindervale", "ultra, rays", "3840x2160"),
    ("Lanternfall", "high", "3840x2160"),
    ("Oxbow", "maximum", "3840x2160"),
    ("Undertow Station", "ultra", "3840x2160"),
    ("Farrow's Keep", "very high", "1920x1080"),  # at the ceiling: less power costs little there
)
STILL = 0.3
"""Share of the power that does not fall with the clock; the rest falls with its third power."""

LIMIT_COLUMN = "power_limit_w"


def factors(world: World, seed: int) -> Array:
    """Return what each card draws over what the physics of its sheet gives."""
    rng = np.random.default_rng([seed, 14])
    sheet = world.cards.sheet
    vendor = pd.factorize(sheet["vendor"])[0]
    strays = VENDOR_SD * rng.standard_normal(vendor.max() + 1)[vendor]
    strays = strays + BOARD_SD * rng.standard_normal(len(sheet))
    return np.asarray(np.exp(strays) * np.where(sheet["card"] == HUNGRY, HUNGRY_FACTOR, 1.0))


def with_power(world: World, results: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Let every board draw its own, and put the runs at power limits below."""
    drawn = dict(zip(world.cards.sheet["card"], factors(world, seed), strict=True))
    cell = ["card", "platform", "game", "preset", "resolution"]
    log_rate = np.log(results["avg_fps"])
    usual = log_rate.groupby([results[name] for name in cell]).transform("median")
    away = (log_rate - usual).clip(-FARTHEST, FARTHEST)  # not what a mistake in the row is worth
    power = results["power_w"] * results["card"].map(drawn) * np.exp(FOLLOWS * away)
    table = results.assign(power_w=power.round(1))
    table.insert(list(table).index("power_w") + 1, LIMIT_COLUMN, "")
    return pd.concat([table, _limited(world, table, seed)], ignore_index=True)[list(table)]


def clock_at(power_ratio: float) -> float:
    """Return the clock over the usual one at which a board draws a share of its power."""
    return float(((power_ratio - STILL) / (1 - STILL)) ** (1 / 3))


def _limited(world: World, table: pd.DataFrame, seed: int) -> pd.DataFrame:
    parts = []
    for number, chart in enumerate(CHARTS):
        own = _own_power(world, table, chart)
        for limit in LIMITS:
            draws = min(own, 0.99 * limit)
            slower = _with_clock(world, clock_at(draws / own))
            tested = np.zeros((int(world.tested.sum()), *_shape(world)), dtype=bool)
            tested[_place(world, chart)] = True
            runs = measure(
                slower,
                tested,
                runs=RUNS,
                frames=FRAMES,
                sd=MEASUREMENT_SD,
                seed=1000 * seed + 100 * number + limit,
            )
            rng = np.random.default_rng([seed, 15, number, limit])
            power = (draws * np.exp(rng.normal(0, 0.006, len(runs)))).round(1)
            runs = with_records(world, runs).assign(power_w=power, **{LIMIT_COLUMN: limit})
            parts.append(runs)
    return pd.concat(parts, ignore_index=True)


def _own_power(world: World, table: pd.DataFrame, chart: tuple[str, str, str]) -> float:
    """Return what the card draws on a chart at its own limit."""
    here = (table["card"] == LIMITED) & (table["platform"] == world.platforms[0])
    here &= table[LIMIT_COLUMN] == ""
    for name, value in zip(("game", "preset", "resolution"), chart, strict=True):
        here &= table[name] == value
    return float(table.loc[here, "power_w"].median())


def _shape(world: World) -> tuple[int, int, int]:
    return len(world.scenes), len(world.resolutions), len(world.platforms)


def _place(world: World, chart: tuple[str, str, str]) -> tuple[int, int, int, int]:
    """Return the index of the card's cell: card, scene, resolution, platform."""
    scenes = list(zip(world.scenes.game, world.scenes.preset, strict=True))
    card = list(world.cards.sheet["card"]).index(LIMITED)
    return card, scenes.index(chart[:2]), world.resolutions.index(chart[2]), 0


def _with_clock(world: World, clock: float) -> World:
    factor = world.cards.clock_factor.copy()
    factor[list(world.cards.sheet["card"]).index(LIMITED)] *= clock
    return replace(world, cards=replace(world.cards, clock_factor=factor))


def truth(world: World, table: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Return what is true of power: each board's factor, and the GPU's rate at each limit."""
    names = world.cards.sheet["card"]
    rows: list[dict[str, object]] = [
        {"what": "board", "card": card, "power_ratio": round(float(factor), 5)}
        for card, factor in zip(names, factors(world, seed), strict=True)
    ]
    usual = world_gpu_times(world).frame_ms
    for chart in CHARTS:
        own = _own_power(world, table, chart)
        at = _place(world, chart)[:3]
        for limit in LIMITS:
            ratio = min(own, 0.99 * limit) / own
            slower = world_gpu_times(_with_clock(world, clock_at(ratio))).frame_ms
            place = dict(zip(("game", "preset", "resolution"), chart, strict=True))
            numbers = {
                "power_ratio": round(ratio, 5),
                "gpu_ratio": round(usual[at] / slower[at], 5),
            }
            about = {"what": "limit", "card": LIMITED, "platform": world.platforms[0]}
            rows.append({**about, **place, LIMIT_COLUMN: limit, **numbers})
    columns = ["what", "card", "platform", "game", "preset", "resolution", LIMIT_COLUMN]
    return pd.DataFrame(rows)[[*columns, "power_ratio", "gpu_ratio"]]
