"""How exact the fit's posterior is: its draws beside those of a general-purpose sampler.

Run from the root of the repository: ``python docs/benchmarks/nuts.py small``, or ``middle`` or
``large``; needs ``pip install -e '.[sampler]'``. NUTS (Hoffman & Gelman 2014, JMLR 15) draws from
the same posterior without any normal approximation; both sets of draws go through the same
predictive step. The figures it gave are in nuts.md beside it.
"""

import argparse
import platform
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import jax
import numpy as np
import pandas as pd
from accuracy import markdown
from jax_model import CHAINS, WARMUP, Array, JaxModel, Sampled, prior_sd, sample
from scipy.stats import skew
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.labsim import LabSettings, simulate_lab  # noqa: E402
from scalemodel.answers.sheets import complete_sheets  # noqa: E402
from scalemodel.model.climbing import Climbed, climb  # noqa: E402
from scalemodel.model.draws import Draws  # noqa: E402
from scalemodel.model.fitting import ModelFit  # noqa: E402
from scalemodel.model.inputs import Rows  # noqa: E402
from scalemodel.model.likelihood import Noise, linear_predictors  # noqa: E402
from scalemodel.model.mode import Prior  # noqa: E402
from scalemodel.model.posterior import draw_at_scales, draw_posterior  # noqa: E402
from scalemodel.model.predictive import draw_cells  # noqa: E402
from scalemodel.model.problem import FitProblem, prepare  # noqa: E402
from scalemodel.model.scales import Scales  # noqa: E402
from scalemodel.model.settings import FitSettings  # noqa: E402

SMALL = LabSettings(
    n_vendors=2,
    n_architectures=3,
    n_cards=9,
    n_scenes=4,
    n_platforms=1,
    runs=1,
    n_cliffs=0,
    n_caps=0,
    ceiling_level=0.45,
)
MIDDLE = replace(
    SMALL,
    n_vendors=3,
    n_architectures=5,
    n_cards=16,
    n_scenes=8,
    n_platforms=2,
    runs=2,
    n_caps=1,
    ceiling_level=0.1,
)
LARGE = replace(MIDDLE, n_architectures=6, n_cards=30, n_scenes=20, n_platforms=1, runs=3, n_caps=2)
BENCHES = {"small": SMALL, "middle": MIDDLE, "large": LARGE}
SEED = 11
KEPT = 1024
#: Scalemodel's draws to compare with, and how often each goes through the predictive step.
FIT_DRAWS = FitSettings(draws=4096, scale_points=64)
REPEATS = 4
LEVEL = 0.8


@dataclass(frozen=True)
class Case:
    """A bench, its fit as users get it, and the same fit taken apart."""

    fit: sm.Fit
    seconds: float
    specs: pd.DataFrame
    problem: FitProblem
    climbed: Climbed


def make_case(settings: LabSettings) -> Case:
    """Simulate a lab, fit it, and take the processor time of the fit."""
    with tempfile.TemporaryDirectory() as folder:
        simulate_lab(settings, SEED).write(Path(folder))
        bench, specs = sm.read_bench(folder), sm.read_specs(Path(folder) / "specs.csv")
        started = time.process_time()
        fit = sm.fit(bench)
        seconds = time.process_time() - started
    kept = np.flatnonzero(fit.model.kept)
    problem = prepare(fit.observed.take(kept), fit.model.specs, fit.model.layout.shape)
    climbed = climb(problem)
    return Case(fit, seconds, specs, problem, climbed)


def largest_difference(case: Case, model: JaxModel, seed: int) -> float:
    """Return the largest relative difference of both densities, and slopes, at random places."""
    rng, layout, likelihood = np.random.default_rng(seed), model.layout, case.problem.likelihood
    names, sd, worst = layout.scale_names(), prior_sd(layout), 0.0
    slope = jax.jit(jax.grad(model.log_likelihood))
    for _ in range(10):
        theta = layout.prior_mean() + sd * rng.standard_normal(layout.size)
        free = rng.standard_normal(len(names))
        logs = np.asarray(model.logs(np.concatenate([theta, free])))
        scales = dict(zip(names, np.exp(logs), strict=True))
        noise = Noise(*(scales[name] for name in names[-3:]))
        evaluation = likelihood.evaluate(theta, noise)
        density = evaluation.log_likelihood + Prior.at(layout, scales).log_density(theta)
        other = float(model.log_likelihood(theta, logs) + model.log_prior(theta, logs))
        worst = max(worst, abs(density - other) / abs(density))
        away = np.abs(evaluation.gradient - np.asarray(slope(theta, logs))).max()
        worst = max(worst, float(away / np.abs(evaluation.gradient).max()))
    return worst


