"""The small lab with board power, power limits and prices; what is true of them is in here."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.answers.small_lab import CELL, CHART, Lab, simulate

BOARD_W = (110, 160, 230, 120, 185, 250, 350, 125, 190, 260, 355)
PRICES = (179, 249, 399, 259, 389, 549, 949, 229, 359, 499, 749)
HUNGRY, FACTOR = "Halvor C", 1.3
"""A card that draws more than its sheet says."""

LIMITED, SHARES, FOLLOWS = "Mirel 55", (0.9, 0.8, 0.7), 0.4
"""A card tested at shares of its power; its rate goes as a power of the power."""

USE, RUN_SD, TOGETHER = 0.7, 0.01, 0.6
"""How power follows use; sd of the power of a run, and its correlation with the rate's error."""


@dataclass(frozen=True)
class MoneyLab:
    """A lab with power and prices.

    Attributes:
        lab: sheets and runs, runs at power limits among them.
        power: true power of every cell: CELL and power_w.
    """

    lab: Lab
    power: pd.DataFrame

    def write(self, folder: Path, without: tuple[str, ...] = ()) -> Path:
        """Write the bench, leaving out the results of some cards."""
        return self.lab.write(folder, without)


def money_lab() -> MoneyLab:
    """Add power and prices to the small lab."""
    lab = simulate()
    cards = lab.cards.assign(
        board_power_w=BOARD_W, price=PRICES, currency="EUR", release_date="2026-01"
    )
    power = _true_power(cards, lab.truth)
    rng = np.random.default_rng(11)
    runs = lab.results.merge(power, on=CELL).merge(lab.truth[[*CELL, "fps"]], on=CELL)
    error = np.log(runs["avg_fps"] / runs["fps"]).to_numpy()
    own = rng.standard_normal(len(runs))
    noise = TOGETHER * error / error.std() + np.sqrt(1 - TOGETHER**2) * own
    runs["power_w"] = (runs["power_w"] * np.exp(RUN_SD * noise)).round(2)
    runs["power_limit_w"] = np.nan
    limited = _limited(cards, runs, lab.truth, rng)
    results = pd.concat([runs, limited], ignore_index=True).drop(columns="fps")
    return MoneyLab(replace(lab, cards=cards, results=results), power)


def _true_power(cards: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Power falls with what of the GPU is in use, and differs from chart to chart."""
    board = truth["card"].map(cards.set_index("card")["board_power_w"]).astype(float)
    heavy = 0.9 + 0.03 * truth["game"].str[-1].astype(int)
    use = (truth["fps"] / truth["gpu_fps"]) ** USE
    factor = np.where(truth["card"] == HUNGRY, FACTOR, 1.0)
    return truth[CELL].assign(power_w=board * heavy * use * factor)


def _limited(
    cards: pd.DataFrame, runs: pd.DataFrame, truth: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Run one card at shares of its power on every chart; the ceiling hides what that costs."""
    board = float(cards.set_index("card")["board_power_w"][LIMITED])
    own = runs[runs["card"] == LIMITED].merge(truth[[*CHART, "card", "ceiling_fps"]], on=CELL)
    parts = []
    for share in SHARES:
        slower = np.minimum(own["fps"] * share**FOLLOWS, own["ceiling_fps"])
        noise = np.exp(0.004 * rng.standard_normal(len(own)))
        power = own["power_w"] * share
        parts.append(
            own.assign(
                avg_fps=(slower * noise).round(4), power_w=power, power_limit_w=board * share
            )
        )
    return pd.concat(parts)[list(runs)]
