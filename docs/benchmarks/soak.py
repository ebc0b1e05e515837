"""Five hundred fits in one process: do memory, open files and threads stay what they were?

Run from the root of the repository: ``python docs/benchmarks/soak.py``. Every fit is of a bench
read anew, with questions asked of it, as somebody would who keeps one Python session open for
weeks. The figures it gave are in soak.md beside it. Linux only: memory is read from /proc.
"""

import argparse
import os
import sys
import tempfile
import threading
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from tests.answers.small_lab import Settings, simulate  # noqa: E402

FIRST = 50
"""Fits after which everything that is loaded or remembered once is there."""

UNTESTED = "Mirel 45"


def memory() -> float:
    """Give the memory that the process holds, in MiB."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


def state() -> tuple[float, int, int]:
    """Give memory in MiB, open files and threads."""
    return memory(), len(list(Path("/proc/self/fd").iterdir())), threading.active_count()


def once(folder: Path, seed: int) -> None:
    """Read, fit and ask."""
    fit = sm.fit(sm.read_bench(folder), seed=seed)
    sheets = fit.bench.cards[fit.bench.cards["card"] == UNTESTED]
    for answer in (fit.ceilings(), fit.predict(sheets), fit.lead("Mirel 10", "Halvor A")):
        str(answer)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fits", type=int, default=500)
    given = parser.parse_args()
    use = Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",), runs=2)
    print("| fits | memory, MiB | open files | threads |")
    print("|---|---|---|---|")
    first = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = simulate(use).write(Path(name) / "bench", without=(UNTESTED,))
        for number in range(1, given.fits + 1):
            once(folder, number)
            if number == 1 or number % FIRST == 0:
                held, files, threads = state()
                first = held if number == FIRST else first
                print(f"| {number} | {held:.1f} | {files} | {threads} |", flush=True)
    print(f"\nfrom {FIRST} to {given.fits} fits: {held / first - 1:+.1%} of memory")


if __name__ == "__main__":
    main()