def at_scales_of(case: Case, nuts: Draws, points: int) -> Draws:
    """Return the fit's draws at scales that NUTS drew: are the scales to blame?"""
    chosen = nuts.scales[np.linspace(0, len(nuts.scales) - 1, points).astype(int)]
    scales = [Scales(dict(zip(nuts.scale_names, row, strict=True)), {}) for row in chosen]
    return draw_at_scales(case.problem, case.climbed, scales, replace(FIT_DRAWS, seed=SEED))


def moments(case: Case, ours: Draws, nuts: Draws) -> pd.DataFrame:
    """Return one row a parameter or scale: difference of means in sds, ratio of sds."""
    layout = case.problem.layout
    group = np.full(layout.size, "", dtype=object)
    label = group.copy()
    for g, where in zip(layout.groups, layout.positions, strict=True):
        group[where] = g.name
        label[where] = [f"{g.name}[{k}]" for k in range(len(where))]
    table = pd.DataFrame({"group": group, "name": label, **_moments(ours.theta, nuts.theta)})
    logs = _moments(np.log(ours.scales), np.log(nuts.scales))
    scales = pd.DataFrame({"group": "log scales", "name": nuts.scale_names, **logs})
    return pd.concat([table, scales], ignore_index=True)


def _moments(ours: Array, nuts: Array) -> dict[str, Array]:
    sd = nuts.std(axis=0)
    return {
        "shift": (ours.mean(axis=0) - nuts.mean(axis=0)) / sd,
        "ratio": ours.std(axis=0) / sd,
        "skewness": np.asarray(skew(nuts, axis=0)),
    }


def moments_summary(table: pd.DataFrame, by: str | None = None) -> pd.DataFrame:
    """Summarise `moments` over groups, or over parameters and scales."""
    kind = np.where(table["group"] == "log scales", "log scales", "parameters")
    rows = []
    for name, part in table.groupby(by or kind, sort=False):
        low, middle, high = np.quantile(part["ratio"], [0.05, 0.5, 0.95])
        far = part.loc[part["shift"].abs().idxmax()]
        odd = part.loc[np.log(part["ratio"]).abs().idxmax()]
        rows.append(
            {
                "of": name,
                "n": len(part),
                "mean abs shift (sd)": part["shift"].abs().mean(),
                "worst shift": f"{far['shift']:+.2f} {far['name']}",
                "median sd ratio": middle,
                "5%": low,
                "95%": high,
                "worst sd ratio": f"{odd['ratio']:.2f} {odd['name']}",
                "mean abs skewness": part["skewness"].abs().mean(),
            }
        )
    return pd.DataFrame(rows)


def scales_table(case: Case, ours: Draws, nuts: Draws) -> pd.DataFrame:
    """Return one row a scale: both posteriors of its log, skewness, closest other scale."""
    logs, own = np.log(nuts.scales), np.log(ours.scales)
    correlation = np.corrcoef(logs.T) - np.eye(logs.shape[1])
    closest = np.abs(correlation).argmax(axis=1)
    priors = case.problem.layout.scale_priors
    rows = []
    for k, name in enumerate(nuts.scale_names):
        rows.append(
            {
                "scale": name,
                "prior": f"{priors[name].median:g} x/÷ {np.exp(priors[name].log_sd):.2f}",
                "scalemodel": f"{np.exp(own[:, k].mean()):.4g} x/÷ {np.exp(own[:, k].std()):.2f}",
                "NUTS": f"{np.exp(logs[:, k].mean()):.4g} x/÷ {np.exp(logs[:, k].std()):.2f}",
                "shift (sd)": (own[:, k].mean() - logs[:, k].mean()) / logs[:, k].std(),
                "sd ratio": own[:, k].std() / logs[:, k].std(),
                "skewness": float(skew(logs[:, k])),
                "closest": f"{correlation[k, closest[k]]:+.2f} {nuts.scale_names[closest[k]]}",
            }
        )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class Ends:
    """Predictions of all unreleased cards on all charts: (3, cells) ends and median, and more."""

    values: Array
    p_ceiling: Array
    names: list[str]


