"""Power and value on simulated labs: planted effects found, false alarms, ranges of power.

Run from the root of the repository: ``python docs/benchmarks/money.py --labs 12``. In each lab
every board draws its own of what its sheet says (vendors and boards stray by 3%). For the question
of architectures one more board is made to leave its card PLANTED below the others in truth. For
value, neighbours in rate get prices at, below and above the one at which they are truly equal. The
figures it gave are in money.md beside it.
"""

import argparse
import platform
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import t as student

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import scalemodel as sm  # noqa: E402
from datasets.demo.power import BOARD_SD, FARTHEST, FOLLOWS, VENDOR_SD  # noqa: E402
from datasets.labsim import Lab, random_settings, simulate_lab  # noqa: E402
from datasets.labsim.lab import drawn_power  # noqa: E402
from datasets.labsim.world import world_gpu_times  # noqa: E402
from scalemodel.answers.comparable import ALL, comparable_cells  # noqa: E402
from scalemodel.answers.power import Power  # noqa: E402
from scalemodel.answers.power_siblings import IN_LINE, LESS, MARGIN  # noqa: E402
from scalemodel.answers.prices import prices_of  # noqa: E402
from scalemodel.answers.value_rows import (  # noqa: E402
    BEATEN,
    EFFICIENT,
    ValueGroup,
    pair_rows,
    value_groups,
)
from scalemodel.answers.value_rows import value_rows as rows_of_value  # noqa: E402
from scalemodel.model.two_way import two_way  # noqa: E402

PLANTED = 0.2
"""How far below its architecture the planted card is in truth."""

ASIDE = 0.08
"""By how much a price is set aside of the one at which two cards are equal."""

SURE = 0.9
"""Probability from which the better value of two cards counts as found."""

PAIRS = 5
CELL = ["card", "platform", "game", "preset", "resolution"]
CHART = CELL[1:]


def true_power(lab: Lab) -> pd.Series:
    """Return what the physics gives for every cell of the truth, by the sheets alone."""
    world, gpu = lab.world, world_gpu_times(lab.world)
    cards = list(world.cards.sheet["card"])
    scenes = list(zip(world.scenes.game, world.scenes.preset, strict=True))
    power = pd.Series(0.0, index=lab.truth.index)
    busy = np.minimum(lab.truth["true_fps"] / lab.truth["gpu_fps"], 1.0)
    for scene, here in lab.truth.groupby(["game", "preset"]):
        card = np.array([cards.index(name) for name in here["card"]])
        r = np.array([world.resolutions.index(name) for name in here["resolution"]])
        cells = (card, scenes.index(scene), r)
        power[here.index] = drawn_power(world, gpu, cells, busy[here.index].to_numpy())
    return power


def own_factors(lab: Lab, rng: np.random.Generator) -> pd.Series:
    """Return the log of what each board draws over what its sheet gives."""
    sheet = lab.world.cards.sheet.set_index("card")
    vendor = pd.factorize(sheet["vendor"])[0]
    strays = VENDOR_SD * rng.standard_normal(vendor.max() + 1)[vendor]
    return pd.Series(strays + BOARD_SD * rng.standard_normal(len(sheet)), index=sheet.index)


