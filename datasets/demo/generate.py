"""Write the demo bench and its truth: `python -m datasets.demo.generate` in the project's root."""

from pathlib import Path

import pandas as pd

from datasets.demo import bench, latency, logs, power, scenario, truth, value
from datasets.labsim.world import truth_tables

SEED = 12
ROOT = Path(__file__).resolve().parents[2]
BENCH_FOLDER = ROOT / "scalemodel" / "demo"
TRUTH_FOLDER = ROOT / "datasets" / "demo"


def tables(seed: int = SEED) -> dict[str, pd.DataFrame]:
    """Return every table of the demo by the name of its file."""
    world = scenario.world(seed)
    results = bench.results(world, seed)
    cells, ceilings = truth_tables(world, seed, bench.FRAMES)
    sheet = world.cards.sheet
    shots, true_latency = latency.shots(world.platforms[0], results, seed)
    return {
        "cards": sheet[world.tested],
        "platforms": pd.DataFrame(scenario.PLATFORM_TABLE),
        "results": power.with_power(world, results, seed),
        "frames": logs.listing(),
        "latency": shots,
        "specs": sheet[~world.tested],
        "truth": cells.round(3),
        "truth_ceilings": ceilings.round(3),
        "truth_faults": truth.faults(world, cells, results),
        "truth_flips": truth.flips(world, seed, results),
        "truth_logs": logs.truth(world, seed),
        "truth_latency": true_latency,
        "truth_power": power.truth(world, power.with_power(world, results, seed), seed),
        "truth_value": value.truth(sheet[world.tested], cells, results),
    }


def files(seed: int = SEED) -> dict[Path, bytes]:
    """Return the bytes of every file of the demo."""
    made = {}
    for name, table in tables(seed).items():
        folder = TRUTH_FOLDER if name.startswith("truth") else BENCH_FOLDER
        text = table.to_csv(index=False, lineterminator="\n")
        made[folder / f"{name}.csv"] = text.encode("utf-8")
    for name, content in logs.contents(scenario.world(seed), seed).items():
        made[BENCH_FOLDER / "frames" / name] = content
    return made


if __name__ == "__main__":
    for path, content in files().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
