"""Everything that is true in a simulated lab, and the rates that follow from it."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.labsim.cards import Architectures, Array, Cards
from datasets.labsim.frames import (
    PassStats,
    antithetic_noise,
    average_columns,
    mean_stats,
    run_passes,
)
from datasets.labsim.games import Scenes
from datasets.labsim.gpu import ALL_CAUSES, Causes, GpuTimes, gpu_times


@dataclass(frozen=True)
class World:
    """Cards, scenes and bench of a lab, hidden sides included."""

    architectures: Architectures
    cards: Cards  # tested cards first, then the unreleased ones
    kinds: tuple[str, ...]  # one a card: tested, inside, beyond, new_architecture
    scenes: Scenes
    arch_scene: Array  # 3 x architectures x scenes
    widths: tuple[int, ...]
    heights: tuple[int, ...]
    platforms: tuple[str, ...]

    @property
    def pixels(self) -> Array:
        """Shown pixels by resolution, in millions."""
        shown = [w * h / 1e6 for w, h in zip(self.widths, self.heights, strict=True)]
        return np.array(shown, dtype=np.float64)

    @property
    def resolutions(self) -> tuple[str, ...]:
        """Resolutions as text, WxH."""
        return tuple(f"{w}x{h}" for w, h in zip(self.widths, self.heights, strict=True))

    @property
    def tested(self) -> NDArray[np.bool_]:
        """Which cards the lab has."""
        return np.array([kind == "tested" for kind in self.kinds])


def draw_arch_scene(
    rng: np.random.Generator, n_architectures: int, n_scenes: int, spread: float = 1.0
) -> Array:
    """Draw how well each architecture takes to each scene (arithmetic, traffic, tracing)."""
    sd = spread * np.array([0.05, 0.04, 0.08])[:, None, None]
    return np.asarray(np.exp(rng.normal(0.0, 1.0, (3, n_architectures, n_scenes)) * sd))


def world_gpu_times(world: World, causes: Causes = ALL_CAUSES) -> GpuTimes:
    """Return the GPU times of every card of the world."""
    return gpu_times(
        world.architectures,
        world.cards,
        world.scenes,
        world.arch_scene,
        world.pixels,
        causes=causes,
    )


def cpu_times(world: World, s: int) -> Array:
    """Return mean CPU times of scene `s`, cards x resolutions x platforms, in milliseconds."""
    driver = world.architectures.driver_overhead[world.cards.architecture]
    height = (world.pixels / world.pixels.max()) * world.scenes.cpu_resolution[s]
    base = world.scenes.cpu_ms[s]
    return np.asarray(base * (1 + driver)[:, None, None] * (1 + height)[:, None])


def cap_ms(scenes: Scenes, s: int) -> float:
    """Return the shortest frame the engine allows, 0 without a cap."""
    return 0.0 if np.isnan(scenes.cap_fps[s]) else 1e3 / float(scenes.cap_fps[s])


def true_stats(
    world: World, seed: int, frames: int, causes: Causes = ALL_CAUSES, pairs: int = 1
) -> tuple[list[PassStats], GpuTimes]:
    """Play every cell with the same mirrored noise; one PassStats a scene.

    Each is the mean over `pairs` pairs of mirrored passes: lows, which a few frames decide, need
    several. Entries run over cards x resolutions x platforms, flattened, with one more card at the
    end: a card of boundless speed and no driver overhead, which shows the ceiling itself.
    """
    gpu = world_gpu_times(world, causes)
    stats = []
    for s in range(len(world.scenes)):
        played = [_mirrored(world, gpu, s, [seed, 7, s], frames, causes)]
        for pair in range(1, pairs):
            played.append(_mirrored(world, gpu, s, [seed, 7, s, pair], frames, causes))
        stats.append(mean_stats(played))
    return stats, gpu


def _mirrored(
    world: World, gpu: GpuTimes, s: int, seed: list[int], frames: int, causes: Causes
) -> PassStats:
    """Play every cell of scene `s` with one pair of mirrored passes."""
    noise = antithetic_noise(np.random.default_rng(seed), world.scenes, s, frames)
    cpu = cpu_times(world, s)
    neutral = np.broadcast_to(world.scenes.cpu_ms[s], cpu.shape[1:])
    cpu = np.concatenate([cpu, neutral[None]])
    frame = np.concatenate([gpu.frame_ms[:, s], np.full((1, cpu.shape[1]), 1e-3)])
    frame = np.broadcast_to(frame[..., None], cpu.shape)
    scale = 1.0 if causes.ceiling else 1e-6
    cap = np.full(cpu.size * 2, cap_ms(world.scenes, s) * scale)
    tile = [np.tile(x, (1, cpu.size)) for x in noise]
    played = run_passes(np.repeat(cpu.ravel() * scale, 2), np.repeat(frame.ravel(), 2), cap, *tile)
    return average_columns(played, 2)


def truth_tables(
    world: World, seed: int, frames: int, pairs: int = 1
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the truth of every cell, and the ceiling of every scene and platform."""
    stats, gpu = true_stats(world, seed, frames, pairs=pairs)
    shape = (len(world.cards) + 1, len(world.resolutions), len(world.platforms))
    cells, ceilings = [], []
    for s, played in enumerate(stats):
        names = {"game": world.scenes.game[s], "preset": world.scenes.preset[s]}
        cell = cell_keys(world, names)
        inside = np.arange(played.average.size) < cell.shape[0]
        cell["true_fps"] = played.average[inside]
        cell["true_low_1pct_fps"] = played.low_1pct[inside]
        cell["true_low_01pct_fps"] = played.low_01pct[inside]
        cell["gpu_fps"] = played.gpu_rate[inside]
        cell["cpu_fps"] = played.cpu_rate[inside]
        cell["cpu_share"] = played.cpu_share[inside]
        cell["at_ceiling"] = cell["cpu_share"] > 0.5
        stretch = np.broadcast_to(gpu.over_memory[:, s, :, None], (shape[0] - 1, *shape[1:]))
        cell["over_memory"] = stretch.ravel() > 1
        cells.append(cell)
        bare = played.cpu_rate.reshape(shape)[-1, 0]
        low = played.low_1pct.reshape(shape)[-1, 0]
        ceilings.append(
            pd.DataFrame(
                {
                    "platform": world.platforms,
                    **names,
                    "ceiling_fps": bare,
                    "ceiling_low_1pct_fps": low,
                    "cap_fps": world.scenes.cap_fps[s],
                }
            )
        )
    return pd.concat(cells, ignore_index=True), pd.concat(ceilings, ignore_index=True)


def cell_keys(world: World, names: dict[str, str]) -> pd.DataFrame:
    """Return card, kind, chart columns for all cards x resolutions x platforms of one scene."""
    n, r, p = len(world.cards), len(world.resolutions), len(world.platforms)
    return pd.DataFrame(
        {
            "card": np.repeat(world.cards.sheet["card"].to_numpy(dtype=object), r * p),
            "kind": np.repeat(np.array(world.kinds, dtype=object), r * p),
            "platform": np.tile(np.array(world.platforms, dtype=object), n * r),
            **names,
            "resolution": np.tile(np.repeat(np.array(world.resolutions, dtype=object), p), n),
        }
    )


def join_cards(tested: Cards, new: Cards) -> Cards:
    """Put unreleased cards behind the tested ones."""
    return replace(
        tested,
        sheet=pd.concat([tested.sheet, new.sheet], ignore_index=True),
        architecture=np.concatenate([tested.architecture, new.architecture]),
        clock_factor=np.concatenate([tested.clock_factor, new.clock_factor]),
        stress=np.concatenate([tested.stress, new.stress]),
    )
