"""Is the cause that `explain` names first the true one? On simulated labs with foreign physics.

Run from the root of the repository: ``python docs/benchmarks/explaining.py --labs 16``. The
simulator runs each lab again with one part of its physics switched off. A change of order whose
size falls by more than half without one part, and without that one only, has this part as its true
cause. The figures it gave are in explaining.md beside it.
"""

import argparse
import platform
import sys
import tempfile
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.demo.truth import CAUSES, flips  # noqa: E402
from datasets.labsim import random_settings, simulate_lab  # noqa: E402
from datasets.labsim.lab import draw_world  # noqa: E402
from scalemodel.answers.explain import ordered_parts  # noqa: E402
from scalemodel.answers.order import FLIPS  # noqa: E402

NAMES = {
    "ceiling": "ceiling",
    "bandwidth": "bandwidth and cache",
    "fill": "arithmetic",
    "memory": "memory capacity",
}
CELL = ["card", "platform", "game", "preset", "resolution"]


def lab_rows(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the causes named on one lab, and the stated and true changes of order."""
    settings = random_settings(seed)
    lab = simulate_lab(settings, seed)
    planted = flips(draw_world(settings, seed), seed, lab.results)
    with tempfile.TemporaryDirectory() as folder:
        lab.write(Path(folder))
        fit = sm.fit(sm.read_bench(folder))
        truth = pd.read_csv(Path(folder) / "truth.csv", dtype={"card": str, "preset": str})
    return named(fit, planted), changed(fit, truth)


def named(fit: sm.Fit, planted: pd.DataFrame) -> pd.DataFrame:
    """Return the true cause of each change of order with one cause, and the one named first."""
    if planted.empty:
        return planted
    without = planted[[f"change_without_{cause}" for cause in CAUSES]].to_numpy()
    alone = (without < 0.5 * planted[["change"]].to_numpy()).sum(axis=1) == 1
    states = fit.ceilings().table.set_index(CELL)["state"]
    rows = []
    for flip in planted[alone].to_dict(orient="records"):
        scene = f"{flip['game']} | {flip['preset']}"
        table = fit.explain(flip["a"], flip["b"], scenes=(scene,)).table
        rows_of = table[(table["row_kind"] == "chart") & (table["platform"] == flip["platform"])]
        place = [flip[name] for name in ("platform", "game", "preset")]
        at_low = [states[(card, *place, rows_of["to"].iloc[0])] for card in (flip["a"], flip["b"])]
        plain = "ceiling" if "cpu_bound" in at_low else "bandwidth and cache"
        first = ordered_parts(rows_of).iloc[0]["part"]
        rows.append({"cause": NAMES[flip["cause"]], "named": first, "plain": plain})
    return pd.DataFrame(rows)


def changed(fit: sm.Fit, truth: pd.DataFrame) -> pd.DataFrame:
    """Return the stated probability of each measured change of order, and whether it is true."""
    rates = truth.set_index(CELL)["true_fps"]
    rows = []
    for flip in fit.order().table.to_dict(orient="records"):
        place = [flip[name] for name in ("platform", "game", "preset")]
        ratio = [
            rates[(flip["a"], *place, where)] / rates[(flip["b"], *place, where)]
            for where in (flip["resolution"], flip["to"])
        ]
        true = ratio[0] > 1 > ratio[1]
        rows.append({"p": flip["p_flip"], "verdict": flip["verdict"], "true": true})
    return pd.DataFrame(rows)


def lines(causes: pd.DataFrame, changes: pd.DataFrame) -> Iterator[str]:
    """Give the tables in Markdown."""
    yield "| true cause | changes of order | named first | by the plain rule |\n|---|---|---|---|"
    for cause, rows in [*causes.groupby("cause"), ("all", causes)]:
        right, plain = ((rows[name] == rows["cause"]).mean() for name in ("named", "plain"))
        yield f"| {cause} | {len(rows)} | {right:.3f} | {plain:.3f} |"
    yield "\n| p_flip | mean | true | changes of order |\n|---|---|---|---|"
    bins = pd.cut(changes["p"], [-0.01, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0])
    for part, rows in changes.groupby(bins, observed=True):
        yield f"| {part} | {rows['p'].mean():.3f} | {rows['true'].mean():.3f} | {len(rows)} |"
    sure = changes[changes["verdict"] == FLIPS]
    yield f"\nSaid to change places: {len(sure)}, of these in truth {sure['true'].mean():.3f}"


def main() -> None:
    """Run the labs and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=10)
    asked = parser.parse_args()
    machine = f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}"
    print(f"{machine}, scipy {version('scipy')}; {asked.labs} labs\n")
    found = [lab_rows(seed) for seed in range(asked.labs)]
    causes, changes = (pd.concat(parts) for parts in zip(*found, strict=True))
    print("\n".join(lines(causes, changes)))


if __name__ == "__main__":
    main()
