"""The model judged by frame loops that were measured, beside plain peers.

Run from the root of the repository: ``python docs/benchmarks/frameloop.py``. The data and how they
were made are in ``datasets/frameloop``: CPU and GPU time of every frame are known. The figures this
gave are in frameloop.md beside it.
"""

import platform
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from accuracy import Case, Judged, flags, judge, markdown, summary  # noqa: E402

import scalemodel as sm  # noqa: E402
from datasets.frameloop import tables  # noqa: E402

SIZES = (20, 28, 36, 46, 58, 72, 88, 104, 120, 132)
CELL = tables.CELL


@dataclass(frozen=True)
class Split:
    """Which cards are fitted and which are then predicted.

    Attributes:
        kind: what the split shows; splits of a kind are judged together.
        fitted, held_out: names of cards.
    """

    kind: str
    fitted: tuple[str, ...]
    held_out: tuple[str, ...]


def names(chip: str, sizes: tuple[int, ...]) -> tuple[str, ...]:
    """Return the names of the parts of a chip."""
    return tuple(f"{tables.NAMES[chip]}{size}" for size in sizes)


def splits() -> Iterator[Split]:
    """Return all splits: within a chip first, then from one chip to the other."""
    for chip in tables.CHIPS:
        for size in SIZES[1:-1]:
            rest = tuple(s for s in SIZES if s != size)
            yield Split("inside", names(chip, rest), names(chip, (size,)))
        for count in (1, 2, 3):
            kind = f"beyond, largest {count}"
            yield Split(kind, names(chip, SIZES[:-count]), names(chip, SIZES[-count:]))
        yield Split("from 58 and less", names(chip, SIZES[:5]), names(chip, SIZES[5:]))
    for more in ((), (46,), (20, 36, 58), (20, 72, 132)):
        known = names("narrow", SIZES) + names("wide", more)
        rest = tuple(s for s in SIZES if s not in more)
        words = " and ".join(", ".join(map(str, more)).rsplit(", ", 1)) or "none"
        yield Split(f"refresh, {words} of it tested", known, names("wide", rest))


def measured_truth() -> pd.DataFrame:
    """Return the truth as `accuracy` takes it: the rate of a cell is that of all its runs."""
    cells = tables.truth(tables.runs())
    return cells.assign(true_fps=1000.0 / cells["frame_ms"], over_memory=False)


def read_bench() -> sm.Bench:
    """Read the bench from a folder of its own, so that nothing is kept beside the data."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name in ("cards", "platforms", "results"):
            text = (tables.BENCH_FOLDER / f"{name}.csv").read_bytes()
            (folder / f"{name}.csv").write_bytes(text)
        return sm.read_bench(folder)


def case_of(bench: sm.Bench, split: Split, truth: pd.DataFrame) -> Case:
    """Return the bench of the fitted cards and the sheets of the others."""
    results = bench.results[bench.results["card"].isin(split.fitted)].reset_index(drop=True)
    sheets = bench.cards[bench.cards["card"].isin(split.held_out)].reset_index(drop=True)
    return Case(split.kind, replace(bench, results=results), sheets, truth)


def judged_splits(bench: sm.Bench, truth: pd.DataFrame) -> pd.DataFrame:
    """Return one row a method and held-out cell of every split."""
    parts = []
    for split in splits():
        found: Judged = judge(case_of(bench, split, truth), "average")
        parts.append(found.predicted.assign(split=split.kind))
        print(split.kind, ", ".join(split.held_out), file=sys.stderr)
    return pd.concat(parts, ignore_index=True)


def again(cells: pd.DataFrame) -> pd.DataFrame:
    """Return how far a second measurement of the narrow chip is from the first, by which limits."""
    second = pd.read_csv(tables.FOLDER / "raw" / "runs-narrow-again.csv.gz")
    second = second.assign(card=tables.NAMES["narrow"] + second["multiprocessors"].astype(str))
    both = second.merge(cells, on=CELL, suffixes=("", "_first"))
    change = np.log(both["frame_ms"] / both["frame_ms_first"])
    rows = both.assign(change=change, off=change.abs()).groupby("at_ceiling")
    return rows.agg(mean=("change", "mean"), mean_abs=("off", "mean"), cells=("off", "size"))


def form(cells: pd.DataFrame) -> pd.DataFrame:
    """Return how much longer frames took than the larger of CPU and GPU time, by their ratio."""
    edges = [-9.0, -1.0, -0.5, -0.2, -0.1, 0.1, 0.2, 0.5, 1.0, 9.0]
    means = np.log(cells["cpu_ms"] / cells["gpu_ms"])
    over = cells["frame_ms"] / np.maximum(cells["cpu_ms"], cells["gpu_ms"]) - 1.0
    by_frame = cells["frame_ms"] / cells["larger_ms"] - 1.0
    rows = cells.assign(over_means=over, over_frames=by_frame, ratio=pd.cut(means, edges))
    return rows.groupby("ratio", observed=True).agg(
        over_means=("over_means", "mean"),
        over_frames=("over_frames", "mean"),
        cells=("ratio", "size"),
    )


def errors_by(column: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Return error and coverage of each group, with the error of GPU-bound cells beside it."""
    whole = summary(rows, [column])
    bound = summary(rows[~rows["at_ceiling"]], [column])
    whole.insert(1, "of GPU-bound", bound["mean abs error"])
    return whole


def by_scene(own: pd.DataFrame) -> pd.DataFrame:
    """Return mean abs error of GPU-bound cells, scene by scene, inside the span and beyond it."""
    bound = own[~own["at_ceiling"]]
    kind = np.where(bound["split"] == "inside", "inside", "beyond")
    bound = bound.assign(kind=kind, error=np.log(bound["median"] / bound["truth"]).abs())
    bound = bound[bound["split"].isin(["inside", "beyond, largest 3"])]
    return bound.pivot_table(index=["game", "preset"], columns="kind", values="error")


def main() -> None:
    """Print the tables."""
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy", "scikit-learn"))
    print(f"{platform.machine()}, Python {platform.python_version()}, {packages}\n")
    truth, bench = measured_truth(), read_bench()
    fit = sm.fit(bench)
    print(f"{fit}\n\n{markdown(form(truth))}\n\n{markdown(again(truth))}\n")
    print(flags(fit.ceilings().table.merge(truth, on=CELL)), "\n")
    rows = judged_splits(bench, truth)
    own = rows[rows["method"] == "scalemodel"]
    print(markdown(errors_by("split", own)), "\n")
    for kind, part in rows.groupby("split", sort=False):
        print(f"{kind}\n\n{markdown(errors_by('method', part))}\n")
    print(markdown(by_scene(own)))


if __name__ == "__main__":
    main()
