"""Answers about all cards made by hand, in any number of cards, some with awkward names."""

from itertools import pairwise

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import ALL
from scalemodel.answers.knee import Knee
from scalemodel.answers.standings import Standings
from tests.views import examples

RESOLUTIONS = ["1920x1080", "3840x2160"]
LONG = "Magnificent Ultimate Extraordinary Edition OC"


def names(cards: int) -> list[str]:
    """Name so many cards; the second has a long name, the third one with signs."""
    made = [f"Ka {n}" for n in range(1, cards + 1)]
    made[1:3] = [f"{LONG} 2", "$1 & <Tag> $x^2$"][: max(cards - 1, 0)]
    return made


def places(cards: int = 4) -> pd.DataFrame:
    """The first two cards are in the other order at the lower resolution; two steps are open."""
    rows = []
    for resolution in RESOLUTIONS:
        order = names(cards)
        if resolution == "1920x1080" and cards > 1:
            order[:2] = order[1::-1]
        for n, card in enumerate(order):
            over = 1.8 * 0.93**n - 1
            rows.append(
                {
                    "card": card,
                    "platform": "open bench",
                    "resolution": resolution,
                    "rate_mean": (200 if resolution == "1920x1080" else 90) * 0.93**n,
                    "charts": 4,
                    "place_lower": n + 1,
                    "place": n + 1,
                    "place_upper": min(n + 1 + n % 2, cards),
                    "reason": "",
                    "measured": 1 if n == 0 and resolution == "1920x1080" else 4,
                    "over_field": over,
                    "over_field_lower": (1 + over) * 0.97 - 1,
                    "over_field_upper": (1 + over) * 1.03 - 1,
                    "p_ahead_of_next": np.nan if n == cards - 1 else 0.6 if n % 4 == 1 else 0.99,
                    "upscaling": "native",
                }
            )
    table = pd.DataFrame(rows)
    return table.astype(dict.fromkeys(("place_lower", "place", "place_upper"), "Int64"))


def pairs(cards: int = 4) -> pd.DataFrame:
    """Pairs of neighbours: the first two change places for certain."""
    made = names(cards)
    rows = [
        (
            a,
            b,
            "open bench",
            resolution,
            0.05,
            0.02 if resolution == "1920x1080" and n == 0 else 0.9,
        )
        for resolution in RESOLUTIONS
        for n, (a, b) in enumerate(pairwise(made))
    ]
    columns = ["a", "b", "platform", "resolution", "lead", "p_ahead"]
    return pd.DataFrame(rows, columns=columns)


def standings(cards: int = 4) -> Standings:
    return Standings(pairs(cards), places(cards), 0.8)


def knee(*, reached: bool = True) -> Knee:
    """One scene; a ceiling at 200 that the fast cards reach, or one that nobody does."""
    game, preset = examples.SCENES[0]
    table = examples.ceilings()
    table = table[table["game"] == game].reset_index(drop=True)
    gpu = table["rate"] * np.where(table["state"] == "gpu_bound", 1.0, 1.3)
    table = table.assign(gpu_rate=gpu, gpu_lower=gpu * 0.95, gpu_upper=gpu * 1.05)
    charts = examples.charts()
    charts = charts[charts["game"] == game].reset_index(drop=True)
    if not reached:
        table = table.assign(state="gpu_bound")
        charts = charts.assign(ceiling_rate=np.nan, ceiling_low=199.0, ceiling_high=np.nan)
    x = np.geomspace(45, 300 if reached else 199, 9)
    rate = np.minimum(x, 200.0)
    curve = pd.DataFrame({"gpu_rate": x, "rate": rate, "lower": rate * 0.99, "upper": rate * 1.01})
    slope = np.where(x < 200, 1.0, 0.0)
    numbers = {"sensitivity": slope, "sensitivity_lower": slope, "sensitivity_upper": slope}
    curve = curve.assign(platform=examples.PLATFORM, game=game, preset=preset, **numbers)
    return Knee(table, charts, curve, 0.8)


def shares(scenes: int = 3) -> pd.DataFrame:
    """Shares that shift from arithmetic to traffic with the scene and the resolution."""
    rows = []
    for n in range(scenes):
        for m, resolution in enumerate(["1920x1080", "2560x1440", "3840x2160"]):
            traffic = 0.2 + 0.2 * n / scenes + 0.04 * m
            for stage, share in zip(
                ("arithmetic", "traffic", "raster", "fixed"),
                (0.88 - traffic, traffic, 0.07, 0.05),
                strict=True,
            ):
                scene = (f"{LONG} {n}", "ultra, rays", resolution)
                rows.append((*scene, stage, share, 0.9 * share, 1.1 * share))
    columns = ["game", "preset", "resolution", "stage", "share", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def cells(cards: int = 4, scenes: int = 3) -> pd.DataFrame:
    """Every card on every chart but the first on the last; one run left out, one cell with two."""
    rows = [
        (card, platform, f"Game {n}", "ultra", resolution, 3, 0)
        for platform in ("open bench", "small case")
        for card in names(cards)
        for n in range(scenes)
        for resolution in RESOLUTIONS
    ]
    columns = ["card", "platform", "game", "preset", "resolution", "runs", "left_out"]
    table = pd.DataFrame(rows, columns=columns)
    table.loc[1, ["runs", "left_out"]] = [2, 1]
    return table.drop(index=0).reset_index(drop=True)


def power_cards(cards: int = 4) -> pd.DataFrame:
    """Cards of which two draw nearly the same; the last one is predicted."""
    n = np.arange(cards)
    rate, power = 200 * 0.95**n, 380 * 0.96 ** (n - n % 2)
    table = pd.DataFrame({"card": names(cards), "rate": rate, "power_w": power})
    table = table.assign(
        rate_lower=0.97 * rate,
        rate_upper=1.03 * rate,
        power_lower=0.98 * power,
        power_upper=1.02 * power,
        frames_per_joule=rate / power,
        basis=np.where(n == cards - 1, "its architecture", "measured"),
        platform=examples.PLATFORM,
        resolution=ALL,
    )
    ordered = table.sort_values("frames_per_joule", ascending=False, ignore_index=True)
    return ordered.assign(position=n + 1)


def limits() -> pd.DataFrame:
    """The first card at four power limits, two of them close to each other."""
    shares = np.array([0.9, 0.88, 0.7, 0.6])
    rate = shares**0.3
    table = pd.DataFrame({"power_limit_w": 380 * shares, "power_ratio": shares})
    table = table.assign(rate_ratio=rate, lower=0.99 * rate, upper=1.01 * rate)
    return table.assign(card=names(1)[0], platform=examples.PLATFORM, reason="")


def power_curves() -> pd.DataFrame:
    row = {"card": names(1)[0], "slope": 0.3, "bend": -0.05, "least_power_ratio": 0.6}
    return pd.DataFrame([{**row, "platform": examples.PLATFORM}])


def value(cards: int = 4) -> pd.DataFrame:
    """The rows of `power_cards` at prices: some in every state."""
    table, n = power_cards(cards), np.arange(cards)
    price = 900 * 0.96 ** (n - n % 3)
    return table.assign(
        price=price,
        currency="EUR",
        rate_per_100=100 * table["rate"] / price,
        p_best_value=0.4,
        state=np.array(["efficient", "beaten", "open"])[n % 3],
    )
