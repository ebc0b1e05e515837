"""How often the ranges of reduced runs hold the truth.

Run from the root of the repository: ``python docs/benchmarks/log_ranges.py [RUNS]``. Two kinds of
runs are simulated. In the first the logarithm of frame times is a first-order autoregression, and
the truth is a formula. In the second whole passes of the demo's scenes are played (`datasets`),
with sections, hitches and two frames in flight, and the truth is that of all passes pooled: what
another play of the same pass would come to on average. The figures it gave are in logs.md beside
it.
"""

import math
import sys
from pathlib import Path

import numpy as np
from scipy.signal import lfilter
from scipy.stats import norm

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from datasets.demo import generate, scenario  # noqa: E402
from datasets.labsim.cards import Array  # noqa: E402
from datasets.labsim.frames import draw_noise, play  # noqa: E402
from datasets.labsim.world import World, cap_ms, cpu_times, world_gpu_times  # noqa: E402
from scalemodel.model.frames.source import FrameArray  # noqa: E402
from scalemodel.model.frames.summary import summarise  # noqa: E402

LEVEL, SD = 0.8, 0.2
SHARES = {"low_1pct": 0.01, "low_01pct": 0.001}
COLUMNS = ["average", *(f"{low} {d}" for d in ("quantile", "slowest_mean") for low in SHARES)]
SCENES, CARD = (0, 3, 7, 10), 15


def autoregression(count: int, rho: float, run: int) -> Array:
    """Return frame times in ms whose logarithm is an AR(1) of the same spread."""
    z = np.random.default_rng([15, run]).standard_normal(count) * math.sqrt(1 - rho**2)
    z[0] /= math.sqrt(1 - rho**2)
    return np.asarray(12 * np.exp(SD * lfilter([1.0], [1.0, -rho], z)))


def lognormal_truth() -> dict[str, float]:
    """Return the mean, the quantiles and the tail means of a lognormal, in ms."""
    mean = 12 * math.exp(SD**2 / 2)
    truth = {"average": mean}
    for low, share in SHARES.items():
        z = norm.ppf(1 - share)
        truth[f"{low} quantile"] = 12 * math.exp(SD * z)
        truth[f"{low} slowest_mean"] = mean * norm.sf(z - SD) / share
    return truth


def passes(world: World, s: int, frames: int, runs: int) -> Array:
    """Return frame times of passes through a scene at 2560x1440, frames x runs."""
    rng = np.random.default_rng([16, s])
    cpu_noise, gpu_noise = draw_noise(rng, world.scenes, s, frames, runs)
    cpu = cpu_times(world, s)[CARD, 1, 0] * cpu_noise
    gpu = world_gpu_times(world).frame_ms[CARD, s, 1] * gpu_noise
    return play(cpu, gpu, np.full(runs, cap_ms(world.scenes, s)))[0]


def pooled_truth(times: Array) -> dict[str, float]:
    """Return what all passes come to, in ms."""
    truth = {"average": float(times.mean())}
    slowest = np.sort(times.ravel())[::-1]
    for low, share in SHARES.items():
        truth[f"{low} quantile"] = float(np.quantile(times, 1 - share))
        truth[f"{low} slowest_mean"] = float(slowest[: math.ceil(share * times.size)].mean())
    return truth


def shares_held(runs: list[Array], truth: dict[str, float]) -> list[float]:
    """Return how often each range holds its truth."""
    hits = dict.fromkeys(COLUMNS, 0)
    for times in runs:
        found = summarise(FrameArray(np.ascontiguousarray(times)), LEVEL)
        for name in COLUMNS:
            metric, _, definition = name.partition(" ")
            low = getattr(found.lows[metric], definition) if definition else found.average
            hits[name] += low.faster <= truth[name] <= low.slower
    return [hit / len(runs) for hit in hits.values()]


def main(runs: int) -> None:
    """Print a row for each kind of run."""
    print("| runs |", " | ".join(COLUMNS), "|")
    print("|---" * (len(COLUMNS) + 1) + "|")
    for rho, count in ((0.0, 4000), (0.8, 6000), (0.92, 6000), (0.92, 20_000), (0.98, 20_000)):
        drawn = [autoregression(count, rho, run) for run in range(runs)]
        held = shares_held(drawn, lognormal_truth())
        name = f"autoregression {rho:g}, {count:,} frames"
        print(f"| {name} |", " | ".join(f"{share:.2f}" for share in held), "|", flush=True)
    world = scenario.world(generate.SEED)
    for s in SCENES:
        times = passes(world, s, 4500, runs)
        held = shares_held(list(times.T), pooled_truth(times))
        name = f"{world.scenes.game[s]}, 4,500 frames"
        print(f"| {name} |", " | ".join(f"{share:.2f}" for share in held), "|", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 400)