def predictions(case: Case, draws: Draws, seed: int) -> Ends:
    """Return ends and medians of the ranges of the unreleased cards, in logs."""
    fit, charts = case.fit, case.fit.labels.charts
    sheets = complete_sheets(fit, case.specs)
    model = with_draws(case, repeated(draws))
    values, p_ceiling, names = [], [], []
    quantiles = [(1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2]
    for k, card in enumerate(sheets.table["card"]):
        specs = fit.labels.specs(sheets.table.iloc[[k]])
        for begin in range(0, len(charts), 12):
            part = charts.iloc[begin : begin + 12]
            rows = fit.labels.rows(part, np.zeros(len(part), dtype=np.intp))
            cells = draw_cells(model, specs, rows, seed + 1000 * k + begin)
            values.append(np.quantile(cells.log_rate, quantiles, axis=0))
            p_ceiling.append((cells.log_gpu > cells.log_ceiling).mean(axis=0))
            names += [f"{card} on chart {begin + j}" for j in range(len(part))]
    return Ends(np.concatenate(values, axis=1), np.concatenate(p_ceiling), names)


def repeated(draws: Draws) -> Draws:
    """Return each point's draws several times, so that the predictive step adds less chance."""
    points = len(draws.centers)
    theta, scales = (
        np.tile(x.reshape(points, -1, x.shape[-1]), (1, REPEATS, 1)).reshape(-1, x.shape[-1])
        for x in (draws.theta, draws.scales)
    )
    return Draws(theta, draws.centers, scales, draws.scale_names)


def exact(draws: Draws) -> Draws:
    """Return the draws each with its own centre, so that GPU-side rates are not linear."""
    return replace(draws, centers=draws.theta)


def with_draws(case: Case, draws: Draws) -> ModelFit:
    """Return the fit with other draws."""
    return replace(case.fit.model, draws=draws)


def ends_rows(method: str, ours: Ends, nuts: Ends) -> list[dict[str, object]]:
    """Return how far ends and medians are apart, in log rate, GPU-bound and at the ceiling."""
    rows = []
    away = ours.values - nuts.values
    kinds = {"GPU-bound": nuts.p_ceiling < 0.5, "at the ceiling": nuts.p_ceiling >= 0.5}
    for kind, here in kinds.items():
        if not here.any():
            continue
        for name, line in (("ends", away[[0, 2]][:, here]), ("median", away[[1]][:, here])):
            size = np.abs(line)
            worst = np.array(ours.names)[here][size.max(axis=0).argmax()]
            rows.append(
                {
                    "draws": method,
                    "cells": f"{kind} ({here.sum()})",
                    "of": name,
                    "mean": size.mean(),
                    "95%": float(np.quantile(size, 0.95)),
                    "max": size.max(),
                    "worst": worst,
                    "mean signed, lower": line[0].mean(),
                    "mean signed, upper": line[-1].mean(),
                }
            )
    return rows


def ceilings_table(case: Case, ours: Draws, nuts: Draws) -> pd.DataFrame:
    """Return one row a scene and platform: both log ceilings, and whether cards reach it."""
    known = case.fit.ceilings().charts.reset_index(drop=True)
    charts = case.fit.labels.charts
    reached = known.groupby(["platform", "game", "preset"])["ceiling_high"].first().notna()
    first = charts.groupby(["platform", "game", "preset"], sort=False).head(1)
    rows = case.fit.labels.rows(first, np.zeros(len(first), dtype=np.intp))
    sides = [_log_ceilings(case, rows, draws.theta) for draws in (ours, nuts)]
    moved = _moments(*sides)
    quantiles = [np.quantile(side, [0.1, 0.5, 0.9], axis=0) for side in sides]
    keys = list(zip(first["platform"], first["game"], first["preset"], strict=True))
    table = pd.DataFrame({"ceiling": [str(k) for k in range(len(keys))]})
    table["known"] = ["both sides" if reached[key] else "from below" for key in keys]
    table["shift (sd)"], table["sd ratio"] = moved["shift"], moved["ratio"]
    table["NUTS sd"] = sides[1].std(axis=0)
    table["skewness"] = moved["skewness"]
    for name, own, other in zip(("10%", "50%", "90%"), *quantiles, strict=True):
        table[f"log ratio at {name}"] = own - other
    return table


def _log_ceilings(case: Case, rows: Rows, theta: Array) -> Array:
    """Return (draws, rows) log ceilings."""
    layout = case.problem.layout
    design = layout.design(rows, case.fit.model.specs)
    at = layout.predictors.index("ceiling")
    return np.asarray(linear_predictors(design, layout, theta)[at])


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("bench", choices=list(BENCHES))
    parser.add_argument("--kept", type=int, default=KEPT, help="draws kept of each chain")
    parser.add_argument("--save", type=Path, help="store NUTS's draws here, or take them from here")
    chosen = parser.parse_args()
    with threadpool_limits(limits=1, user_api="blas"):
        report(chosen.bench, chosen.kept, chosen.save)


def report(bench: str, kept: int, store: Path | None) -> None:
    """Print the tables of one bench."""
    case = make_case(BENCHES[bench])
    model = JaxModel.of(case.problem)
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy", "jax", "numpyro"))
    print(f"{platform.machine()}, Python {platform.python_version()}, {packages}\n")
    cells, size = len(case.problem.likelihood.observed.log_rate), model.layout.size
    print(f"Bench {bench}: {cells} cells, {size} parameters, {case.climbed.status}.")
    difference = largest_difference(case, model, SEED)
    print(f"Largest relative difference of densities and slopes: {difference:.1e}.")
    sampled = stored_sample(case, model, kept, store)
    print(
        f"Fit {case.seconds:.1f} s, NUTS {sampled.seconds:.0f} s of a processor for {CHAINS} x "
        f"({WARMUP} + {sampled.theta.shape[1]}) draws of {sampled.steps:.0f} steps, R-hat at most "
        f"{sampled.worst_rhat():.4f}, effective sample size at least {sampled.least_ess():.0f}, "
        f"{sampled.divergences} divergences.\n"
    )
    tables(case, sampled.draws(model.layout.scale_names()))


def stored_sample(case: Case, model: JaxModel, kept: int, store: Path | None) -> Sampled:
    """Return NUTS's draws, from the store if it has them."""
    if store is not None and store.exists():
        with np.load(store) as found:
            parts = [found[name] for name in ("theta", "logs")]
            rest = found["rest"]
        return Sampled(*parts, float(rest[0]), int(rest[1]), float(rest[2]))
    sampled = sample(case.problem, case.climbed, model, kept, SEED)
    if store is not None:
        rest = [sampled.seconds, sampled.divergences, sampled.steps]
        np.savez(store, theta=sampled.theta, logs=sampled.logs, rest=np.array(rest))
    return sampled


def tables(case: Case, nuts: Draws) -> None:
    """Print all comparisons."""
    ours = draw_posterior(case.problem, case.climbed, FIT_DRAWS)
    given = at_scales_of(case, nuts, 256)
    table = moments(case, ours, nuts)
    show(moments_summary(table))
    show(moments_summary(table, "group"))
    print("At NUTS's scales:\n")
    show(moments_summary(moments(case, given, nuts)))
    show(scales_table(case, ours, nuts))
    show(ceilings_table(case, ours, nuts))
    show(ends_table(case, ours, nuts, given))


def ends_table(case: Case, ours: Draws, nuts: Draws, given: Draws) -> pd.DataFrame:
    """Return how far predictions are apart, and how far by chance alone."""
    again = draw_posterior(case.problem, case.climbed, replace(FIT_DRAWS, seed=1))
    truth, own = predictions(case, nuts, 0), predictions(case, ours, 0)
    halves = [
        Draws(nuts.theta[k::2], nuts.theta[k::2], nuts.scales[k::2], nuts.scale_names)
        for k in (0, 1)
    ]
    first, second = (predictions(case, half, 3 + k) for k, half in enumerate(halves))
    rows = ends_rows("scalemodel", own, truth)
    rows += ends_rows("scalemodel, not linear", predictions(case, exact(ours), 0), truth)
    rows += ends_rows("at NUTS's scales", predictions(case, given, 0), truth)
    rows += ends_rows("chance: scalemodel, two seeds", predictions(case, again, 7), own)
    rows += ends_rows("chance: halves of NUTS", first, second)
    return pd.DataFrame(rows)


def show(table: pd.DataFrame) -> None:
    """Print a table as Markdown."""
    print(markdown(table.set_index(table.columns[0])), "\n")


if __name__ == "__main__":
    main()
