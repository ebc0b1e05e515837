"""A lab: which cells were tested, what was measured, and what is true."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.labsim.cards import (
    Array,
    draw_blueprints,
    draw_cards,
    draw_unreleased,
)
from datasets.labsim.frames import PassStats, draw_noise, run_passes
from datasets.labsim.games import draw_scenes, with_caps, with_cpu, with_memory
from datasets.labsim.gpu import GpuTimes
from datasets.labsim.world import (
    World,
    cap_ms,
    cpu_times,
    draw_arch_scene,
    join_cards,
    truth_tables,
    world_gpu_times,
)

#: Pairs of mirrored passes that the truth of a cell is the mean of.
TRUTH_PAIRS = 8
RESOLUTIONS = ((1920, 1080), (2560, 1440), (3840, 2160))


@dataclass(frozen=True)
class LabSettings:
    """Size and shape of a random lab."""

    n_vendors: int = 3
    n_architectures: int = 6
    n_cards: int = 24
    n_scenes: int = 14
    n_unreleased: int = 3  # inside the span, beyond it, of a new architecture, in turn
    n_platforms: int = 2
    runs: int = 3
    frames: int = 2400  # frames a run, 20-60 s at usual rates
    missing_share: float = 0.1  # of the cells the lab means to test
    n_cliffs: int = 1
    n_caps: int = 2
    measurement_sd: float = 0.005  # log scale, beside what differs from pass to pass
    spread: float = 1.0  # factor on how far architectures and boards stray from their sheets
    ceiling_level: float = 0.15  # mean log ceiling over the 80th-percentile card's 1080p GPU rate


@dataclass(frozen=True)
class Lab:
    """A simulated bench and its truth."""

    settings: LabSettings
    cards: pd.DataFrame
    platforms: pd.DataFrame
    results: pd.DataFrame
    specs: pd.DataFrame  # spec sheets of the unreleased cards
    truth: pd.DataFrame
    truth_ceilings: pd.DataFrame
    world: World

    def write(self, folder: Path) -> None:
        """Write cards, platforms, results and specs as a bench, the truth beside them."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("cards", "platforms", "results", "specs", "truth", "truth_ceilings"):
            write_csv(getattr(self, name), folder / f"{name}.csv")


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as UTF-8 CSV with plain line ends, the same bytes on every system."""
    path.write_bytes(table.to_csv(index=False, lineterminator="\n").encode("utf-8"))


def random_settings(seed: int) -> LabSettings:
    """Draw the settings of an unbalanced lab of ordinary size."""
    rng = np.random.default_rng([seed, 1])
    vendors = int(rng.integers(2, 4))
    architectures = int(rng.integers(vendors + 1, 3 * vendors))
    cards = int(rng.integers(15, 41))
    return LabSettings(
        n_vendors=vendors,
        n_architectures=max(architectures, -(-cards // 8)),
        n_cards=cards,
        n_scenes=int(rng.integers(6, 21)),
        n_unreleased=int(rng.integers(3, 7)),
        n_platforms=int(rng.integers(1, 3)),
        runs=int(rng.integers(1, 5)),
        missing_share=float(rng.uniform(0.0, 0.3)),
        n_cliffs=int(rng.integers(0, 3)),
        n_caps=int(rng.integers(0, 3)),
        measurement_sd=float(rng.uniform(0.003, 0.012)),
        ceiling_level=float(rng.uniform(-0.05, 0.45)),
        spread=float(rng.uniform(0.8, 2.0)),
    )


def draw_world(settings: LabSettings, seed: int) -> World:
    """Draw cards and scenes, then the CPU times and memory needs that suit them."""
    rng = np.random.default_rng([seed, 2])
    n_used = min(settings.n_architectures, settings.n_cards // 3)
    spread = settings.spread
    blueprints = draw_blueprints(rng, settings.n_vendors, n_used + 1, spread)
    tested = draw_cards(rng, blueprints, settings.n_cards, n_used, spread)
    new, kinds = draw_unreleased(rng, blueprints, tested, settings.n_unreleased, spread)
    widths, heights = zip(*RESOLUTIONS, strict=True)
    world = World(
        architectures=blueprints.architectures,
        cards=join_cards(tested, new),
        kinds=("tested",) * settings.n_cards + kinds,
        scenes=draw_scenes(rng, settings.n_scenes, len(RESOLUTIONS)),
        arch_scene=draw_arch_scene(rng, n_used + 1, settings.n_scenes, spread),
        widths=widths,
        heights=heights,
        platforms=tuple(f"bench{p + 1}" for p in range(settings.n_platforms)),
    )
    fast = np.quantile(world_gpu_times(world).frame_ms[: settings.n_cards, :, 0], 0.2, axis=0)
    scenes = with_cpu(rng, world.scenes, 1e3 / fast, settings.ceiling_level, settings.n_platforms)
    scenes = with_caps(rng, scenes, settings.n_caps)
    scenes = with_memory(rng, scenes, world.cards.column("memory_gb"), settings.n_cliffs)
    return replace(world, scenes=scenes)


def draw_tested(rng: np.random.Generator, world: World, missing_share: float) -> NDArray[np.bool_]:
    """Draw which cells were tested (tested cards x scenes x resolutions x platforms).

    The first platform sees everything but for gaps: a card missing from a game, slow cards not
    tried where they could not keep up, and single cells. Later platforms see part of the cards
    and part of the scenes.
    """
    n, s = int(world.tested.sum()), len(world.scenes)
    shape = (n, s, len(world.resolutions), len(world.platforms))
    tested = rng.random(shape) >= missing_share / 3
    tested &= (rng.random((n, s)) >= missing_share / 3)[:, :, None, None]
    gpu = world_gpu_times(world)
    fps = 1e3 / gpu.frame_ms[:n] * gpu.over_memory[:n]
    slow = fps < max(15.0, float(np.quantile(fps, missing_share / 2)))
    tested &= ~(slow & (rng.random(slow.shape) < 0.7))[..., None]
    for p in range(1, len(world.platforms)):
        cards = rng.permutation(n) < max(3, round(n * rng.uniform(0.3, 0.7)))
        scenes = rng.permutation(s) < max(2, round(s * rng.uniform(0.4, 0.8)))
        tested[..., p] &= (cards[:, None] & scenes)[:, :, None]
    return tested


def measure(
    world: World, tested: NDArray[np.bool_], *, runs: int, frames: int, sd: float, seed: int
) -> pd.DataFrame:
    """Play every run of every tested cell and return the rows of results.csv."""
    gpu = world_gpu_times(world)
    rows = []
    for s in range(len(world.scenes)):
        rng = np.random.default_rng([seed, 3, s])
        card, r, p = np.nonzero(tested[:, s])
        if card.size == 0:
            continue
        card, r, p = (np.repeat(x, runs) for x in (card, r, p))
        noise = draw_noise(rng, world.scenes, s, frames, card.size)
        cap = np.full(card.size, cap_ms(world.scenes, s))
        frame = gpu.frame_ms[card, s, r]
        played = run_passes(cpu_times(world, s)[card, r, p], frame, cap, *noise)
        busy = np.minimum(played.average / played.gpu_rate, 1.0)
        power = drawn_power(world, gpu, (card, s, r), busy)
        table = pd.DataFrame(
            {
                "card": world.cards.sheet["card"].to_numpy(dtype=object)[card],
                "platform": np.array(world.platforms, dtype=object)[p],
                "game": world.scenes.game[s],
                "preset": world.scenes.preset[s],
                "resolution": np.array(world.resolutions, dtype=object)[r],
                "run": np.tile(np.arange(1, runs + 1), card.size // runs),
                **_readings(rng, played, power, sd),
                "upscaling": "yes" if world.scenes.render_scale[s] < 1 else "no",
                "ray_tracing": "yes" if world.scenes.ray_tracing[s] else "no",
            }
        )
        rows.append(table)
    return pd.concat(rows, ignore_index=True)


def drawn_power(
    world: World,
    gpu: GpuTimes,
    cells: tuple[NDArray[np.int64], int, NDArray[np.int64]],
    busy: Array,
) -> Array:
    """Return what boards draw: the GPU's share of the time, and what of that is arithmetic.

    `cells` are card, scene and resolution; `busy` the share of the time the GPU works.
    """
    busy = busy / gpu.over_memory[cells] * (0.75 + 0.25 * gpu.arithmetic_share[cells])
    board = world.cards.column("board_power_w")[cells[0]]
    heavy = world.scenes.heaviness[cells[1]]
    return np.asarray(board * np.minimum((0.22 + 0.85 * busy) * heavy, 1.0))


def _readings(
    rng: np.random.Generator, played: PassStats, power: Array, sd: float
) -> dict[str, Array]:
    """Return the measured columns: rates with heavy-tailed test error, power, latency."""
    n = power.size
    error = np.exp(sd * rng.standard_t(5, n) / np.sqrt(5 / 3))
    low = played.low_1pct * error * np.exp(rng.normal(0, 0.005, n))
    deeper = played.low_01pct / played.low_1pct * np.exp(rng.normal(0, 0.01, n))
    return {
        "avg_fps": (played.average * error).round(2),
        "low_1pct_fps": low.round(2),
        "low_01pct_fps": (low * np.minimum(deeper, 1.0)).round(2),
        "power_w": (power * np.exp(rng.normal(0, 0.012, n))).round(1),
        "latency_ms": (9.0 + played.latency_ms * np.exp(rng.normal(0, 0.02, n))).round(1),
    }


def simulate_lab(settings: LabSettings, seed: int) -> Lab:
    """Draw a lab, test its cards, and record the truth; the same seed gives the same lab."""
    world = draw_world(settings, seed)
    rng = np.random.default_rng([seed, 4])
    tested = draw_tested(rng, world, settings.missing_share)
    results = measure(
        world,
        tested,
        runs=settings.runs,
        frames=settings.frames,
        sd=settings.measurement_sd,
        seed=seed,
    )
    truth, ceilings = truth_tables(world, seed, settings.frames, TRUTH_PAIRS)
    sheet = world.cards.sheet
    return Lab(
        settings=settings,
        cards=sheet[world.tested].reset_index(drop=True),
        platforms=pd.DataFrame(
            {"platform": world.platforms, "cpu": [f"{name} cpu" for name in world.platforms]}
        ),
        results=results,
        specs=sheet[~world.tested].reset_index(drop=True),
        truth=truth,
        truth_ceilings=ceilings,
        world=world,
    )