def with_power(lab: Lab, factor: pd.Series) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return results and truth of boards that draw their own."""
    truth = lab.truth.assign(power_w=true_power(lab) * np.exp(lab.truth["card"].map(factor)))
    log_rate = np.log(lab.results["avg_fps"])
    usual = log_rate.groupby([lab.results[name] for name in CELL]).transform("median")
    away = (log_rate - usual).clip(-FARTHEST, FARTHEST)
    power = lab.results["power_w"] * np.exp(lab.results["card"].map(factor) + FOLLOWS * away)
    return lab.results.assign(power_w=power.round(1)), truth


def planted_factors(
    lab: Lab, factor: pd.Series, truth: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.Series, str]:
    """Return the factors with one card set PLANTED below its architecture, and that card."""
    tested = lab.cards.set_index("card")["architecture"]
    several = tested.map(tested.value_counts()) >= 3
    card = str(rng.choice(tested.index[several]))
    extra = siblings(lab, truth)[card] - np.log(1 - PLANTED)
    return factor.add(pd.Series({card: extra}), fill_value=0.0), card


def locations(truth: pd.DataFrame, values: pd.Series) -> pd.Series:
    """Return what cards truly show over all charts of the first platform below the ceiling."""
    here = (truth["platform"] == truth["platform"].iloc[0]) & ~truth["at_ceiling"]
    here &= ~truth["over_memory"]
    card, names = pd.factorize(truth.loc[here, "card"])
    chart = truth[here].groupby(CHART).ngroup().to_numpy()
    used = values[here].to_numpy()
    none = np.zeros(len(used))
    return pd.Series(two_way(used, card, chart, none, chart).location, index=names)


def siblings(lab: Lab, truth: pd.DataFrame) -> pd.Series:
    """Return the true log of frames per joule of tested cards over those of their siblings."""
    tested = truth[truth["kind"] == "tested"]
    log = locations(tested, np.log(tested["true_fps"] / tested["power_w"]))
    architecture = lab.cards.set_index("card")["architecture"][log.index]
    total, count = (log.groupby(architecture).transform(how) for how in ("sum", "count"))
    return (log - (total - log) / (count - 1))[count > 1]


def sibling_rows(lab: Lab, truth: pd.DataFrame, planted: str, power: Power) -> pd.DataFrame:
    """Return what is said of cards against their architecture, beside the truth."""
    found = power.siblings[power.siblings["platform"] == truth["platform"].iloc[0]]
    found = found.set_index("card")
    true = siblings(lab, truth)
    beside = pd.DataFrame({"true": true, "planted": true.index == planted})
    beside["verdict"] = found["verdict"].reindex(true.index).fillna("")
    log = np.log1p(found[["lower", "upper"]].reindex(true.index).astype(float))
    beside["held"] = (log["lower"] <= true) & (true <= log["upper"])
    return beside[beside["verdict"] != ""]


def power_rows(lab: Lab, truth: pd.DataFrame, power: Power) -> pd.DataFrame:
    """Return the predicted power of cards to come, beside the truth and a plain peer."""
    rows = power.predicted[power.predicted["power_median"].notna()].merge(truth, on=CELL)
    board = lab.specs.set_index("card")["board_power_w"]
    sheet = lab.cards.set_index("card")["board_power_w"]
    share = power.table.assign(log=np.log(power.table["power_w"] / power.table["card"].map(sheet)))
    usual = share.groupby(CHART)["log"].mean().rename("usual").reset_index()
    rows = rows.merge(usual, on=CHART)
    rows["ours"] = np.log(rows["power_w"] / rows["power_median"])
    rows["plain"] = np.log(rows["power_w"] / rows["card"].map(board)) - rows["usual"]
    rows["held"] = rows["power_w"].between(rows["power_lower"], rows["power_upper"])
    return rows


def value_rows(
    lab: Lab, truth: pd.DataFrame, fit: sm.Fit, whole: ValueGroup, rng: np.random.Generator
) -> pd.DataFrame:
    """Return neighbours in rate at prices around the one at which they are truly equal."""
    tested = truth[truth["kind"] == "tested"]
    log_rate = locations(tested, np.log(tested["true_fps"]))
    sheets = lab.cards[["card", "price", "currency"]].assign(date="")
    sheets["price"] = sheets["price"].astype(float)
    named = [place.card for place in whole.places]
    chosen = list(
        zip(named[1::2], named[::2], strict=False)
    )  # no card twice: one list does for all
    chosen = [chosen[k] for k in rng.permutation(len(chosen))[:PAIRS]]
    price = sheets.set_index("card")["price"]
    true = {a: float(price[b] * np.exp(log_rate[a] - log_rate[b])) for a, b in chosen}
    asked = pairs(fit, whole, sheets, 0.0)
    made = pd.DataFrame(index=pd.MultiIndex.from_tuples(chosen))
    made["held"] = [
        asked.at[pair, "equal_lower"] <= true[pair[0]] <= asked.at[pair, "equal_upper"]
        for pair in chosen
    ]
    for name, factor in (("below", 1 - ASIDE), ("at", 1.0), ("above", 1 + ASIDE)):
        moved = sheets["card"].map(true) * factor
        prices = sheets.assign(price=moved.fillna(sheets["price"]))
        for tolerance in (0.04, 0.0):
            found = pairs(fit, whole, prices, tolerance)["p_better_value"]
            made[f"{name} {tolerance:g}"] = [found[pair] for pair in chosen]
    return made.reset_index(drop=True)


def pairs(fit: sm.Fit, whole: ValueGroup, prices: pd.DataFrame, tolerance: float) -> pd.DataFrame:
    """Return what `value` says of every pair of a group at some prices."""
    paid = prices_of(fit, None, prices, tolerance, np.random.default_rng(0))
    return pd.DataFrame(pair_rows(whole, paid, 0.8)).set_index(["a", "b"])


def efficient_rows(lab: Lab, truth: pd.DataFrame, fit: sm.Fit, whole: ValueGroup) -> pd.DataFrame:
    """Return what is said of each card at exact prices, and whether it is truly beaten."""
    tested = truth[truth["kind"] == "tested"]
    rate = locations(tested, np.log(tested["true_fps"]))
    price = lab.cards.set_index("card")["price"][rate.index]
    paid = prices_of(fit, None, None, 0.0, np.random.default_rng(0))
    table = pd.DataFrame(rows_of_value(whole, paid, 0.8)).set_index("card")
    table = table[table["position"].notna()]
    faster = rate.to_numpy()[None] > rate.to_numpy()[:, None]
    cheaper = price.to_numpy()[None] <= price.to_numpy()[:, None]
    beaten = pd.Series((faster & cheaper).any(axis=1), index=rate.index)
    return table[["state", "p_efficient"]].assign(beaten=beaten.reindex(table.index))


def half_rows(lab: Lab) -> pd.DataFrame:
    """Return leads over half of the games beside the true ones over the other half.

    Both halves are samples of games, so the error of their difference is that of both.
    """
    truth = lab.truth[lab.truth["platform"] == lab.truth["platform"].iloc[0]]
    truth = truth[~truth["at_ceiling"] & ~truth["over_memory"] & (truth["kind"] == "tested")]
    rates = np.exp(np.log(lab.results["avg_fps"]).groupby([lab.results[n] for n in CELL]).mean())
    cells = truth.merge(rates.rename("rate").reset_index(), on=CELL)
    half = cells.groupby("game", sort=True).ngroup() % 2
    both = set(cells.loc[half == 0, "card"]) & set(cells.loc[half == 1, "card"])
    cells, half = cells[cells["card"].isin(both)], half[cells["card"].isin(both)]
    layouts = []
    for part, column in ((0, "rate"), (1, "true_fps")):
        here = cells[half == part].sort_values("card", kind="stable")
        card, chart = pd.factorize(here["card"])[0], here.groupby(CHART).ngroup().to_numpy()
        game, none = pd.factorize(here["game"])[0], np.zeros(len(here))
        layouts.append(two_way(np.log(here[column]).to_numpy(), card, chart, none, game))
    rows = []
    order = np.argsort(layouts[1].location)
    for a, b in pairwise(order):
        weight = np.zeros(len(order))
        weight[[a, b]] = 1.0, -1.0
        (lead, se), (other, other_se) = (layout.contrast(weight) for layout in layouts)
        dof = min(layout.dof for layout in layouts)
        reach = float(student.ppf(0.9, dof)) * np.hypot(se, other_se)
        rows.append({"held": abs(lead - other) <= reach})
    return pd.DataFrame(rows)


def lab_rows(seed: int) -> tuple[pd.DataFrame, ...]:
    """Return what one lab gives to each table."""
    lab = simulate_lab(random_settings(seed), seed)
    rng = np.random.default_rng([seed, 21])
    factor = own_factors(lab, rng)
    results, truth = with_power(lab, factor)
    planted, card = planted_factors(lab, factor, truth, rng)
    odd_results, odd_truth = with_power(lab, planted)
    with tempfile.TemporaryDirectory() as folder:
        lab.write(Path(folder))
        specs = sm.read_specs(Path(folder) / "specs.csv")
        odd = _read(folder, odd_results)
        fit = sm.fit(_read(folder, results))
    predicted = power_rows(lab, truth, fit.power(specs))
    beside = sibling_rows(lab, odd_truth, card, replace(fit, bench=odd).power())  # the same rates
    first = truth["platform"].iloc[0]
    laid_out = value_groups(fit, comparable_cells(fit), ())
    whole = next(g for g in laid_out if (g.platform, g.resolution) == (first, ALL))
    value = value_rows(lab, truth, fit, whole, rng)
    efficient = efficient_rows(lab, truth, fit, whole)
    tables = (beside, predicted, value, efficient, half_rows(lab))
    return tuple(t.assign(lab=seed) for t in tables)


def _read(folder: str, results: pd.DataFrame) -> sm.Bench:
    results.to_csv(Path(folder) / "results.csv", index=False)
    return sm.read_bench(folder)


def lines(
    beside: pd.DataFrame,
    predicted: pd.DataFrame,
    value: pd.DataFrame,
    efficient: pd.DataFrame,
    halves: pd.DataFrame,
) -> Iterator[str]:
    """Give the tables in Markdown."""
    planted = beside[beside["planted"]]
    margin = np.log1p(MARGIN)
    inside = beside[~beside["planted"] & (beside["true"].abs() < margin)]
    beyond = beside[~beside["planted"] & (beside["true"].abs() >= margin)]
    yield "| card against its architecture | cards | share |\n|---|---|---|"
    yield _share("planted, called less efficient", planted["verdict"] == LESS)
    yield _share("truly within the margin, called out of line", inside["verdict"] != IN_LINE)
    yield _share(
        "truly beyond it without a plant, called out of line", beyond["verdict"] != IN_LINE
    )
    yield _share("true ratio inside its 80% range", beside["held"])
    yield "\n| power of cards to come | results | error, rms | plain peer | inside 80% ranges |"
    yield "|---|---|---|---|---|"
    for kind, rows in [*predicted.groupby("kind"), ("all", predicted)]:
        ours, plain = (np.sqrt((rows[name] ** 2).mean()) for name in ("ours", "plain"))
        yield f"| {kind} | {len(rows)} | {ours:.3f} | {plain:.3f} | {rows['held'].mean():.3f} |"
    yield "\n| neighbours in rate | pairs | share, tolerance 4% | tolerance 0 |\n|---|---|---|---|"
    for words, test in (
        (f"crossing found {ASIDE:.0%} aside", _crossed),
        ("called at the price of equal value", _alarmed),
    ):
        shares = " | ".join(f"{test(value, t).mean():.3f}" for t in (0.04, 0.0))
        yield f"| {words} | {len(value)} | {shares} |"
    held = f"{value['held'].mean():.3f}"
    yield f"| true price of equal value inside its 80% range | {len(value)} | | {held} |"
    yield "\n| efficient set, exact prices | cards | share |\n|---|---|---|"
    called = efficient[efficient["state"] == EFFICIENT], efficient[efficient["state"] == BEATEN]
    yield _share("called efficient, truly not beaten", ~called[0]["beaten"].astype(bool))
    yield _share("called beaten, truly beaten", called[1]["beaten"].astype(bool))
    yield _share("open", ~efficient["state"].isin([EFFICIENT, BEATEN]))
    yield "\n| lead of neighbours over half of the games | pairs | share |\n|---|---|---|"
    yield _share("the true one over the other half inside the 80% range", halves["held"])


def _share(words: str, good: pd.Series) -> str:
    return f"| {words} | {len(good)} | {good.mean():.3f} |"


def _crossed(value: pd.DataFrame, tolerance: float) -> pd.Series:
    """Say where a is called the better value below the price, and the worse one above it."""
    return (value[f"below {tolerance:g}"] >= SURE) & (value[f"above {tolerance:g}"] <= 1 - SURE)


def _alarmed(value: pd.DataFrame, tolerance: float) -> pd.Series:
    """Say where one of two cards of equal value is called the better one, at 5% for both sides."""
    p = value[f"at {tolerance:g}"]
    return (p >= 0.975) | (p <= 0.025)


def main() -> None:
    """Run the labs and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labs", type=int, default=20)
    asked = parser.parse_args()
    machine = f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}"
    print(f"{machine}, scipy {version('scipy')}; {asked.labs} labs\n")
    found = []
    for seed in range(asked.labs):
        found.append(lab_rows(seed))
        print(f"lab {seed}", file=sys.stderr, flush=True)
    print("\n".join(lines(*(pd.concat(parts) for parts in zip(*found, strict=True)))))


if __name__ == "__main__":
    main()
