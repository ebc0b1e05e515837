"""What cards cost: a price list of the user's, or the prices on the spec sheets."""

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.propagation import rectangular

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

COLUMNS = ("card", "price", "currency", "date")
LAUNCH, LISTED = "launch prices of the spec sheets", "the price list"
UNKNOWN = "no results and no spec sheet of this name"
NAMED = 3
"""Cards named in a message; the rest are counted."""


@dataclass(frozen=True)
class Prices:
    """Prices in one currency.

    Attributes:
        table: card, price, currency, date of every card that has a price.
        source: where they are from, in words.
        log_price: (draws, cards) logs of what might be paid: every price up to the tolerance
            either way is equally likely, each card by itself.
    """

    table: pd.DataFrame
    source: str
    log_price: FloatArray

    @property
    def currency(self) -> str:
        """The currency, or "" where none is given."""
        return str(self.table["currency"].iloc[0]).strip()

    @property
    def dates(self) -> str:
        """The day of the prices, or the first and the last; "" without any."""
        days = sorted(set(self.table["date"]) - {""})
        return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}" if days else ""

    def of(self, card: str) -> tuple[float, str, FloatArray]:
        """Return price, date and (draws,) log prices of a card; NaN where it has none."""
        return self._by_card.get(card, (np.nan, "", np.full(len(self.log_price), np.nan)))

    @cached_property
    def _by_card(self) -> dict[str, tuple[float, str, FloatArray]]:
        rows = zip(self.table["card"], self.table["price"], self.table["date"], strict=True)
        return {
            str(card): (float(price), str(date), self.log_price[:, k])
            for k, (card, price, date) in enumerate(rows)
        }


def prices_of(
    fit: "Fit",
    specs: pd.DataFrame | None,
    prices: pd.DataFrame | None,
    tolerance: float,
    rng: np.random.Generator,
) -> Prices:
    """Take the prices of a list, or without one those of the sheets with their release dates.

    Raises:
        ScalemodelError: no card with results or a sheet has a price, or currencies are mixed.
    """
    sheets = fit.bench.cards[fit.bench.cards["card"].isin(fit.labels.cards)]
    if specs is not None:
        sheets = pd.concat([sheets, specs], ignore_index=True)
    launch = sheets.rename(columns={"release_date": "date"})
    found = launch if prices is None else prices
    table = found.loc[found["price"].notna(), list(COLUMNS)].reset_index(drop=True)
    if not table["card"].isin(set(sheets["card"])).any():
        raise ScalemodelError(
            f"{fit.bench.source}: no card with results has a price. Fill price and currency in "
            "cards.csv, or give a file with the columns card, price, currency and date."
        )
    _check_one_currency(table)
    moved = rectangular(rng, tolerance, (len(table), len(fit.model.draws.theta))).T
    log_price = np.log(table["price"].to_numpy(dtype=float)) + np.log1p(moved)
    return Prices(table, LAUNCH if prices is None else LISTED, log_price)


def _check_one_currency(table: pd.DataFrame) -> None:
    kinds = table.groupby(table["currency"].str.strip().str.upper(), sort=False)["card"]
    if kinds.ngroups <= 1:
        return
    told = []
    for name, cards in kinds:
        named = ", ".join(f'"{card}"' for card in cards[:NAMED])
        more = f" and {len(cards) - NAMED} more" if len(cards) > NAMED else ""
        told.append(f"{name or 'no currency'} for {named}{more}")
    raise ScalemodelError(
        f"Prices are in {kinds.ngroups} currencies: {'; '.join(told)}. Value compares prices in "
        "one: convert them, and name the same currency in every row."
    )
