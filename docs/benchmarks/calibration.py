"""How well posteriors are calibrated: truths drawn from the priors, ranked among a fit's draws.

Run from the root of the repository: ``python docs/benchmarks/calibration.py ordinary --fits 500``,
or ``small``. Simulation-based calibration (Talts, Betancourt, Simpson, Vehtari & Gelman 2018,
arXiv:1804.06788): scales, parameters and cells are drawn from the model itself, the model is fitted
to the cells, and each true value is ranked among its draws. If the draws were exactly those of the
posterior, every rank would be equally likely. With ``--known-scales`` the fit is told the true
scales, which shows how much of a misfit is theirs. The figures are in calibration.md beside it.
"""

import argparse
import platform
import sys
import time
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from accuracy import markdown
from crew import add_options, crew
from prior_draws import (
    DESIGN_SEED,
    DESIGNS,
    LEVELS,
    NEW_CARDS,
    RUN_VARIANCE,
    Design,
    Truth,
    draw_truth,
)
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from scalemodel.model.arrays import BoolArray, FloatArray, IntArray  # noqa: E402
from scalemodel.model.climbing import climb  # noqa: E402
from scalemodel.model.draws import Draws  # noqa: E402
from scalemodel.model.fitting import ModelFit  # noqa: E402
from scalemodel.model.inputs import CardSpecs, Observed  # noqa: E402
from scalemodel.model.layout import Layout, ScalePrior  # noqa: E402
from scalemodel.model.likelihood import linear_predictors, stage_speeds  # noqa: E402
from scalemodel.model.linear import draw_gpu_side  # noqa: E402
from scalemodel.model.physics import REQUEST_SHARPNESS  # noqa: E402
from scalemodel.model.posterior import draw_posterior  # noqa: E402
from scalemodel.model.predictive import draw_cells  # noqa: E402
from scalemodel.model.problem import FitProblem, prepare  # noqa: E402
from scalemodel.model.scores import uniformity  # noqa: E402
from scalemodel.model.settings import FitSettings  # noqa: E402

#: Of the draws of a quantity this many are ranked among; scales come one a scale point.
KEPT_DRAWS, BINS = 127, 16


def fit_cells(problem: FitProblem, specs: CardSpecs, settings: FitSettings) -> ModelFit:
    """Fit as `fit_model` does, without a search for falls for lack of memory."""
    climbed = climb(problem)
    return ModelFit(
        layout=problem.layout,
        specs=specs,
        kept=np.ones(len(problem.likelihood.observed.rows), dtype=bool),
        needs_more_than_gb=np.zeros(len(problem.layout.shape.scene_of_view)),
        theta=climbed.mode.theta,
        scales=climbed.scales,
        draws=draw_posterior(problem, climbed, settings),
        status=climbed.status,
        rounds=climbed.rounds,
        log_marginal=climbed.mode.log_marginal(),
    )


def knowing(problem: FitProblem, scales: dict[str, float]) -> FitProblem:
    """Return the problem with the scales known to a thousandth."""
    priors = {name: ScalePrior(value, 1e-3) for name, value in scales.items()}
    layout = replace(problem.layout, scale_priors=priors)
    return replace(problem, layout=layout, likelihood=replace(problem.likelihood, layout=layout))


def compare(design: Design, truth: Truth, fit: ModelFit, seed: int) -> dict[str, tuple]:
    """Return the draws and the true value of every quantity.

    Which chart and which ceilings are looked at depends on the cells only, so that ranks stay
    uniform: the chart on which the tested cards differ most, and the ceilings under which they
    differ least and most at the lowest resolution.
    """
    return {
        **compare_parameters(design, truth, fit.draws, fit.layout),
        **compare_sides(design, truth, fit),
        **compare_new(design, truth, fit, seed),
    }


def compare_parameters(design: Design, truth: Truth, draws: Draws, layout: Layout) -> dict:
    """Return draws and truths of parameters and scales."""
    found = {}
    for name, group, k in (
        ("log p", "log_p", 0),
        ("a tested card's effect", "card", 3),
        ("an architecture's effect", "architecture", 0),
        ("an architecture in a scene", "architecture_scene", 0),
        ("a vendor's effect", "vendor", 0),
        ("a tested card's smooth residual", "smooth", 3),
        ("fill", "fill", 0),
    ):
        at = layout.position(group)[k]
        found[name] = draws.theta[:, at], truth.theta[design.world.position(group)[k]]
    shares = [traffic_share(layout, draws.theta), traffic_share(design.world, truth.theta)]
    found["share of traffic"] = shares[0], float(shares[1])
    for name in layout.scale_names():
        found[f"scale: {name}"] = draws.scale(name), truth.scales[name]
    return found


