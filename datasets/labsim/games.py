"""Invented games: what a frame of each scene asks of the GPU and of the CPU."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STAGES = ("shadow", "geometry", "shading", "post", "tracing")
REFERENCE_PIXELS = 2560 * 1440 / 1e6
# Time that each kind of work would take alone on the reference part at 2560x1440, in shares of the
# frame. Columns: arithmetic by pixel, arithmetic fixed, traffic by pixel, traffic fixed, raster by
# pixel, raster fixed, rays by pixel.
STAGE_SHARES = np.array(
    [
        [0.00, 0.06, 0.00, 0.05, 0.00, 0.06, 0.00],
        [0.10, 0.05, 0.11, 0.02, 0.06, 0.05, 0.00],
        [0.40, 0.00, 0.13, 0.02, 0.00, 0.00, 0.00],
        [0.09, 0.01, 0.13, 0.00, 0.03, 0.00, 0.00],
        [0.16, 0.00, 0.10, 0.03, 0.00, 0.00, 0.30],
    ]
)
# What the reference part does in a millisecond: millions of shader-clocks, megabytes that reach
# memory through its cache, millions of raster clocks, millions of ray clocks.
REFERENCE_RATES = np.array([15360.0, 15360.0, 720.0, 720.0, 230.0, 230.0, 150.0])
SECTION_BINS = 240


@dataclass(frozen=True)
class Scenes:
    """One entry a scene; `work` has the columns of STAGE_SHARES, by pixel ones per megapixel."""

    game: tuple[str, ...]
    preset: tuple[str, ...]
    game_index: NDArray[np.int64]
    ray_tracing: NDArray[np.bool_]
    render_scale: Array  # rendered over shown width: below 1 with upscaling
    work: Array  # scenes x stages x 7
    chain_mclk: Array  # clocks that wait for one another, millions
    submit_ms: Array
    overlap: Array  # share of shorter stages hidden behind the longest
    leak: Array  # share of the lesser resource's time a stage does not hide
    heaviness: Array  # power wanted, around 1
    live_bytes: Array  # bytes a pixel that a cache would have to hold
    memory_need_gb: Array  # scenes x resolutions
    cpu_ms: Array  # scenes x platforms
    cpu_resolution: Array  # share added to the CPU time at the highest resolution
    cap_fps: Array  # NaN without an engine cap
    cpu_noise: Array
    gpu_noise: Array
    hitch_rate: Array
    hitch_size: Array
    cpu_profile: Array  # scenes x SECTION_BINS, log CPU time along the pass
    gpu_profile: Array

    def __len__(self) -> int:
        return len(self.game)


def draw_profiles(rng: np.random.Generator, n: int) -> tuple[Array, Array]:
    """Draw how CPU and GPU time change from section to section of a pass (mean factor 1)."""
    cpu, gpu = np.empty((n, SECTION_BINS)), np.empty((n, SECTION_BINS))
    for s in range(n):
        edges = np.sort(rng.choice(np.arange(12, SECTION_BINS - 12), rng.integers(2, 6), False))
        section = np.searchsorted(edges, np.arange(SECTION_BINS), side="right")
        shared = rng.normal(0, 0.05, edges.size + 1)
        cpu[s] = (shared + rng.normal(0, 0.08, edges.size + 1))[section]
        gpu[s] = (shared + rng.normal(0, 0.10, edges.size + 1))[section]
    mean_cpu, mean_gpu = (np.exp(x).mean(axis=1, keepdims=True) for x in (cpu, gpu))
    return cpu - np.log(mean_cpu), gpu - np.log(mean_gpu)


def stage_work(rng: np.random.Generator, frame_ms: Array, tracing: NDArray[np.bool_]) -> Array:
    """Return work amounts that take about `frame_ms` on the reference part at 2560x1440."""
    n = frame_ms.size
    shares = STAGE_SHARES * np.exp(rng.normal(0, 0.25, (n, *STAGE_SHARES.shape)))
    shares = shares * np.exp(rng.normal(0, 0.08, (n, 1, STAGE_SHARES.shape[1])))
    shares[:, STAGES.index("tracing")] *= tracing[:, None]
    shares /= np.where(tracing, 1.35, 1.0)[:, None, None]
    work = shares * frame_ms[:, None, None] * REFERENCE_RATES
    work[:, :, [0, 2, 4, 6]] /= REFERENCE_PIXELS
    return np.asarray(work)


def name_scenes(rng: np.random.Generator, n: int) -> tuple[list[int], list[str]]:
    """Spread `n` scenes over games, about a quarter of the games at two presets."""
    index: list[int] = []
    presets: list[str] = []
    game = 0
    while len(index) < n:
        index.append(game)
        presets.append("high")
        if rng.random() < 0.3 and len(index) < n:
            index.append(game)
            presets.append(str(rng.choice(["ultra", "high rt", "high upscaled"])))
        game += 1
    return index, presets


def draw_scenes(rng: np.random.Generator, n: int, n_resolutions: int) -> Scenes:
    """Draw `n` scenes without CPU times, caps or memory needs, which depend on the cards."""
    index, presets = name_scenes(rng, n)
    tracing = np.array(["rt" in p.split() for p in presets])
    tracing |= (np.array(presets) == "high") & (rng.random(n) < 0.12)
    game_ms = rng.lognormal(np.log(6.2), 0.38, max(index) + 1)
    heavier = np.where(np.array(presets) == "ultra", 1.3, 1.0) * np.where(tracing, 1.45, 1.0)
    cpu_profile, gpu_profile = draw_profiles(rng, n)
    empty = np.full(n, np.nan)
    return Scenes(
        game=tuple(f"game{g + 1:02d}" for g in index),
        preset=tuple(presets),
        game_index=np.array(index, dtype=np.int64),
        ray_tracing=tracing,
        render_scale=np.where(np.array(presets) == "high upscaled", 0.667, 1.0),
        work=stage_work(rng, game_ms[index] * heavier * np.exp(rng.normal(0, 0.05, n)), tracing),
        chain_mclk=rng.uniform(0.35, 1.0, n),
        submit_ms=rng.uniform(0.08, 0.25, n),
        overlap=rng.uniform(0.08, 0.2, n),
        leak=rng.uniform(0.45, 0.65, n),
        heaviness=rng.uniform(0.88, 1.12, n),
        live_bytes=rng.uniform(25, 60, n),
        memory_need_gb=np.zeros((n, n_resolutions)),
        cpu_ms=empty[:, None],
        cpu_resolution=rng.uniform(0.0, 0.01, n),
        cap_fps=empty,
        cpu_noise=rng.uniform(0.06, 0.12, n),
        gpu_noise=rng.uniform(0.02, 0.05, n),
        hitch_rate=rng.uniform(0.0005, 0.003, n),
        hitch_size=rng.uniform(0.4, 1.2, n),
        cpu_profile=cpu_profile,
        gpu_profile=gpu_profile,
    )


def with_cpu(
    rng: np.random.Generator, scenes: Scenes, reference_fps: Array, level: float, n_platforms: int
) -> Scenes:
    """Set CPU times so that log ceilings lie about `level` above `reference_fps` (a scene each).

    Presets of a game share the CPU time but for 5-17 %. Later platforms are slower, by a factor
    that differs a little from game to game.
    """
    game = scenes.game_index
    first = np.array([np.flatnonzero(game == g)[0] for g in range(game.max() + 1)])
    by_game = np.log(reference_fps[first]) + level + rng.normal(0, 0.3, first.size)
    shift = np.where(np.isin(np.arange(game.size), first), 0.0, rng.uniform(0.05, 0.17, game.size))
    platform = np.concatenate([[0.0], rng.uniform(0.12, 0.35, n_platforms - 1)])
    own = rng.normal(0, 0.05, (first.size, n_platforms)) * (np.arange(n_platforms) > 0)
    log_ms = np.log(1e3) - by_game[game] + shift
    return replace(scenes, cpu_ms=np.exp(log_ms[:, None] + platform + own[game]))


def with_caps(rng: np.random.Generator, scenes: Scenes, n_caps: int) -> Scenes:
    """Cap the engine of `n_caps` games a little above or below what the first platform could do."""
    cap = np.full(len(scenes), np.nan)
    games = rng.choice(scenes.game_index.max() + 1, min(n_caps, scenes.game_index.max() + 1), False)
    for g in games:
        own = scenes.game_index == g
        cap[own] = round(1e3 / scenes.cpu_ms[own, 0].min() * rng.uniform(0.75, 0.95) / 5) * 5
    return replace(scenes, cap_fps=cap)


MEMORY_BY_RESOLUTION = np.array([0.72, 0.82, 1.0])


def with_memory(
    rng: np.random.Generator, scenes: Scenes, memory_gb: Array, n_cliffs: int
) -> Scenes:
    """Let every scene fit into every card, except `n_cliffs` that overflow the smallest ones."""
    sizes = np.unique(memory_gb)
    top = sizes[0] * rng.uniform(0.5, 0.95, len(scenes))
    if sizes.size > 1:
        cliffs = rng.choice(len(scenes), min(n_cliffs, len(scenes)), replace=False)
        top[cliffs] = sizes[0] + rng.uniform(0.15, 0.95, cliffs.size) * (sizes[1] - sizes[0])
    steps = np.interp(
        np.linspace(0, 1, scenes.memory_need_gb.shape[1]), [0, 0.5, 1], MEMORY_BY_RESOLUTION
    )
    return replace(scenes, memory_need_gb=top[:, None] * steps)
