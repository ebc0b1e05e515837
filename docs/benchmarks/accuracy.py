"""Out-of-sample accuracy on simulated labs whose physics is not the model's, beside plain peers.

Run from the root of the repository: ``python docs/benchmarks/accuracy.py --labs 20``. Every lab is
drawn from its own seed; a model is fitted to the tested cards and judged on the unreleased ones.
``--demo`` does the same for the demo bench. The figures it gave are in accuracy.md beside it.
"""

import argparse
import functools
import platform
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from crew import add_options, crew  # noqa: E402

import scalemodel as sm  # noqa: E402
from datasets.labsim import random_settings, simulate_lab  # noqa: E402
from scalemodel.answers.peers import peer_data, peer_specs, usable_specs  # noqa: E402
from scalemodel.errors import ScalemodelError  # noqa: E402
from scalemodel.model.peers import PEERS, Question, held_out_errors  # noqa: E402
from scalemodel.model.scores import auc, brier  # noqa: E402

CHART = ["platform", "game", "preset", "resolution"]
LEVELS = (0.5, 0.8, 0.95)
METRIC_TRUTH = {
    "average": "true_fps",
    "low_1pct": "true_low_1pct_fps",
    "low_01pct": "true_low_01pct_fps",
}


@dataclass(frozen=True)
class Case:
    """A lab to judge on: its bench, the sheets of its unreleased cards, and the truth."""

    name: str
    bench: sm.Bench
    specs: pd.DataFrame
    truth: pd.DataFrame


def read_case(name: str, folder: Path, truth: Path) -> Case:
    """Read a bench, its spec sheets and its truth."""
    read = pd.read_csv(truth, dtype={"card": str, "game": str, "preset": str})
    return Case(name, sm.read_bench(folder), sm.read_specs(folder / "specs.csv"), read)


@dataclass(frozen=True)
class Judged:
    """What one case gave.

    Attributes:
        predicted: one row a method and held-out cell.
        flagged: one row a measured cell with its flag.
        faster: one row a held-out cell and tested card, with `p_faster` and which one was.
    """

    predicted: pd.DataFrame
    flagged: pd.DataFrame
    faster: pd.DataFrame


def judge(case: Case, metric: str) -> Judged:
    """Fit a case and set everything it says beside the truth."""
    started = time.perf_counter()
    fit = sm.fit(case.bench, metric)
    seconds = time.perf_counter() - started
    table = pd.DataFrame()
    for level in LEVELS:
        answer = fit.predict(case.specs, level).table
        table = answer if table.empty else table
        table[f"lower_{level}"], table[f"upper_{level}"] = answer["lower"], answer["upper"]
    good = table[table["reason"] == ""].merge(case.truth, on=["card", *CHART])
    good = good[~good["over_memory"].astype(bool)].assign(seconds=seconds, lab=case.name)
    good["truth"] = good[METRIC_TRUTH[metric]]
    good["bias"] = np.log(good["median"] / good["truth"])
    parts = [good.assign(method="scalemodel")]
    parts += [peer_rows(name, fit, case, good) for name in PEERS]
    results = fit.ceilings().table.merge(case.truth, on=["card", *CHART])
    faster = which_is_faster(fit, case, METRIC_TRUTH[metric])
    return Judged(pd.concat(parts), results.assign(lab=case.name), faster)


def judge_lab(metric: str, seed: int) -> Judged:
    """Simulate the lab of a seed and judge on it."""
    with tempfile.TemporaryDirectory() as folder:
        simulate_lab(random_settings(seed), seed).write(Path(folder))
        case = read_case(f"lab {seed}", Path(folder), Path(folder) / "truth.csv")
        return judge(case, metric)


def which_is_faster(fit: sm.Fit, case: Case, truth: str) -> pd.DataFrame:
    """Return `p_faster` of each held-out card over each tested one, and whether it is faster."""
    answer = fit.predict(case.specs, against=fit.labels.cards).against
    columns = ["card", *CHART, truth, "over_memory", "at_ceiling"]
    ours = answer[answer["reason"] == ""].merge(case.truth[columns], on=["card", *CHART])
    theirs = case.truth[columns].rename(columns={"card": "against"})
    both = ours.merge(theirs, on=["against", *CHART], suffixes=("", "_of_other"))
    fits = ~(both["over_memory"].astype(bool) | both["over_memory_of_other"].astype(bool))
    return both[fits].assign(faster=both[truth] > both[f"{truth}_of_other"])


