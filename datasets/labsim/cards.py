"""Invented graphics cards: architectures, chips, and the parts that are cut from them.

A card has a public side (its spec sheet, what a reviewer can read) and a hidden side (how well its
architecture turns the sheet into frames, and how far this board strays from its sheet).
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHEET_COLUMNS = (
    "card",
    "vendor",
    "architecture",
    "shaders",
    "boost_clock_mhz",
    "memory_gb",
    "memory_bus_bits",
    "memory_rate_gbps",
    "cache_mb",
    "rops",
    "tmus",
    "rt_units",
    "board_power_w",
    "price",
    "currency",
    "release_date",
)
REFERENCE_SHADER_RATE = 15360.0
"""Shaders times clock of the reference part, in millions of shader-clocks a millisecond."""


@dataclass(frozen=True)
class Architectures:
    """Hidden properties, one entry an architecture (efficiencies are factors around 1)."""

    names: tuple[str, ...]
    vendors: tuple[str, ...]
    arithmetic: Array
    traffic: Array
    raster: Array
    tracing: Array
    fill_threads: Array  # threads a shader must be given before it is half full
    request_bytes: Array  # bytes a shader can ask for in one clock
    driver_overhead: Array  # share added to the CPU time of a frame


@dataclass(frozen=True)
class Blueprints:
    """From what the random parts of each architecture are cut."""

    architectures: Architectures
    generation: NDArray[np.int64]
    clock_mhz: Array
    memory_rate_gbps: Array
    top_shaders: Array
    cache_mb_per_kshader: Array
    bus_scale: Array


@dataclass(frozen=True)
class Cards:
    """Spec sheets with the hidden side of each board."""

    sheet: pd.DataFrame  # SHEET_COLUMNS
    architecture: NDArray[np.int64]  # index into Architectures
    clock_factor: Array  # real over printed clock of the board that was tested
    stress: Array  # power wanted over power allowed on a typical scene

    def __len__(self) -> int:
        return len(self.sheet)

    def column(self, name: str) -> Array:
        """Return one numeric column of the sheets as floats."""
        return self.sheet[name].to_numpy(dtype=float)


def draw_blueprints(
    rng: np.random.Generator, n_vendors: int, n: int, spread: float = 1.0
) -> Blueprints:
    """Draw `n` architectures; vendors take turns, and each turn is a generation later.

    `spread` multiplies how far their hidden efficiencies lie apart.
    """
    vendor = np.arange(n) % n_vendors
    generation = np.arange(n) // n_vendors
    vendor_effect = rng.normal(0.0, [[0.05], [0.04], [0.04], [0.15]], size=(4, n_vendors))
    own = rng.normal(0.0, [[0.05], [0.04], [0.05], [0.12]], size=(4, n))
    effect = np.exp(spread * (vendor_effect[:, vendor] + own))
    big_cache = (rng.random(n_vendors) < 0.4)[vendor] & (generation > 0)
    return Blueprints(
        generation=generation,
        clock_mhz=np.exp(np.log(1750) + 0.157 * generation + rng.normal(0, 0.05, n)),
        memory_rate_gbps=np.round(12 * 1.2**generation * np.exp(rng.normal(0, 0.05, n))),
        top_shaders=np.exp(np.log(4600) + 0.35 * generation + rng.normal(0, 0.12, n)),
        cache_mb_per_kshader=np.where(big_cache, rng.uniform(6, 12, n), rng.uniform(0.7, 4, n)),
        bus_scale=np.where(big_cache, 0.62, 1.0) * np.exp(rng.normal(0, 0.08, n)),
        architectures=Architectures(
            names=tuple(f"arch{i + 1:02d}" for i in range(n)),
            vendors=tuple(f"vendor{v + 1}" for v in vendor),
            arithmetic=effect[0] * 1.05**generation,
            traffic=effect[1] * 1.03**generation,
            raster=effect[2],
            tracing=effect[3] * 1.3**generation,
            fill_threads=rng.uniform(14, 34, n),
            request_bytes=rng.uniform(0.05, 0.075, n),
            driver_overhead=rng.uniform(0.0, 0.02, n_vendors)[vendor],
        ),
    )


@dataclass(frozen=True)
class Part:
    """One part of a chip, relative to the widest part of its architecture."""

    width: float  # shaders of the full chip over those of the widest chip
    cut: float = 1.0
    clock: float = 1.0
    memory_rate: float = 1.0
    bus_step: int = 0  # steps the bus is cut by
    memory_double: bool = False
    bandwidth: float = 1.0  # wanted bandwidth over what its shaders would suggest


BUSES = np.array([96, 128, 160, 192, 224, 256, 320, 384, 448, 512])


def sheet_row(
    name: str, blueprints: Blueprints, a: int, part: Part, year: float
) -> dict[str, object]:
    """Return the spec sheet that part `part` of architecture `a` would carry."""
    full = blueprints.top_shaders[a] * part.width
    shaders = max(round(full * part.cut / 128), 4) * 128
    clock = round(blueprints.clock_mhz[a] * part.clock * part.width**-0.05 / 5) * 5
    rate = round(blueprints.memory_rate_gbps[a] * part.memory_rate * 2) / 2
    wanted = 560 * (full * clock / 1e3 / REFERENCE_SHADER_RATE) ** 0.9 * blueprints.bus_scale[a]
    wanted *= part.bandwidth
    nearest = int(np.argmin(np.abs(np.log(BUSES * rate / 8 / wanted))))
    bus = int(BUSES[max(nearest - part.bus_step, 0)])
    memory = bus // 32 * (4 if part.memory_double else 2)
    relative = shaders * clock / 1e3 / REFERENCE_SHADER_RATE
    power = 55 + 175 * relative / 1.15 ** blueprints.generation[a]
    price = 40 + 420 * relative**1.1 / 1.2 ** blueprints.generation[a]
    values: tuple[object, ...] = (
        name,
        blueprints.architectures.vendors[a],
        blueprints.architectures.names[a],
        shaders,
        clock,
        memory,
        bus,
        rate,
        max(1, round(full * (0.5 + 0.5 * part.cut) * blueprints.cache_mb_per_kshader[a] / 1e3)),
        max(round(full * (0.3 + 0.7 * part.cut) / 70 / 8) * 8, 16),
        shaders // 32,
        shaders // 128,
        round(power / 5) * 5,
        round((price * 1.1 if part.memory_double else price) / 10) * 10 - 1,
        "EUR",
        f"{int(year):04d}-{int(year % 1 * 12) + 1:02d}-15",
    )
    return dict(zip(SHEET_COLUMNS, values, strict=True))


def _family(rng: np.random.Generator) -> list[Part]:
    """Return the parts an architecture could be sold as, most usual ones first."""
    step = rng.uniform(0.52, 0.64)
    cut = rng.uniform(0.78, 0.9, 3)
    rate = 1 + rng.uniform(0.03, 0.12)
    bus = rng.lognormal(0.0, 0.15, 3)  # chips differ in how much bus they were given
    wide = Part(1.0, bandwidth=bus[0])
    middle = Part(step, bandwidth=bus[1])
    small = Part(step**2, bandwidth=bus[2])
    return [
        wide,
        middle,
        replace(wide, cut=cut[0], clock=0.985, bus_step=int(rng.integers(0, 2))),
        small,
        replace(middle, cut=cut[1], bus_step=int(rng.integers(0, 2))),
        replace(wide, cut=(1 + cut[0]) / 2, clock=1.03, memory_rate=rate),
        replace(middle, memory_double=True),
        replace(small, cut=cut[2]),
        replace(middle, clock=1.05, memory_rate=rate),
        replace(wide, cut=0.72, bus_step=1),
    ]


def draw_cards(
    rng: np.random.Generator, blueprints: Blueprints, n: int, used: int, spread: float = 1.0
) -> Cards:
    """Draw `n` cards over the first `used` architectures, as unevenly as the trade does."""
    share = rng.dirichlet(np.full(used, 8.0))
    families = [_family(rng) for _ in range(used)]
    if not used <= n <= used * len(families[0]):
        raise ValueError(f"{n} cards do not fit {used} architectures of 1-{len(families[0])} parts")
    counts = np.clip(np.round(share * n).astype(int), 2, len(families[0]))
    while counts.sum() != n:
        step = 1 if counts.sum() < n else -1
        room = (counts < len(families[0])) if step > 0 else (counts > 1)
        counts[rng.choice(np.flatnonzero(room))] += step
    rows: list[dict[str, object]] = []
    index: list[int] = []
    for a in range(used):
        year = 2021.2 + 2 * blueprints.generation[a] + rng.uniform(0, 1)
        for part in families[a][: counts[a]]:
            rows.append(sheet_row(f"card{len(rows) + 1:03d}", blueprints, a, part, year))
            index.append(a)
    return with_boards(rng, pd.DataFrame(rows), np.array(index), spread)


def with_boards(
    rng: np.random.Generator,
    sheet: pd.DataFrame,
    architecture: NDArray[np.int64],
    spread: float = 1.0,
) -> Cards:
    """Give each sheet a board: clocks differ by 1-3 % and so does the power it is allowed.

    `spread` multiplies how much boards differ.
    """
    n = len(sheet)
    return Cards(
        sheet=sheet,
        architecture=architecture,
        clock_factor=np.exp(spread * np.clip(rng.normal(0.0, 0.015, n), -0.03, 0.03)),
        stress=np.exp(-0.03 + spread * rng.normal(0.0, 0.05, n)),
    )


UNRELEASED_KINDS = ("inside", "beyond", "new_architecture")


def draw_unreleased(
    rng: np.random.Generator, blueprints: Blueprints, cards: Cards, n: int, spread: float = 1.0
) -> tuple[Cards, tuple[str, ...]]:
    """Draw `n` cards that nobody has tested, of the three kinds in turn.

    `inside`: a part of a tested architecture within its tested span. `beyond`: 20-45 % wider than
    the fastest tested card, same architecture. `new_architecture`: the last of the blueprints,
    of which no card was tested.
    """
    tested = cards.sheet
    speed = cards.column("shaders") * cards.column("boost_clock_mhz")
    rows: list[dict[str, object]] = []
    index: list[int] = []
    kinds: list[str] = []
    for k in range(n):
        kind = UNRELEASED_KINDS[k % len(UNRELEASED_KINDS)]
        if kind == "inside":
            counts = np.bincount(cards.architecture)
            a = int(rng.choice(np.flatnonzero(counts >= min(3, counts.max()))))
            part = Part(
                rng.uniform(0.5, 0.9), cut=rng.uniform(0.8, 1.0), clock=rng.uniform(1, 1.05)
            )
        elif kind == "beyond":
            a = int(cards.architecture[np.argmax(speed)])
            part = Part(rng.uniform(1.2, 1.45), memory_rate=rng.uniform(1.0, 1.08))
        else:
            a = len(blueprints.architectures.names) - 1
            part = Part(rng.uniform(0.4, 1.1))
        rows.append(sheet_row(f"new{k + 1:03d}", blueprints, a, part, 2027.0))
        index.append(a)
        kinds.append(kind)
    new = pd.DataFrame(rows, columns=list(SHEET_COLUMNS)).astype(tested.dtypes.to_dict())
    return with_boards(rng, new, np.array(index, dtype=np.int64), spread), tuple(kinds)