def traffic_share(layout: Layout, theta: FloatArray) -> FloatArray:
    """Return the share of traffic in a frame on the reference card, less what its cache serves.

    At 2560 x 1440, effects of scenes and architectures apart. Theta has shape (..., size).
    """
    stages = layout.predictors[: len(layout.reference.log_speed)]
    time = [theta[..., layout.position(s.replace("stage", "share"))[0]] for s in stages]
    at = {name: theta[..., layout.position(name)[0]] for name in ("request", "hit", "working_set")}
    time[1] = time[1] + np.logaddexp(0.0, -REQUEST_SHARPNESS * at["request"]) / REQUEST_SHARPNESS
    cached = layout.reference.log_cache - at["working_set"]
    time[1] = time[1] - np.exp(at["hit"]) * np.logaddexp(0.0, cached)
    share: FloatArray = np.exp(time[1] - np.logaddexp.reduce(time))
    return share


def compare_sides(design: Design, truth: Truth, fit: ModelFit) -> dict:
    """Return draws and truths of both sides where cards are near the ceiling and where not."""
    terms = fit.layout.design(design.rows, design.specs)
    values = linear_predictors(terms, fit.layout, fit.draws.theta)
    speeds = stage_speeds(design.rows, design.specs, fit.layout)
    gpu = draw_gpu_side(
        fit.layout, fit.draws, speeds, terms, values, np.arange(len(fit.draws.theta))
    )
    ceiling = values[fit.layout.predictors.index("ceiling")]
    rows, model = design.rows, truth.model
    lowest = np.where(rows.log_pixels == rows.log_pixels.min(), rows.scene * 10 + rows.platform, -1)
    found: dict = {"mean GPU-side rate of tested cells": (gpu.mean(axis=1), model.log_gpu.mean())}
    for words, sign in (("cards near it", 1), ("no card near it", -1)):
        here = lowest == least_spread(truth.log_rate, lowest, sign)
        first, scene = np.argmax(here), rows.scene[np.argmax(here)]
        found[f"a ceiling with {words}"] = ceiling[:, first], model.log_ceiling[first]
        side = gpu[:, here].mean(axis=1), model.log_gpu[here].mean()
        found[f"GPU-side rate under a ceiling with {words}"] = side
        level = [layout.position("level")[scene] for layout in (fit.layout, design.world)]
        found[f"level of a scene under a ceiling with {words}"] = (
            fit.draws.theta[:, level[0]],
            truth.theta[level[1]],
        )
    return found


def least_spread(log_rate: FloatArray, key: IntArray, sign: int = 1) -> int:
    """Return the key whose cells differ least in rate (most with `sign` -1); -1 is none."""
    spread = {
        int(k): sign * float(np.subtract(*np.quantile(log_rate[key == k], [0.75, 0.25])))
        for k in np.unique(key[key >= 0])
    }
    return min(spread, key=lambda k: spread[k])


def compare_new(design: Design, truth: Truth, fit: ModelFit, seed: int) -> dict:
    """Return draws and truths of measurements of new cards, on one chart and over all."""
    drawn = draw_cells(fit, design.new, design.new_rows, seed).log_rate
    rows, key = design.new_rows, design.rows.view * 10 + design.rows.platform
    chart = least_spread(truth.log_rate, key, sign=-1)
    kind = chart_kinds(truth.log_rate, key, rows.view * 10 + rows.platform)
    found = {}
    for k, name in enumerate(NEW_CARDS):
        here = rows.card == k
        at = np.flatnonzero(here & (rows.view * 10 + rows.platform == chart))[0]
        found[f"{name}: one chart"] = drawn[:, at], truth.new_log_rate[at]
        for words, part in (("all", here), ("flat", here & ~kind), ("steep", here & kind)):
            truths = truth.new_log_rate[part]
            found[f"{name}: {words} charts"] = drawn[:, part].mean(axis=1), truths.mean()
    return found


def chart_kinds(log_rate: FloatArray, key: IntArray, charts: IntArray) -> BoolArray:
    """Return whether tested cards differ more on each of `charts` than on most of the charts."""
    spread = {
        k: np.subtract(*np.quantile(log_rate[key == k], [0.75, 0.25])) for k in np.unique(key)
    }
    of_chart = np.array([spread[k] for k in charts])
    steep: BoolArray = of_chart > np.median(of_chart)
    return steep