def peer_rows(name: str, fit: sm.Fit, case: Case, good: pd.DataFrame) -> pd.DataFrame:
    """Return the same rows as predicted by a plain peer with conformal ranges."""
    charts = fit.labels.charts
    tested = case.bench.cards.set_index("card").loc[list(fit.labels.cards)].reset_index()
    data = peer_data(tested, fit.cells.table, charts)
    rows = good.copy()
    at_card = pd.Index(case.specs["card"]).get_indexer(pd.Index(rows["card"]))
    at_chart = pd.MultiIndex.from_frame(charts[CHART]).get_indexer(
        pd.MultiIndex.from_frame(rows[CHART])
    )
    specs = peer_specs(case.specs, usable_specs(tested))
    try:
        median = PEERS[name](data, Question(specs[at_card], at_chart)).median
        errors = held_out_errors(PEERS[name], data)
    except ScalemodelError:
        return rows.assign(method=name, median=np.nan)
    rows["median"] = np.exp(median)
    for level in LEVELS:
        found = errors.around(median, level)
        rows[f"lower_{level}"], rows[f"upper_{level}"] = np.exp(found.lower), np.exp(found.upper)
    return rows.assign(method=name)


def summary(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return error, coverage and width of each group."""
    rows = rows.assign(error=(np.log(rows["median"] / rows["truth"])).abs())
    for level in LEVELS:
        inside = (rows["truth"] >= rows[f"lower_{level}"]) & (
            rows["truth"] <= rows[f"upper_{level}"]
        )
        rows[f"in_{level}"] = inside.where(rows["median"].notna())
    rows["width_0.8"] = np.log(rows["upper_0.8"] / rows["lower_0.8"])
    wanted = {
        "mean abs error": ("error", "mean"),
        **{f"in {level:.0%}": (f"in_{level}", "mean") for level in LEVELS},
        "width of 80%": ("width_0.8", "mean"),
        "cells": ("error", "size"),
    }
    return rows.groupby(by, sort=False).agg(**wanted)


def flags(results: pd.DataFrame) -> str:
    """Return how well p_ceiling tells which side was the slower."""
    truth = results["at_ceiling"].astype(bool).to_numpy()
    p = results["p_ceiling"].to_numpy()
    bins = pd.cut(results["p_ceiling"], [-0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0])
    curve = results.assign(truth=truth).groupby(bins, observed=True)
    table = curve.agg(p=("p_ceiling", "mean"), share=("truth", "mean"), n=("truth", "size"))
    return (
        f"AUC {auc(p, truth):.4f}, Brier {np.mean(brier(p, truth)):.4f} "
        f"over {len(p)} cells, {truth.mean():.1%} at the ceiling\n\n{markdown(table)}"
    )


def faster(rows: pd.DataFrame) -> str:
    """Return how often the card that `p_faster` favours is the faster one."""
    edges = [-0.01, 0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 1.0]
    tables = []
    for words, own in (
        ("all", rows),
        ("neither at the ceiling", rows[~(rows["at_ceiling"] | rows["at_ceiling_of_other"])]),
    ):
        curve = own.groupby(pd.cut(own["p_faster"], edges), observed=True)
        table = curve.agg(p=("p_faster", "mean"), share=("faster", "mean"), n=("faster", "size"))
        score = np.mean(brier(own["p_faster"].to_numpy(), own["faster"].to_numpy(dtype=bool)))
        tables.append(f"{words}: Brier {score:.4f} over {len(own)} pairs\n\n{markdown(table)}")
    return "\n\n".join(tables)


def markdown(table: pd.DataFrame) -> str:
    """Return a table as Markdown, four significant digits."""
    flat = table.reset_index()
    lines = ["| " + " | ".join(map(str, flat.columns)) + " |", "|" + "---|" * flat.shape[1]]
    for row in flat.itertuples(index=False):
        cells = (f"{v:.4g}" if isinstance(v, float) else str(v) for v in row)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=20)
    parser.add_argument("--metric", choices=list(METRIC_TRUTH), default="average")
    parser.add_argument("--demo", action="store_true")
    add_options(parser)
    chosen = parser.parse_args()
    if chosen.demo:
        demo = read_case("demo", ROOT / "scalemodel/demo", ROOT / "datasets/demo/truth.csv")
        judged = [judge(demo, chosen.metric)]
    else:
        with crew(chosen) as workers:
            told = functools.partial(print, "a lab is judged", file=sys.stderr)
            judged = workers.map(judge_lab, chosen.metric, range(chosen.labs), told)
    table = pd.concat([j.predicted for j in judged])
    own = table[table["method"] == "scalemodel"]
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy", "scikit-learn"))
    print(f"{platform.machine()}, Python {platform.python_version()}, {packages}\n")
    print(markdown(summary(table, ["method"])), "\n")
    print(markdown(summary(own, ["card" if chosen.demo else "kind"])), "\n")
    print(markdown(summary(own, ["at_ceiling"])), "\n")
    print(flags(pd.concat([j.flagged for j in judged])), "\n")
    print(faster(pd.concat([j.faster for j in judged])))


if __name__ == "__main__":
    main()
