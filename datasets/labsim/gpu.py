"""How long the GPU works on a frame: stages run one after another and overlap a little."""

from dataclasses import dataclass

import numpy as np

from datasets.labsim.cards import REFERENCE_SHADER_RATE, Architectures, Array, Cards
from datasets.labsim.games import STAGES, Scenes

WAVE_THREADS = 24.0
"""Threads a shader holds at once; a pass over the screen takes a whole number of such waves."""
HIT_SHARE = np.array([0.5, 0.85, 0.75, 0.95, 0.7])
"""Share of each stage's traffic that a cache could serve at all."""


@dataclass(frozen=True)
class Causes:
    """Parts of the physics that can be switched off, to see what an effect is due to."""

    ceiling: bool = True
    bandwidth: bool = True  # off: every card has bandwidth and cache in proportion to its shaders
    fill: bool = True  # off: wide parts are filled at any resolution
    memory: bool = True  # off: no card runs out of memory


ALL_CAUSES = Causes()


@dataclass(frozen=True)
class GpuTimes:
    """Arrays of shape cards x scenes x resolutions."""

    frame_ms: Array
    arithmetic_share: Array  # share of the frame that keeps the shaders busy
    over_memory: Array  # factor by which running out of memory stretches the frame, 1 = fits


def gpu_times(
    archs: Architectures,
    cards: Cards,
    scenes: Scenes,
    arch_scene: Array,
    pixels: Array,
    *,
    causes: Causes,
) -> GpuTimes:
    """Return the mean GPU time of a frame.

    Parameters
    ----------
    arch_scene: 3 x architectures x scenes, factors on arithmetic, traffic and tracing speed.
    pixels: shown pixels of each resolution, in millions.
    """
    a = cards.architecture
    rendered = pixels * scenes.render_scale[:, None] ** 2  # scenes x resolutions
    clock = cards.column("boost_clock_mhz") * cards.clock_factor / 1e3

    def at(clocks: Array) -> tuple[Array, Array]:
        return _stages(
            archs, cards, scenes, arch_scene, rendered=rendered, clock=clocks, causes=causes
        )

    clock = clock[:, None, None]
    wanted = 0.7 + 0.45 * at(clock)[1]
    heat = scenes.heaviness[:, None] * cards.stress[:, None, None] * wanted
    frame, share = at(clock * (1 - 0.08 / (1 + np.exp(-(heat - 1.0) / 0.05))))
    need = np.broadcast_to(scenes.memory_need_gb, (len(a), *rendered.shape))
    short = np.maximum(need - cards.column("memory_gb")[:, None, None], 0.0)
    stretch = np.where(short > 0, np.minimum(2.0 + 6.0 * short / np.maximum(need, 1e-9), 5.0), 1.0)
    if not causes.memory:
        stretch = np.ones_like(stretch)
    return GpuTimes(frame * stretch, share, stretch)


def _fill(
    archs: Architectures, cards: Cards, rendered: Array, causes: Causes
) -> tuple[Array, Array]:
    """Return how full the shaders are: of screen passes, and of the short passes at the end."""
    if not causes.fill:
        one = np.ones((len(cards), *rendered.shape))
        return one, one
    shaders = cards.column("shaders")[:, None, None]
    threads = rendered * 1e6 / shaders
    occupied = threads / (threads + archs.fill_threads[cards.architecture][:, None, None])
    waves = threads / WAVE_THREADS
    return occupied, occupied * (1 - 0.25 * (1 - waves / np.ceil(waves)))


def _memory_rate(
    archs: Architectures,
    cards: Cards,
    scenes: Scenes,
    *,
    rendered: Array,
    clock: Array,
    causes: Causes,
) -> Array:
    """Return megabytes a millisecond that a stage sees (cards x scenes x resolutions x stages).

    A part draws no more from memory than its shaders can ask for: of a nominal bandwidth B and a
    demand Q it gets B (1 - exp(-Q/B)). The cache serves part of the traffic; the share it misses
    falls as a power of cache over working set (a stack-distance law).
    """
    a = cards.architecture
    request = archs.request_bytes[a] * cards.column("shaders")
    nominal = cards.column("memory_bus_bits") * cards.column("memory_rate_gbps") / 8
    cache = cards.column("cache_mb")
    if not causes.bandwidth:
        speed = cards.column("shaders") * cards.column("boost_clock_mhz") / 1e3
        nominal = 560 * speed / REFERENCE_SHADER_RATE
        cache = np.full(len(cards), 16.0)
    demand = request[:, None, None] * clock
    nominal = (nominal * archs.traffic[a])[:, None, None]
    drawn = nominal * -np.expm1(-demand / nominal)
    working_set = rendered * scenes.live_bytes[:, None]
    if not causes.bandwidth:
        working_set = np.broadcast_to(working_set.mean(axis=1, keepdims=True), rendered.shape)
    missed = (1 + cache[:, None, None] / (0.35 * working_set)) ** -0.8
    miss = 1 - HIT_SHARE * (1 - missed[..., None])
    return drawn[..., None] / miss


def _stages(
    archs: Architectures,
    cards: Cards,
    scenes: Scenes,
    arch_scene: Array,
    *,
    rendered: Array,
    clock: Array,
    causes: Causes,
) -> tuple[Array, Array]:
    """Return frame times without memory trouble, and the share that arithmetic keeps busy."""
    a = cards.architecture
    by_pixel = rendered[..., None]
    work = scenes.work[:, None]  # scenes x 1 x stages x kinds
    full, short_full = _fill(archs, cards, rendered, causes)
    fill = np.repeat(full[..., None], len(STAGES), axis=-1)
    fill[..., STAGES.index("post")] = short_full
    speed = cards.column("shaders")[:, None, None] * clock
    speed = speed * archs.arithmetic[a][:, None, None] * arch_scene[0, a][..., None]
    arithmetic = (work[..., 0] * by_pixel / fill + work[..., 1]) / speed[..., None]
    memory = _memory_rate(archs, cards, scenes, rendered=rendered, clock=clock, causes=causes)
    memory = memory * arch_scene[1, a][..., None, None]
    traffic = (work[..., 2] * by_pixel + work[..., 3]) / memory
    rops = cards.column("rops")[:, None, None] * clock * archs.raster[a][:, None, None]
    raster = (work[..., 4] * by_pixel + work[..., 5]) / rops[..., None]
    rays_rate = cards.column("rt_units")[:, None, None] * clock * archs.tracing[a][:, None, None]
    rays = work[..., 6] * by_pixel / (rays_rate * arch_scene[2, a][..., None])[..., None]
    parts = np.stack([arithmetic, traffic, raster, rays])
    longest = parts.max(axis=0)
    stage = longest + scenes.leak[:, None, None] * (parts.sum(axis=0) - longest)
    top = stage.max(axis=-1)
    hidden = scenes.overlap[:, None] * (stage.sum(axis=-1) - top)
    serial = scenes.chain_mclk[:, None] / clock + scenes.submit_ms[:, None]
    frame = stage.sum(axis=-1) - hidden + serial
    return frame, np.minimum(arithmetic.sum(axis=-1) / frame, 1.0)
