"""How fast a frame-time log of ten million frames is reduced, beside a bare read of its file.

Run from the root of the repository: ``python docs/benchmarks/logs.py [FRAMES]``. The bare read is
pyarrow's of all columns into memory, in the same run, with as many threads as it likes. Each time
is the least of five by the clock, taken in turn. Memory is the most that a process held above an
interpreter that has imported the same packages. The figures it gave are in logs.md beside it.
"""

import os
import platform
import re
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from scipy.signal import lfilter

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from scalemodel.data.logs.reading import read_log  # noqa: E402
from scalemodel.model.frames.summary import summarise  # noqa: E402

TIMES = 5


def write_logs(folder: Path, frames: int) -> list[Path]:
    """Write the same frames in three forms."""
    rng = np.random.default_rng(1)
    noise = lfilter([0.3], [1, -0.9], rng.standard_normal(frames))
    times = 12 * np.exp(0.12 * noise) * (1 + (rng.random(frames) < 1e-3) * rng.pareto(2, frames))
    times = np.round(times, 4)
    one = pa.table({"frame": times})
    three = one.add_column(0, "clock", [np.round(np.cumsum(times) / 1e3, 6)])
    three = three.append_column("busy", [np.round(0.6 * times, 3)])
    pa_csv.write_csv(one, folder / "one-column.csv")
    pa_csv.write_csv(three, folder / "three-columns.csv")
    pq.write_table(one, folder / "one-column.parquet")
    return [
        folder / f"{name}" for name in ("one-column.csv", "three-columns.csv", "one-column.parquet")
    ]


def bare(path: Path) -> None:
    """Read a file with pyarrow."""
    if path.suffix == ".parquet":
        pq.read_table(path)
    else:
        pa_csv.read_csv(path)


def reduce(path: Path) -> None:
    """Reduce a log."""
    with read_log(path, path.name, "", "") as log:
        summarise(log.times, 0.8)


def clock(work: object, path: Path) -> float:
    """Return the seconds that some work takes."""
    assert callable(work)
    started = time.perf_counter()
    work(path)
    return time.perf_counter() - started


def peak(what: str, path: Path) -> float:
    """Return the most memory in MB that a process of its own held."""
    command = [sys.executable, __file__, "--peak", what, str(path)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def most_held() -> float:
    """Return the most memory in MB that this process held since it began (Linux)."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    held = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert held is not None
    return int(held[1]) / 1e3


def main(frames: int) -> None:
    """Print the tables."""
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "pyarrow"))
    cores = f"{platform.machine()}, {os.cpu_count()} cores"
    print(f"{cores}, Python {platform.python_version()}, {packages}; {frames:,} frames\n")
    print("| log | size, MB | bare read, s | reduced, s | times the bare read | memory, MB |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for path in write_logs(Path(folder), frames):
            pairs = [(clock(bare, path), clock(reduce, path)) for _ in range(TIMES)]
            read, reduced = (min(column) for column in zip(*pairs, strict=True))
            memory = peak("reduce", path) - peak("nothing", path)
            size = path.stat().st_size / 1e6
            row = [path.name, f"{size:.0f}", f"{read:.2f}", f"{reduced:.2f}"]
            print(
                "|", " | ".join([*row, f"{reduced / read:.2f}", f"{memory:.0f}"]), "|", flush=True
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--peak"]:
        if sys.argv[2] == "reduce":
            reduce(Path(sys.argv[3]))
        print(most_held())
    else:
        main(int(sys.argv[1]) if sys.argv[1:] else 10_000_000)
