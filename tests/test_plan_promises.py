"""Plans keep what they promise: their runs are simulated, the bench is fitted again.

Quick labs with the model's own physics; docs/benchmarks/planning.py does it with twenty labs whose
physics is not the model's, and with fair peers.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scalemodel.answers.fitting import Fit, fit
from tests.answers.small_lab import CELL, Lab, Settings, simulate
from tests.conftest import HELD_OUT

RUNS_BEFORE, HOURS = 3, 3.0


def bench_with(lab: Lab, runs: pd.DataFrame, folder: Path) -> Fit:
    """Fit the runs asked for: the columns of a cell, `first` (excluded) and `last`."""
    results = lab.results.merge(runs, on=CELL)
    kept = results[(results["run"] > results["first"]) & (results["run"] <= results["last"])]
    kept = kept[[*CELL, "run", "avg_fps"]].drop_duplicates()
    return fit(Lab(lab.cards, kept, lab.truth).bench(folder))


def after_runs(lab: Lab, measured: pd.DataFrame, new: pd.DataFrame, folder: Path) -> Fit:
    """Fit the bench with new runs, which are the ones simulated after those it has."""
    more = new.assign(first=RUNS_BEFORE, last=RUNS_BEFORE + new["runs"].clip(upper=20))
    return bench_with(lab, pd.concat([measured, more[[*CELL, "first", "last"]]]), folder)


def error(of: Fit, truth: pd.DataFrame) -> float:
    """Give the mean absolute error of all medians of the card that had no results."""
    sheet = of.bench.cards[of.bench.cards["card"] == HELD_OUT].assign(card="same sheet")
    predicted = of.predict(sheet).table
    own = of.cells.table.set_index(CELL)["rate"]
    true = truth.set_index(CELL)["fps"]
    keys = pd.MultiIndex.from_frame(predicted.assign(card=HELD_OUT)[CELL])
    found = own.reindex(keys).fillna(pd.Series(predicted["median"].to_numpy(), index=keys))
    return float(np.abs(np.log(found / true.reindex(keys))).mean())


@pytest.mark.parametrize("seed", [1, 2])
def test_ranges_shrink_as_promised_and_more_than_at_random(seed: int, tmp_path: Path) -> None:
    lab = simulate(Settings(runs=RUNS_BEFORE + 20, seed=seed))
    rng = np.random.default_rng(seed)
    cells = lab.truth[CELL]
    measured = cells[(rng.random(len(cells)) < 0.6) & (cells["card"] != HELD_OUT)]
    measured = measured.assign(first=0, last=RUNS_BEFORE)
    before = bench_with(lab, measured, tmp_path / "before")
    answer = before.plan(HOURS)
    after = after_runs(lab, measured, answer.table, tmp_path / "after")
    now, promised = answer.targets[["range_now", "range_after"]].iloc[0]
    kept = after.plan(HOURS).targets["range_now"].iloc[0]
    assert kept == pytest.approx(promised, rel=0.15)  # measured: within 3%
    assert promised < 0.8 * now
    gaps = cells.merge(measured, on=CELL, how="left", indicator=True)
    gaps = gaps[gaps["_merge"] == "left_only"]
    runs = int(answer.table["runs"].sum())  # as many as the plan: it pays no installing
    drawn = gaps.iloc[rng.permutation(len(gaps))[:runs]]
    random = after_runs(lab, measured, drawn[CELL].assign(runs=1), tmp_path / "random")
    assert kept < random.plan(HOURS).targets["range_now"].iloc[0]
    assert error(after, lab.truth) < error(before, lab.truth)
