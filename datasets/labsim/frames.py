"""Frame by frame: a CPU that prepares frames, a GPU that draws them, two frames in flight."""

from dataclasses import dataclass, fields

import numpy as np
from scipy.signal import lfilter

from datasets.labsim.cards import Array
from datasets.labsim.games import SECTION_BINS, Scenes

CPU_MEMORY, GPU_MEMORY = 0.85, 0.92
"""Lag-one correlations of log CPU and log GPU time from frame to frame."""


@dataclass(frozen=True)
class PassStats:
    """What a pass comes to; one entry a column of the simulation."""

    average: Array
    low_1pct: Array
    low_01pct: Array
    gpu_rate: Array  # frames a second if the CPU took no time
    cpu_rate: Array  # frames a second if the GPU took no time, engine cap included
    cpu_share: Array  # share of frames of which CPU or cap was the slower side
    latency_ms: Array  # from the start of a frame on the CPU to its end on the GPU


def draw_noise(
    rng: np.random.Generator, scenes: Scenes, s: int, frames: int, columns: int
) -> tuple[Array, Array]:
    """Draw factors on CPU and GPU time (frames x columns, mean about 1) for passes of scene `s`."""
    z = rng.standard_normal((2, frames, columns))
    cpu = scenes.cpu_noise[s] * _autoregressive(z[0], CPU_MEMORY)
    gpu = scenes.gpu_noise[s] * _autoregressive(z[1], GPU_MEMORY)
    return shape_noise(rng, scenes, s, cpu, gpu)


def shape_noise(
    rng: np.random.Generator, scenes: Scenes, s: int, cpu: Array, gpu: Array
) -> tuple[Array, Array]:
    """Turn log noise into factors: add the sections of the pass and the hitches."""
    frames, columns = cpu.shape
    at = np.arange(frames) * SECTION_BINS // frames
    cpu = np.exp(cpu + scenes.cpu_profile[s, at][:, None] - scenes.cpu_noise[s] ** 2 / 2)
    gpu = np.exp(gpu + scenes.gpu_profile[s, at][:, None] - scenes.gpu_noise[s] ** 2 / 2)
    count = rng.binomial(frames * columns, scenes.hitch_rate[s])
    where = rng.integers(0, frames * columns, count)
    cpu.flat[where] *= 1 + scenes.hitch_size[s] * np.minimum(rng.pareto(2.5, count) + 0.3, 8.0)
    return cpu, gpu


def _autoregressive(z: Array, rho: float) -> Array:
    """Return a stationary AR(1) series of unit variance down the first axis."""
    z = z * np.sqrt(1 - rho**2)
    z[0] /= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], z, axis=0))


def antithetic_noise(
    rng: np.random.Generator, scenes: Scenes, s: int, frames: int
) -> tuple[Array, Array]:
    """Return two mirrored passes (frames x 2) whose log noise has exactly its mean and spread.

    Averaged over the two, every card sees the same noise, so truths compare without scatter.
    """
    logs = []
    for sd, rho in ((scenes.cpu_noise[s], CPU_MEMORY), (scenes.gpu_noise[s], GPU_MEMORY)):
        x = _autoregressive(rng.standard_normal((frames, 1)), rho)
        x = (x - x.mean()) / x.std()
        logs.append(sd * np.hstack([x, -x]))
    return shape_noise(rng, scenes, s, logs[0], logs[1])


def run_passes(
    cpu_ms: Array, gpu_ms: Array, cap_ms: Array, cpu_noise: Array, gpu_noise: Array
) -> PassStats:
    """Play passes through the frame loop and reduce them.

    The CPU starts a frame when it has finished the one before, when the cap allows, and when the
    frame two before has left the GPU; the GPU starts it when it is free and the CPU is done.

    Parameters
    ----------
    cpu_ms, gpu_ms, cap_ms: mean times a frame, one entry a column (cap 0: none).
    cpu_noise, gpu_noise: frames x columns.
    """
    cpu, gpu = cpu_ms * cpu_noise, gpu_ms * gpu_noise
    frames = gpu.shape[0]
    times, latency, last = play(cpu, gpu, cap_ms)
    paced = np.maximum(cpu, cap_ms)
    low = np.quantile(times, [0.99, 0.999], axis=0)
    return PassStats(
        average=1e3 * frames / last,
        low_1pct=1e3 / low[0],
        low_01pct=1e3 / low[1],
        gpu_rate=1e3 / gpu.mean(axis=0),
        cpu_rate=1e3 / paced.mean(axis=0),
        cpu_share=(paced > gpu).mean(axis=0),
        latency_ms=latency / frames,
    )


def play(cpu: Array, gpu: Array, cap_ms: Array) -> tuple[Array, Array, Array]:
    """Return frame times (frames x columns), the sum of latencies, and when the last frame ended.

    All in milliseconds, from the times that CPU and GPU take for each frame.
    """
    frames, columns = gpu.shape
    start = np.full(columns, -np.inf)
    cpu_end = gpu_end = gpu_end_2 = np.zeros(columns)
    times = np.empty_like(gpu)
    latency = np.zeros(columns)
    for i in range(frames):
        start = np.maximum(np.maximum(cpu_end, gpu_end_2), start + cap_ms)
        cpu_end = start + cpu[i]
        end = np.maximum(gpu_end, cpu_end) + gpu[i]
        times[i] = end - gpu_end
        latency += end - start
        gpu_end_2, gpu_end = gpu_end, end
    return times, latency, gpu_end


def average_columns(stats: PassStats, group: int) -> PassStats:
    """Average every `group` neighbouring columns into one."""
    return PassStats(
        *(getattr(stats, f.name).reshape(-1, group).mean(axis=1) for f in fields(stats))
    )


def mean_stats(played: list[PassStats]) -> PassStats:
    """Average the same columns over several passes."""
    return PassStats(
        *(np.mean([getattr(stats, f.name) for stats in played], axis=0) for f in fields(PassStats))
    )
