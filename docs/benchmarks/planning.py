"""Do plans keep their promises, and do they beat plain ones? On labs whose truth is known.

Run from the root of the repository: ``python docs/benchmarks/planning.py --labs 20``. Every lab is
drawn from its own seed; a part of its results is taken away, one card loses all of them. The runs
of each plan are then played by the simulator and the bench is fitted again. Beside the plan stand a
random one and one down the list, of the same hours. The figures it gave are in planning.md.
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
from scipy.sparse import csr_array

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from accuracy import markdown  # noqa: E402

import scalemodel as sm  # noqa: E402
from datasets.labsim import Lab, random_settings, simulate_lab  # noqa: E402
from datasets.labsim.lab import measure  # noqa: E402
from scalemodel.answers.plan_grid import Grid, make_grid  # noqa: E402
from scalemodel.answers.plan_targets import Asked, Targets, make_targets  # noqa: E402
from scalemodel.model.climbing import MOST_STEPS, TOLERANCE, mode_at  # noqa: E402
from scalemodel.model.design import expected_variances  # noqa: E402
from scalemodel.model.problem import prepare  # noqa: E402

CHART = ["platform", "game", "preset", "resolution"]
CELL = ["card", *CHART]
LEVEL = 0.8
KEPT = 0.6  # of the cells
MINUTES_A_RUN, MINUTES_A_SWAP = 4.0, 10.0
QUESTIONS = ("everything", "lead", "ceiling")


@dataclass(frozen=True)
class Case:
    """A lab with gaps: its folder, its fit, and what is asked of it.

    Attributes:
        asked: for each question, what the plan is asked.
    """

    lab: Lab
    seed: int
    bench: sm.Bench
    fit: sm.Fit
    asked: dict[str, Asked]


def read_results(lab: Lab, results: pd.DataFrame) -> sm.Bench:
    """Write a bench of these results and read it."""
    with tempfile.TemporaryDirectory() as folder:
        replace(lab, results=results).write(Path(folder))
        return sm.read_bench(folder)


def cases(count: int) -> Iterator[Case]:
    """Simulate labs of seeds 0 to count - 1 and take results away."""
    for seed in range(count):
        lab = simulate_lab(random_settings(seed), seed)
        rng = np.random.default_rng([seed, 8])
        cells = lab.results[CELL].drop_duplicates()
        a, b = (str(card) for card in rng.permutation(sorted(set(cells["card"])))[:2])
        kept = cells[(rng.random(len(cells)) < KEPT) & (cells["card"] != a).to_numpy()]
        bench = read_results(lab, lab.results.merge(kept, on=CELL))
        fit = sm.fit(bench)
        asked = {"everything": Asked(), "lead": Asked(lead=(a, b))}
        asked["ceiling"] = Asked(ceiling=widest_ceiling(fit))
        yield Case(lab, seed, bench, fit, asked)


def widest_ceiling(fit: sm.Fit) -> tuple[str, str]:
    """Return the scene with the least well known ceiling of those that some card reaches."""
    charts = fit.ceilings().charts.dropna(subset="ceiling_rate")
    wide = np.log(charts["ceiling_high"] / charts["ceiling_low"])
    at = charts.loc[wide.idxmax()]
    return str(at["game"]), str(at["preset"])


@dataclass(frozen=True)
class Chosen:
    """Runs to make: the columns of a cell, and `runs`."""

    method: str
    runs: pd.DataFrame


def plans(case: Case, name: str, hours: float) -> list[Chosen]:
    """Return the plan, a random one, and one down the list, of the same hours."""
    asked = case.asked[name]
    answer = case.fit.plan(
        hours, MINUTES_A_RUN, MINUTES_A_SWAP, lead=asked.lead, ceiling=asked.ceiling, level=LEVEL
    )
    grid = make_grid(case.fit, None, (), in_hand=False)
    cells = grid.cells[(grid.cells["reason"] == "") & grid.cells["at_hand"].astype(bool)]
    if asked.lead is not None:
        cells = cells[cells["card"].isin(asked.lead)]
    if asked.ceiling is not None:
        here = (cells["game"] == asked.ceiling[0]) & (cells["preset"] == asked.ceiling[1])
        cells = cells[here]
    gaps = cells[cells["runs"] == 0]
    rng = np.random.default_rng([case.seed, 9])
    random = gaps.iloc[rng.permutation(len(gaps))]
    others = cells[cells["runs"] > 0]
    again = others.iloc[rng.permutation(len(others))]
    return [
        Chosen("plan", answer.table[[*CELL, "runs"]]),
        Chosen("random", in_time(pd.concat([random, again]), hours)),
        Chosen("down the list", in_time(pd.concat([gaps, others]), hours)),
    ]


def in_time(cells: pd.DataFrame, hours: float) -> pd.DataFrame:
    """Give cells one run each, in their order, again and again, as far as the time goes."""
    left, installed, runs = 60 * hours, set(), {}
    keys = list(cells[CELL].itertuples(index=False, name=None))
    while True:
        fitted = False
        for key in keys:
            cost = MINUTES_A_RUN + (0.0 if key[:2] in installed else MINUTES_A_SWAP)
            if cost <= left:
                left, fitted = left - cost, True
                installed.add(key[:2])
                runs[key] = runs.get(key, 0) + 1
        if not fitted:
            table = pd.DataFrame(list(runs), columns=CELL)
            return table.assign(runs=list(runs.values()))


def play(case: Case, chosen: list[Chosen]) -> pd.DataFrame:
    """Play as many runs of every planned cell as the plan that wants the most of it."""
    world = case.lab.world
    most = pd.concat([one.runs for one in chosen]).groupby(CELL)["runs"].max()
    names = list(world.cards.sheet["card"])
    scenes = list(zip(world.scenes.game, world.scenes.preset, strict=True))
    shape = (int(world.tested.sum()), len(scenes), len(world.resolutions), len(world.platforms))
    parts = []
    for runs, cells in most.groupby(most):
        mask = np.zeros(shape, dtype=bool)
        for card, where, game, preset, resolution in cells.index:
            at = names.index(card), scenes.index((game, preset))
            mask[(*at, world.resolutions.index(resolution), world.platforms.index(where))] = True
        settings = case.lab.settings
        sd = settings.measurement_sd
        seed = 10_000 + 100 * case.seed + int(runs)
        parts.append(measure(world, mask, runs=int(runs), frames=settings.frames, sd=sd, seed=seed))
    return pd.concat(parts, ignore_index=True)


def with_runs(case: Case, runs: pd.DataFrame, played: pd.DataFrame) -> sm.Fit:
    """Fit the bench with the results of planned runs added."""
    new = played.merge(runs, on=CELL)
    new = new[new["run"] <= new["runs"]].assign(run=new["run"] + 1000).drop(columns="runs")
    measured = case.bench.results[CELL].drop_duplicates()
    old = case.lab.results.merge(measured, on=CELL)
    return sm.fit(read_results(case.lab, pd.concat([old, new], ignore_index=True)))


@dataclass(frozen=True)
class Asking:
    """A question as weights on named cells, so that it stays the same after a refit."""

    keys: pd.MultiIndex
    targets: Targets

    @staticmethod
    def of(fit: sm.Fit, asked: Asked) -> "Asking":
        """Return the question as it is before any run."""
        grid = make_grid(fit, None, (), in_hand=False)
        return Asking(keys_of(grid), make_targets(grid, asked))

    def on(self, grid: Grid) -> csr_array:
        """Return the weights on the rows of another grid."""
        place = keys_of(grid).get_indexer(self.keys)
        matrix = self.targets.matrix.tocoo()
        shape = (matrix.shape[0], len(grid.cells))
        return csr_array((matrix.data, (matrix.coords[0], place[matrix.coords[1]])), shape=shape)

    def width(self, fit: sm.Fit, runs: pd.DataFrame | None = None) -> float:
        """Return the mean width of the ranges, now or as expected after runs."""
        grid = make_grid(fit, None, (), in_hand=False)
        count = np.zeros(len(grid.cells))
        if runs is not None:
            at = keys_of(grid).get_indexer(pd.MultiIndex.from_frame(runs[CELL]))
            count[at] = runs["runs"]
        variances = expected_variances(grid.outlook.prospects, self.on(grid), count)
        return float(np.mean(self.targets.ranges(variances, LEVEL)))

    def error(self, fit: sm.Fit, truth: pd.Series) -> float:
        """Return the root mean square error of the targets, in log rate."""
        grid = make_grid(fit, None, (), in_hand=False)
        known = np.log(truth.reindex(keys_of(grid)).to_numpy(dtype=float))
        matrix = self.on(grid)
        away = matrix @ np.where(np.isfinite(known), grid.outlook.log_rate - known, 0.0)
        return float(np.sqrt(np.mean(away**2)))


def keys_of(grid: Grid) -> pd.MultiIndex:
    """Name the rows of a grid."""
    return pd.MultiIndex.from_frame(grid.cells[CELL])


def true_rates(lab: Lab, fit: sm.Fit) -> pd.Series:
    """Return the true rates of cells with enough memory, and the ceilings under the card ""."""
    rates = lab.truth[~lab.truth["over_memory"].astype(bool)].set_index(CELL)["true_fps"]
    grid = make_grid(fit, None, (), in_hand=False)
    rows = grid.cells.loc[grid.cells["card"] == "", CELL]
    ceilings = rows.merge(lab.truth_ceilings, on=["platform", "game", "preset"])
    return pd.concat([rates, ceilings.set_index(CELL)["ceiling_fps"]])


def at_old_scales(new: sm.Fit, old: sm.Fit) -> sm.Fit:
    """Return a fit as it would be if the scales had stayed what they were."""
    model = new.model
    kept = new.observed.take(np.flatnonzero(model.kept))
    problem = prepare(kept, model.specs, model.layout.shape)
    scales = replace(model.scales, values={**model.scales.values, **old.model.scales.values})
    mode = mode_at(problem, scales, model.theta, MOST_STEPS, TOLERANCE)
    return replace(new, model=replace(model, theta=mode.theta, scales=scales))


def judge(case: Case, name: str, hours: float) -> list[dict[str, object]]:
    """Return one row a method: widths before, expected and after, and errors."""
    chosen = plans(case, name, hours)
    asking = Asking.of(case.fit, case.asked[name])
    if not len(asking.targets.of):
        return []
    played = play(case, chosen)
    truth = true_rates(case.lab, case.fit)
    rows = []
    for one in chosen:
        after = with_runs(case, one.runs, played)
        row = {
            "lab": case.seed,
            "question": name,
            "method": one.method,
            "runs": int(one.runs["runs"].sum()),
            "repeats": case.fit.cells.run_sd is not None,
            "now": asking.width(case.fit),
            "expected": asking.width(case.fit, one.runs),
            "after": asking.width(after),
            "error_now": asking.error(case.fit, truth),
            "error": asking.error(after, truth),
        }
        if one.method == "plan":
            row["after_old_scales"] = asking.width(at_old_scales(after, case.fit))
        rows.append(row)
    return rows


def report(rows: pd.DataFrame) -> str:
    """Return the tables."""
    parts = []
    for name in QUESTIONS:
        own = rows[rows["question"] == name]
        means = own.groupby("method", sort=False)[["now", "expected", "after"]].mean()
        errors = own.groupby("method", sort=False)[["error_now", "error"]].agg(
            lambda x: float(np.sqrt(np.mean(x**2)))
        )
        plan = own[own["method"] == "plan"].set_index("lab")
        seen = plan["repeats"].astype(bool)
        lines = [
            f"## {name}, {len(plan)} labs\n",
            markdown(means.join(errors)),
            f"\nafter / expected, labs with repeated runs: {kept(plan[seen], 'after')}; at the old "
            f"scales {kept(plan[seen], 'after_old_scales')}",
            f"labs without: {kept(plan[~seen], 'after')}",
        ]
        for other in ("random", "down the list"):
            peer = own[own["method"] == other].set_index("lab")
            lines.append(
                f"narrower than {other} in {int((plan['after'] < peer['after']).sum())} labs, "
                f"smaller error in {int((plan['error'] < peer['error']).sum())}"
            )
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


def kept(plan: pd.DataFrame, column: str) -> str:
    """Say how near to what was expected the widths in a column are."""
    ratio = plan[column] / plan["expected"]
    within = int(((ratio > 1 / 1.15) & (ratio < 1.15)).sum())
    spread = f"median {ratio.median():.3f}, {ratio.min():.3f} to {ratio.max():.3f}"
    return f"{spread}, within 15% in {within} of {len(ratio)}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=20)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--save", type=Path, help="also write one row a lab, question and method")
    chosen = parser.parse_args()
    rows: list[dict[str, object]] = []
    for case in cases(chosen.labs):
        for name in QUESTIONS:
            rows += judge(case, name, chosen.hours)
        if chosen.save:
            pd.DataFrame(rows).to_csv(chosen.save, index=False)
        print(f"\rlab {case.seed}", end="", file=sys.stderr)
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy", "pandas"))
    print(f"{platform.machine()}, Python {platform.python_version()}, {packages}\n")
    print(report(pd.DataFrame(rows)))


if __name__ == "__main__":
    main()
