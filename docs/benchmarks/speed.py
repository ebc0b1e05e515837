"""How long fits take, as ratios within one run: by charts, by cards, held out, and predictions.

Run from the root of the repository: ``python docs/benchmarks/speed.py``; ``--largest`` adds benches
of up to 200 cards and 1,200 charts. Every bench is simulated (`datasets.labsim`) with short passes,
which changes rates a little and times not at all. Times are of the processor, on one thread, so
that what else the machine does matters little. The figures it gave are in speed.md beside it.
"""

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.labsim import LabSettings, simulate_lab  # noqa: E402

CHARTS_A_SCENE = 3


def bench_of(cards: int, charts: int, runs: int = 1) -> tuple[sm.Bench, pd.DataFrame]:
    """Simulate a bench on one platform; return it and the sheets of unreleased cards."""
    settings = LabSettings(
        n_vendors=3,
        n_architectures=max(3, cards // 9),
        n_cards=cards,
        n_scenes=charts // CHARTS_A_SCENE,
        n_unreleased=20,
        n_platforms=1,
        runs=runs,
        frames=200,
        missing_share=0.0,
        n_cliffs=0,
    )
    with tempfile.TemporaryDirectory() as folder:
        simulate_lab(settings, 1).write(Path(folder))
        return sm.read_bench(folder), sm.read_specs(Path(folder) / "specs.csv")


def seconds(work: Callable[[], object], times: int = 1) -> float:
    """Return the least time of the processor that `work` took in so many tries."""
    taken = []
    for _ in range(times):
        started = time.process_time()
        work()
        taken.append(time.process_time() - started)
    return min(taken)


def growth(kind: str, sizes: list[tuple[int, int]]) -> None:
    """Print the time of a fit of growing benches, and its ratio to the size before."""
    print(f"\n{kind}:\n\n| cards | charts | cells | fit, s | times the one before |")
    print("|---|---|---|---|---|")
    before = None
    for cards, charts in sizes:
        bench, _ = bench_of(cards, charts)
        taken = seconds(lambda bench=bench: sm.fit(bench), 1 if cards * charts > 20_000 else 2)
        ratio = f"{taken / before:.2f}" if before else ""
        print(
            f"| {cards} | {charts} | {len(bench.results):,} | {taken:.2f} | {ratio} |", flush=True
        )
        before = taken


def held_out() -> None:
    """Print how many fits it costs to hold every card out in turn, and what predictions cost."""
    bench, specs = bench_of(30, 60, runs=3)
    whole = seconds(lambda: sm.fit(bench), 3)
    fit = sm.fit(bench)
    cards = fit.labels.cards
    each = seconds(lambda: [fit.without((card,)).predict(sheet(bench, card)) for card in cards])
    predicted = seconds(lambda: fit.predict(specs), 3)
    rows = {
        "fit": whole,
        "every card held out and predicted": each,
        f"{len(specs)} sheets predicted on every chart": predicted,
    }
    print("\n| 30 cards, 60 charts, 3 runs | s | in fits |\n|---|---|---|")
    for what, taken in rows.items():
        print(f"| {what} | {taken:.2f} | {taken / whole:.2f} |")


def sheet(bench: sm.Bench, card: str) -> pd.DataFrame:
    """Return the sheet of one card."""
    return bench.cards[bench.cards["card"] == card]


def imports() -> None:
    """Print how long importing the library takes, in the start of the interpreter."""

    def started(code: str) -> float:
        command, taken = [sys.executable, "-c", code], []
        for _ in range(5):
            before = time.perf_counter()
            subprocess.run(command, check=True, cwd=ROOT)
            taken.append(time.perf_counter() - before)
        return min(taken)

    bare, library = started("pass"), started("import scalemodel")
    print("\n| start of the interpreter | s |\n|---|---|")
    print(f"| alone | {bare:.3f} |\n| with `import scalemodel` | {library:.3f} |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", action="store_true")
    largest = parser.parse_args().largest
    python = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    print(python, *(f"{n} {version(n)}" for n in ("numpy", "scipy", "pandas")), sep=", ")
    imports()
    held_out()
    growth("By charts", [(30, 60), (30, 120), (30, 240), (30, 480)])
    growth("By cards", [(25, 60), (50, 60), (100, 60), (200, 60)])
    if largest:
        growth("Largest", [(200, 600), (200, 1200)])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"\nMost memory held: {peak:.2f} GB.")


if __name__ == "__main__":
    main()
