"""Do ranges hold in small benches: three cards in two scenes, or six cards on one chart?

Run from the root of the repository: ``python docs/benchmarks/small.py --benches 200``. Every bench
is a few cards and charts of a simulated lab whose physics is not the model's. Of the lab's other
cards one inside the span of the tested ones and one beyond it are predicted, by scalemodel and by a
plain peer. The figures this gave are in small.md beside it.
"""

import argparse
import platform
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from accuracy import CHART, LEVELS, Case, markdown, peer_rows, read_case, summary
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.labsim import random_settings, simulate_lab  # noqa: E402

PEER = "nearest_card"
LAB_CARDS, FARTHEST = 12, 1.6


@dataclass(frozen=True)
class Size:
    """How much of a lab a bench holds."""

    cards: int
    scenes: int
    resolutions: tuple[str, ...]
    runs: int

    @property
    def words(self) -> str:
        """Name the size in a table."""
        parts = (self.cards, self.scenes, len(self.resolutions), self.runs)
        return " x ".join(str(part) for part in parts)


ALL, ONE = ("1920x1080", "2560x1440", "3840x2160"), ("2560x1440",)
SIZES = (
    Size(3, 2, ALL, 3),
    Size(3, 2, ALL, 1),
    Size(3, 2, ONE, 3),
    Size(3, 2, ONE, 1),
    Size(6, 1, ONE, 3),
)


def lab(seed: int) -> Case:
    """Simulate a lab of two scenes on one platform in which every cell was tested."""
    settings = replace(
        random_settings(seed),
        n_cards=LAB_CARDS,
        n_scenes=2,
        n_platforms=1,
        n_cliffs=0,
        n_caps=0,
        runs=3,
        missing_share=0.0,
    )
    with tempfile.TemporaryDirectory() as folder:
        simulate_lab(settings, seed).write(Path(folder))
        return read_case(f"lab {seed}", Path(folder), Path(folder) / "truth.csv")


def draw_parts(cards: pd.DataFrame, count: int, rng: np.random.Generator) -> dict[str, str]:
    """Draw so many tested cards, and one inside their span and one up to 1.6 times beyond."""
    speed = (cards["shaders"] * cards["boost_clock_mhz"]).to_numpy(dtype=float)
    while True:
        tested = rng.choice(len(cards), count, replace=False)
        low, high = speed[tested].min(), speed[tested].max()
        inside = np.flatnonzero((speed > low) & (speed < high))
        inside = inside[~np.isin(inside, tested)]
        beyond = np.flatnonzero((speed > high) & (speed < FARTHEST * high))
        if len(inside) and len(beyond):
            kinds = dict.fromkeys(cards["card"].iloc[tested], "tested")
            kinds[cards["card"].iloc[rng.choice(inside)]] = "inside"
            kinds[cards["card"].iloc[rng.choice(beyond)]] = "beyond"
            return kinds


def cut(whole: Case, size: Size, seed: int) -> tuple[Case, dict[str, str]]:
    """Return a bench of that size with two sheets to predict, and which card is what."""
    bench = whole.bench
    kinds = draw_parts(bench.cards, size.cards, np.random.default_rng([seed, size.cards]))
    scenes = bench.results[["game", "preset"]].drop_duplicates().iloc[: size.scenes]
    results = bench.results.merge(scenes, on=["game", "preset"])
    kind = results["card"].map(kinds)
    wanted = (kind == "tested") & results["resolution"].isin(size.resolutions)
    wanted &= results["run"].astype(int) <= size.runs
    asked = bench.cards["card"].map(kinds).isin(["inside", "beyond"])
    kept = results[wanted].reset_index(drop=True)
    sheets = bench.cards[asked].reset_index(drop=True)
    return Case(whole.name, replace(bench, results=kept), sheets, whole.truth), kinds


def judged(case: Case, kinds: dict[str, str]) -> pd.DataFrame:
    """Return one row a method, predicted card and chart, beside the truth."""
    fit = sm.fit(case.bench)
    table = pd.DataFrame()
    for level in LEVELS:
        answer = fit.predict(case.specs, level).table
        table = answer if table.empty else table
        table[f"lower_{level}"], table[f"upper_{level}"] = answer["lower"], answer["upper"]
    good = table[table["reason"] == ""].merge(case.truth, on=["card", *CHART])
    good = good.assign(truth=good["true_fps"], lab=case.name, of=good["card"].map(kinds))
    tested = case.bench.cards["card"].map(kinds) == "tested"
    known = set(case.bench.cards["architecture"][tested])
    of_card = case.bench.cards.set_index("card")["architecture"]
    good["architecture"] = np.where(good["card"].map(of_card).isin(known), "tested", "new")
    return pd.concat([good.assign(method="scalemodel"), peer_rows(PEER, fit, case, good)])


def benches(seeds: range) -> Iterator[pd.DataFrame]:
    """Judge every size on the labs of these seeds."""
    for seed in seeds:
        whole = lab(seed)
        for size in SIZES:
            case, kinds = cut(whole, size, seed)
            yield judged(case, kinds).assign(size=size.words)
        print(f"\r{seed - seeds.start + 1} labs", end="", file=sys.stderr)


def report(rows: pd.DataFrame) -> str:
    """Return the tables as Markdown."""
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy"))
    own = rows[rows["method"] == "scalemodel"]
    parts = [
        f"{platform.machine()}, Python {platform.python_version()}, {packages}",
        *(
            markdown(summary(part, by))
            for part, by in (
                (rows, ["method", "size"]),
                (own, ["of", "architecture"]),
                (own, ["size", "of"]),
            )
        ),
    ]
    return "\n\n".join(parts)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first lab")
    parser.add_argument("--save", type=Path, help="CSV of the rows, as they come")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.benches)
    parts: list[pd.DataFrame] = []
    with threadpool_limits(limits=1, user_api="blas"):
        for part in benches(seeds):
            parts.append(part)
            if chosen.save:
                new = len(parts) == 1
                part.to_csv(chosen.save, index=False, header=new, mode="w" if new else "a")
    print(file=sys.stderr)
    print(report(pd.concat(parts, ignore_index=True)))


if __name__ == "__main__":
    main()
