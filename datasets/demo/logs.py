"""Frame-time logs of a few passes of the demo, each written another way, with what is true of them.

They are further passes of cells that results.csv has; what comes out of them is not in it.
"""

import gzip
from dataclasses import dataclass

import numpy as np
import pandas as pd

from datasets.labsim.cards import Array
from datasets.labsim.frames import draw_noise, play
from datasets.labsim.world import World, cap_ms, cpu_times, world_gpu_times

FRAMES = 4500
LOADING_S = 4.0
"""Time at the begin of the log with a loading screen."""


@dataclass(frozen=True)
class Pass:
    """A pass that was logged on the first platform."""

    file: str
    card: str
    game: str
    preset: str
    resolution: str
    run: int
    skip_s: str = ""
    column: str = ""
    unit: str = ""
    fault: str = ""


PASSES = (
    Pass("t80-saltmarch-1440.csv.gz", "Ostrel T80", "Saltmarch", "ultra", "2560x1440", 4),
    Pass("t80-saltmarch-2160.csv.gz", "Ostrel T80", "Saltmarch", "ultra", "3840x2160", 4),
    Pass(
        *("t60-oxbow-1440.csv.gz", "Ostrel T60", "Oxbow", "maximum", "2560x1440", 4),
        skip_s="4",
    ),
    Pass(
        *("t80-rally-1080.csv.gz", "Ostrel T80", "Glasswing Rally", "ultra", "1920x1080", 4),
        fault="capped",
    ),
    Pass(
        *("t60-kilns-2160.csv.gz", "Ostrel T60", "Nine Kilns", "ultra", "3840x2160", 4),
        column="gpu",
        unit="ms",
    ),
    Pass(
        *("t60-saltmarch-1440.csv.gz", "Ostrel T60", "Saltmarch", "ultra", "2560x1440", 4),
        fault="two runs glued together",
    ),
)
"""Each is written in another form: see `_WRITERS`."""


def _stamps(times: Array) -> str:
    """Write a frame counter and time stamps in seconds."""
    clock = 812.5 + np.concatenate([[0.0], np.cumsum(times)]) / 1e3
    rows = [f"{i},{t:.6f}" for i, t in enumerate(clock)]
    return "\n".join(["number,clock", *rows, ""])


def _durations(times: Array) -> str:
    """Write frame times in ms and nothing else, without a header."""
    return "\n".join([*(f"{t:.4f}" for t in times), ""])


def _with_loading(times: Array) -> str:
    """Write what a spreadsheet with decimal commas would, after a few words about the log."""
    rows = [f"{t / 1e3:.7f}".replace(".", ",") for t in times]
    return "\n".join(["bench log", "begun by hand, loading screen first", "frame", *rows, ""])


def _microseconds(times: Array) -> str:
    """Write frame times in whole microseconds beside a clock that counts them."""
    whole = np.round(times * 1e3).astype(int)
    clock = 5_000_000 + np.cumsum(whole)
    return "\n".join(
        ["clock\tframe", *(f"{c}\t{w}" for c, w in zip(clock, whole, strict=True)), ""]
    )


def _several(times: Array) -> str:
    """Write three columns that could each be the frame times; the middle one is."""
    rows = [
        f"{0.42 * t + 1.1:.3f};{t:.3f};{t + 9.4 + 0.3 * (i % 7):.3f}" for i, t in enumerate(times)
    ]
    return "\n".join(["cpu;gpu;latency", *rows, ""])


_WRITERS = (_stamps, _durations, _with_loading, _microseconds, _several, _stamps)


def times_of(world: World, seed: int, number: int) -> Array:
    """Return the frame times of a pass in milliseconds, without a loading screen."""
    one = PASSES[number]
    rng = np.random.default_rng([seed, 13, number])
    pairs = list(zip(world.scenes.game, world.scenes.preset, strict=True))
    s = pairs.index((one.game, one.preset))
    card = list(world.cards.sheet["card"]).index(one.card)
    r = world.resolutions.index(one.resolution)
    cpu_noise, gpu_noise = draw_noise(rng, world.scenes, s, FRAMES + 1, 1)
    cpu = cpu_times(world, s)[card, r, 0] * cpu_noise
    gpu = world_gpu_times(world).frame_ms[card, s, r] * gpu_noise
    times, _, _ = play(cpu, gpu, np.array([cap_ms(world.scenes, s)]))
    return np.asarray(times[1:, 0])  # the first frame has none before it


def _logged(one: Pass, times: Array) -> Array:
    """Return what the log holds: the pass, after a loading screen where one was logged."""
    if not one.skip_s:
        return times
    loading = np.full(240, LOADING_S * 1e3 / 240)
    return np.concatenate([loading * (1 + 0.2 * np.sin(np.arange(240.0))), times])


def contents(world: World, seed: int) -> dict[str, bytes]:
    """Return the bytes of every log by the name of its file."""
    made = {}
    for number, (one, write) in enumerate(zip(PASSES, _WRITERS, strict=True)):
        text = write(_logged(one, times_of(world, seed, number)))
        if one.fault.startswith("two runs"):
            text += text.partition("\n")[2]
        made[one.file] = gzip.compress(text.encode("utf-8"), mtime=0)
    return made


def listing() -> pd.DataFrame:
    """Return frames.csv."""
    columns = [
        "file",
        "card",
        "platform",
        "game",
        "preset",
        "resolution",
        "run",
        "column",
        "unit",
        "skip_s",
    ]
    rows = [{**vars(one), "platform": "open bench"} for one in PASSES]
    return pd.DataFrame(rows)[columns]


def truth(world: World, seed: int) -> pd.DataFrame:
    """Return what is true of every pass, from its frame times before they were written."""
    rows = []
    for number, one in enumerate(PASSES):
        times = times_of(world, seed, number)
        slow = np.sort(times)[::-1]
        rows.append(
            {
                "file": one.file,
                "fault": one.fault,
                "frames": times.size,
                "avg_fps": 1e3 * times.size / times.sum(),
                "low_1pct_fps": 1e3 / np.quantile(times, 0.99),
                "low_01pct_fps": 1e3 / np.quantile(times, 0.999),
                "low_1pct_slowest_mean_fps": 1e3 / slow[: times.size // 100].mean(),
                "low_01pct_slowest_mean_fps": 1e3 / slow[: -(-times.size // 1000)].mean(),
            }
        )
    return pd.DataFrame(rows).round(4)
