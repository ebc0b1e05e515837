"""Odd and tiny benches: each an everyday mishap or an extreme of the small lab."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.answers import small_lab

GAMES = ("Game 1", "Game 3", "Game 4")
TESTED = ("Mirel 10", "Mirel 30", "Mirel 25", "Mirel 45", "Halvor A", "Halvor C")
#: Untested: one inside the span of the tested cards, one beyond it.
INSIDE, BEYOND = "Halvor B", "Mirel 55"
#: How far a run lies below its rate at 1% low, watts a board draws, what it costs, latency in ms.
LOW, WATTS, PRICE, LATENCY = 0.7, 60.0, 90.0, 9.0


def lab() -> small_lab.Lab:
    """Simulate the cards and the games that odd benches are made of, two runs a cell."""
    whole = small_lab.simulate(small_lab.Settings(runs=2))
    rows = whole.results[whole.results["game"].isin(GAMES)].reset_index(drop=True)
    speed = whole.cards.set_index("card")["shaders"] / 2048
    at = rows["card"].map(speed)
    rows["low_1pct_fps"] = (LOW * rows["avg_fps"]).round(3)
    rows["power_w"] = (WATTS * (1.0 + at)).round(1)
    rows["latency_ms"] = (LATENCY + 2000.0 / rows["avg_fps"]).round(2)
    cards = whole.cards.assign(
        board_power_w=(WATTS * (1.2 + speed.to_numpy())).round(),
        price=(PRICE * (1.0 + speed.to_numpy())).round(),
        currency="EUR",
    )
    return replace(whole, cards=cards, results=rows)


def _tested(of: small_lab.Lab) -> pd.DataFrame:
    return of.results[of.results["card"].isin(TESTED)].reset_index(drop=True)


def _scaled(factor: float) -> Callable[[small_lab.Lab], small_lab.Lab]:
    def change(of: small_lab.Lab) -> small_lab.Lab:
        rows = _tested(of)
        rates = ["avg_fps", "low_1pct_fps"]
        return replace(of, results=rows.assign(**(rows[rates] * factor).round(4)))

    return change


def _cards(*names: str) -> Callable[[small_lab.Lab], small_lab.Lab]:
    return lambda of: replace(of, results=of.results[of.results["card"].isin(names)])


def _one_chart(of: small_lab.Lab) -> small_lab.Lab:
    rows = _tested(of)
    here = (rows["game"] == "Game 1") & (rows["resolution"] == "2560x1440")
    return replace(of, results=rows[here])


def _chart_of_one(of: small_lab.Lab) -> small_lab.Lab:
    rows = _tested(of)
    chart = (rows["game"] == "Game 4") & (rows["resolution"] == "3840x2160")
    return replace(of, results=rows[~chart | (rows["card"] == TESTED[0])])


def _all_equal(of: small_lab.Lab) -> small_lab.Lab:
    return replace(of, results=_tested(of).assign(avg_fps=60.0, low_1pct_fps=42.0))


def _all_at_ceiling(of: small_lab.Lab) -> small_lab.Lab:
    rows = _tested(of)
    rng = np.random.default_rng(5)
    ceiling = rows["game"].map(small_lab.CEILINGS).to_numpy(dtype=float)
    rates = (ceiling * np.exp(0.004 * rng.standard_normal(len(rows)))).round(2)
    return replace(of, results=rows.assign(avg_fps=rates, low_1pct_fps=(LOW * rates).round(2)))


def _one_architecture(of: small_lab.Lab) -> small_lab.Lab:
    cards = of.cards.assign(vendor="Mirel", architecture="Fen")
    return replace(of, cards=cards, results=_tested(of))


def _collinear(of: small_lab.Lab) -> small_lab.Lab:
    size = of.cards["shaders"] / 2048
    same = of.cards.assign(
        boost_clock_mhz=2000,
        memory_bandwidth_gbs=224 * size,
        cache_mb=6 * size,
        rops=(48 * size).round().astype(int),
    )
    return replace(of, cards=same, results=_tested(of))


def _outliers(of: small_lab.Lab) -> small_lab.Lab:
    rows, rng = _tested(of), np.random.default_rng(6)
    wild = rng.random(len(rows)) < 0.5
    factor = np.where(wild, rng.uniform(0.6, 1.4, len(rows)), 1.0)
    rates = ["avg_fps", "low_1pct_fps"]
    return replace(of, results=rows.assign(**rows[rates].mul(factor, axis=0).round(3)))


def _mostly_missing(of: small_lab.Lab) -> small_lab.Lab:
    cells = of.results[small_lab.CELL].drop_duplicates()
    kept = cells.sample(frac=0.08, random_state=8)
    return replace(of, results=of.results.merge(kept, on=small_lab.CELL))


BENCHES: dict[str, Callable[[small_lab.Lab], small_lab.Lab]] = {
    "rates of 0.5": _scaled(0.5 / 80.0),
    "rates of 5000": _scaled(5000.0 / 80.0),
    "one card": _cards(TESTED[1]),
    "two cards": _cards(*TESTED[1:3]),
    "three cards": _cards(*TESTED[1:4]),
    "one chart": _one_chart,
    "a chart with a single result": _chart_of_one,
    "all equal": _all_equal,
    "all at the ceiling": _all_at_ceiling,
    "one architecture": _one_architecture,
    "specs in proportion": _collinear,
    "half of the runs wild": _outliers,
    "most cells missing": _mostly_missing,
}


def write_odd(name: str, folder: Path) -> Path:
    """Write an odd bench, and beside it the sheets of two untested cards."""
    made = BENCHES[name](lab())
    made.write(folder)
    sheets = made.cards[made.cards["card"].isin([INSIDE, BEYOND])]
    sheets.assign(card="new " + sheets["card"]).to_csv(folder / "specs.csv", index=False)
    return folder
