"""Ten years of a lab, and what checking and reading them takes.

Run from the root of the repository: ``python docs/benchmarks/big.py FOLDER`` writes a bench of 200
cards and 1,200 charts with three runs a cell into FOLDER and measures `check_bench` and
`read_bench` on it, as CSV and as Parquet, each in a process of its own. Rates are those of the
simulated labs (`datasets.labsim`) without playing the frames, which changes no time measured here.
The figures it gave are in scale.md in the folder above.
"""

import argparse
import datetime
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from datasets.labsim import LabSettings  # noqa: E402
from datasets.labsim.lab import draw_world, write_csv  # noqa: E402
from datasets.labsim.world import World, cpu_times, world_gpu_times  # noqa: E402

YEARS, FIRST_DAY = 10, datetime.date(2016, 1, 4)
DAYS_TO_TEST = 60
"""Days within which a lab tests a card, or a game, that is new."""

KNEE = 12.0
RUN_SD = 0.005
MEASURE = """
import resource, sys, time
import scalemodel as sm
clock, spent = time.perf_counter(), time.process_time()
found = getattr(sm, sys.argv[1])(sys.argv[2])
rows = sum(file.rows for file in found.reading)
print(f"{time.perf_counter() - clock:.1f} {time.process_time() - spent:.1f} "
      f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} {rows}")
"""


def world_of(cards: int, charts: int) -> World:
    """Draw the cards and scenes of a lab with two platforms and three resolutions."""
    settings = LabSettings(
        n_vendors=3,
        n_architectures=max(3, cards // 9),
        n_cards=cards,
        n_scenes=charts // 6,
        n_platforms=2,
        n_cliffs=0,
        n_unreleased=0,
    )
    return draw_world(settings, 1)


def cells_of(world: World) -> pd.DataFrame:
    """Return one row a cell: its names, the rate and the day of the test."""
    shape = len(world.cards), len(world.scenes), len(world.resolutions), len(world.platforms)
    card, scene, resolution, platform = (at.ravel() for at in np.indices(shape))
    gpu = 1e3 / world_gpu_times(world).frame_ms[..., None]
    cpu = 1e3 / np.stack([cpu_times(world, s) for s in range(shape[1])], axis=1)
    rate = (gpu**-KNEE + cpu**-KNEE) ** (-1 / KNEE)
    rng = np.random.default_rng(2)
    new_card = np.sort(rng.uniform(0, 365 * YEARS, shape[0]))
    new_game = rng.uniform(0, 365 * YEARS, shape[1])
    day = np.maximum(new_card[card], new_game[scene]) + rng.uniform(0, DAYS_TO_TEST, card.size)
    return pd.DataFrame(
        {
            "card": world.cards.sheet["card"].to_numpy(object)[card],
            "platform": np.array(world.platforms, object)[platform],
            "game": np.array(world.scenes.game, object)[scene],
            "preset": np.array(world.scenes.preset, object)[scene],
            "resolution": np.array(world.resolutions, object)[resolution],
            "rate": rate.ravel(),
            "day": day.astype(int),
        }
    )


def results_of(cells: pd.DataFrame, runs: int) -> pd.DataFrame:
    """Return the rows of results.csv: some runs of every cell."""
    rng = np.random.default_rng(3)
    rows = cells.loc[cells.index.repeat(runs)].reset_index(drop=True)
    average = rows["rate"].to_numpy() * np.exp(RUN_SD * noise(rng, len(rows)))
    low = average * np.exp(-0.25 - 0.02 * np.abs(noise(rng, len(rows))))
    lowest = low * np.exp(-0.2 - 0.05 * np.abs(noise(rng, len(rows))))
    days = [FIRST_DAY + datetime.timedelta(days=n) for n in range(365 * YEARS + DAYS_TO_TEST)]
    drivers = [f"{day.year % 100}.{(day.month + 2) // 3}" for day in days]
    return pd.DataFrame(
        {
            **{name: rows[name] for name in ("card", "platform", "game", "preset", "resolution")},
            "run": np.tile(np.arange(1, runs + 1), len(cells)),
            "avg_fps": average.round(2),
            "low_1pct_fps": low.round(2),
            "low_01pct_fps": lowest.round(2),
            "driver": np.array(drivers, object)[rows["day"]],
            "date": np.array([day.isoformat() for day in days], object)[rows["day"]],
        }
    )


def noise(rng: np.random.Generator, size: int) -> NDArray[np.float64]:
    """Return heavy-tailed noise of unit sd."""
    return np.asarray(rng.standard_t(5, size) / np.sqrt(5 / 3))


def write(folder: Path, cards: int, charts: int, runs: int) -> None:
    """Write the bench as CSV, and the same as Parquet beside it."""
    world = world_of(cards, charts)
    sheet = world.cards.sheet[world.tested]
    platforms = pd.DataFrame({"platform": world.platforms})
    tables = {"cards": sheet, "platforms": platforms, "results": results_of(cells_of(world), runs)}
    for form in ("csv", "parquet"):
        (folder / form).mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        write_csv(table, folder / "csv" / f"{name}.csv")
        table.to_parquet(folder / "parquet" / f"{name}.parquet", index=False)


def measure(folder: Path) -> None:
    """Print what checking and reading the bench takes, in processes of their own."""
    print("| what | form | rows | s by the clock | s of the processor | most memory, GB |")
    print("|---|---|---|---|---|---|")
    for call in ("check_bench", "read_bench"):
        for form in ("csv", "parquet"):
            command = [sys.executable, "-c", MEASURE, call, str(folder / form)]
            made = subprocess.run(command, check=True, cwd=ROOT, capture_output=True, text=True)
            clock, spent, memory, rows = made.stdout.split()
            numbers = f"{int(rows):,} | {clock} | {spent} | {memory}"
            print(f"| `{call}` | {form} | {numbers} |", flush=True)


def main() -> None:
    """Write the bench, unless it is there, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cards", type=int, default=200)
    parser.add_argument("--charts", type=int, default=1200)
    parser.add_argument("--runs", type=int, default=3)
    given = parser.parse_args()
    if not given.folder.exists():
        write(given.folder, given.cards, given.charts, given.runs)
    measure(given.folder)


if __name__ == "__main__":
    main()