def rank(name: str, draws: FloatArray, truth: float, rng: np.random.Generator) -> int:
    """Return the rank of the truth, from 0 to KEPT_DRAWS.

    Draws of one scale point share its scales, so of those only one a point is used; such a rank is
    spread at random over the finer ones.
    """
    if name.startswith("scale: "):
        points = FitSettings().scale_points
        below = (draws[:: len(draws) // points][: points - 1] < truth).sum()
        each = (KEPT_DRAWS + 1) // points
        return int(below * each + rng.integers(each))
    kept = draws[:: len(draws) // (KEPT_DRAWS + 1)][:KEPT_DRAWS]
    return int((kept < truth).sum())


def run_one(shared: tuple[Design, bool], seed: int) -> dict[str, object]:
    """Draw a truth, fit it, and return the ranks, errors in sds of the draws, and the status.

    Shared are the design, and whether the scales are known.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return _run_one(*shared, seed)


def _run_one(design: Design, known_scales: bool, seed: int) -> dict[str, object]:
    rng = np.random.default_rng([DESIGN_SEED, seed])
    truth = draw_truth(design, rng)
    observed = Observed(design.rows, truth.log_rate, np.full(len(truth.log_rate), RUN_VARIANCE))
    row: dict[str, object] = {"seed": seed}
    started = time.perf_counter()
    try:
        problem = prepare(observed, design.specs, design.shape, LEVELS)
        problem = knowing(problem, truth.scales) if known_scales else problem
        fit = fit_cells(problem, design.specs, FitSettings(seed=seed))
        quantities = compare(design, truth, fit, seed)
    except (ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        return {**row, "status": f"{type(error).__name__}: {error}"}
    row |= {"status": fit.status, "seconds": time.perf_counter() - started}
    row |= {"at ceiling": float((truth.model.sensitivity < 0.5).mean())}
    for name, (draws, value) in quantities.items():
        log = np.log if name.startswith("scale: ") else np.asarray
        row[name] = rank(name, draws, value, rng)
        row[f"sd of {name}"] = sd = float(log(draws).std())
        row[f"error of {name}"] = float((log(value) - log(draws).mean()) / sd)
    return row


def summary(ranks: pd.DataFrame) -> pd.DataFrame:
    """Return for each quantity how uniform its ranks are, and how truths lie among the draws."""
    rows = []
    rng = np.random.default_rng(0)
    for name in [c.removeprefix("error of ") for c in ranks if c.startswith("error of ")]:
        below = ranks[name].dropna().to_numpy(dtype=int)
        place = (below + rng.random(len(below))) / (KEPT_DRAWS + 1)
        error = ranks[f"error of {name}"].dropna()
        rows.append(
            {
                "quantity": name,
                "p value": uniformity(below, KEPT_DRAWS, BINS),
                "bias": (place.mean() - 0.5) * np.sqrt(12 * len(place)),
                "in 50%": (np.abs(place - 0.5) < 0.25).mean(),
                "in 80%": (np.abs(place - 0.5) < 0.4).mean(),
                "median error": error.median(),
                "spread of error": np.diff(error.quantile([0.1587, 0.8413])).item() / 2,
                "sd of draws": ranks[f"sd of {name}"].median(),
            }
        )
    return pd.DataFrame(rows).set_index("quantity")


def report(name: str, ranks: pd.DataFrame) -> str:
    """Return what came of the fits as Markdown."""
    status = ranks["status"].str.replace(r"\d[\d.e+-]*", "N", regex=True).value_counts()
    packages = ", ".join(f"{n} {version(n)}" for n in ("numpy", "scipy"))
    return "\n".join(
        [
            f"{platform.machine()}, Python {platform.python_version()}, {packages}\n",
            f"{name}: {len(ranks)} fits, {ranks['seconds'].median():.2f} s each (median), "
            f"{ranks['at ceiling'].mean():.0%} of cells at the ceiling\n",
            markdown(status.rename("fits").to_frame()),
            "",
            markdown(summary(ranks)),
        ]
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("design", choices=list(DESIGNS))
    parser.add_argument("--fits", type=int, default=500)
    parser.add_argument("--known-scales", action="store_true")
    parser.add_argument("--save", type=Path, help="CSV of the ranks, one row a fit")
    add_options(parser)
    chosen = parser.parse_args()
    with crew(chosen) as workers:
        rows = workers.map(
            run_one,
            (DESIGNS[chosen.design](), chosen.known_scales),
            range(chosen.fits),
            lambda: print(".", end="", file=sys.stderr, flush=True),
        )
    print(file=sys.stderr)
    if chosen.save:
        pd.DataFrame(rows).to_csv(chosen.save, index=False)
    print(report(chosen.design, pd.DataFrame(rows)))


if __name__ == "__main__":
    main()
