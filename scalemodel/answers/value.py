"""How much rate does a card give for its price?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import ALL, comparable_cells
from scalemodel.answers.levels import check_level
from scalemodel.answers.margins import share
from scalemodel.answers.newcomers import newcomers
from scalemodel.answers.prices import UNKNOWN, Prices, prices_of
from scalemodel.answers.repeats import note_on_repeats
from scalemodel.answers.value_rows import EFFICIENT, OPEN, pair_rows, value_groups, value_rows
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

LARGEST_TOLERANCE = 0.5
STATE_WORDS = {
    EFFICIENT: "No card is both cheaper and faster than",
    OPEN: "Too close to call",
}
SEED_STEP = 3
"""Added to the seed where prices are drawn."""

COLUMNS = (
    "card",
    "platform",
    "resolution",
    "metric",
    "level",
    "position",
    "rate",
    "rate_lower",
    "rate_upper",
    "price",
    "currency",
    "price_date",
    "rate_per_100",
    "lower",
    "upper",
    "p_better_value",
    "p_best_value",
    "p_efficient",
    "state",
    "beaten_by",
    "charts_used",
    "basis",
    "reason",
    "upscaling",
)
PAIR_COLUMNS = (
    "a",
    "b",
    "platform",
    "resolution",
    "metric",
    "level",
    "lead",
    "lead_lower",
    "lead_upper",
    "price_a",
    "price_b",
    "currency",
    "equal_price",
    "equal_lower",
    "equal_upper",
    "p_better_value",
    "neighbours",
    "reason",
    "upscaling",
)


@dataclass(frozen=True)
class Value:
    """Rate for money at given prices.

    Attributes:
        table: one row a card, platform and resolution or "(all)", the best value first:
            position, rate (fps, over the charts that compare cards) with rate_lower and rate_upper,
            price, currency, price_date,
            rate_per_100 (fps for 100 units of money) with lower and upper, p_better_value (than the
            next one), p_best_value, p_efficient (no other card is both cheaper and faster), state,
            beaten_by, charts_used, basis, reason, upscaling: rows are of native charts; of
            upscaled ones where only such compare two cards.
        pairs: one row a pair of cards, `a` the faster or the predicted one: lead with its range,
            both prices, equal_price (of a, at which both give the same for their money) with
            equal_lower and equal_upper, p_better_value (of a), and whether they are neighbours in
            rate.
        tolerance: share by which prices may be off, either way.
        currency, source, dates: of the prices.
        level: level of the ranges, and probability from which a card counts as efficient.
        note: what the test error rests on where the bench has no repeated runs, else "".
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    tolerance: float
    currency: str
    source: str
    dates: str
    level: float
    note: str = ""

    def __str__(self) -> str:
        overall = self.table[self.table["resolution"] == ALL]
        dated = f" ({self.dates})" if self.dates else ""
        words = [f"Prices: {self.source}{dated}, give or take {share(self.tolerance)}."]
        words += [
            self._words(str(platform), rows)
            for platform, rows in overall.groupby("platform", sort=False)
        ]
        return " ".join([*words, self.note] if self.note else words)

    def _words(self, platform: str, rows: pd.DataFrame) -> str:
        placed = rows[rows["position"].notna()]
        if placed.empty:
            return f"On {platform} no card can be valued: {rows['reason'].iloc[0]}."
        first = placed.iloc[0]
        words = (
            f"On {platform} {first['card']} gives the most rate for its money, "
            f"{first['rate_per_100']:.1f} fps per 100 {self.currency}".rstrip()
            + f" ({first['lower']:.1f} to {first['upper']:.1f})"
        )
        if len(placed) > 1:
            words += f", best of {len(placed)} with probability {_chance(first['p_best_value'])}"
        for state, what in STATE_WORDS.items():
            named = placed.loc[placed["state"] == state].sort_values("price")["card"]
            words += f". {what}: {', '.join(named)}" if len(named) else ""
        return f"{words}."

    def compare(self, a: str, b: str) -> pd.DataFrame:
        """Return the pairs of two cards: one row a platform and resolution.

        Raises:
            ScalemodelError: they stand side by side nowhere.
        """
        here = self.pairs["a"].isin([a, b]) & self.pairs["b"].isin([a, b])
        if a == b or not here.any():
            raise ScalemodelError(
                f'"{a}" and "{b}" stand side by side on no platform. Name two different cards '
                "with results that compare them, or with a spec sheet."
            )
        return self.pairs[here].reset_index(drop=True)


def _chance(p: float) -> str:
    return ">0.99" if p > 0.99 else f"{p:.2f}"


def value(
    fit: "Fit",
    prices: pd.DataFrame | None,
    tolerance: float,
    specs: pd.DataFrame | None,
    level: float,
) -> Value:
    """Compare the cards of a fit by their rate for money.

    Raises:
        ScalemodelError: no price can be used, currencies are mixed, or the tolerance or the level
            is not possible.
    """
    check_level(level)
    check_tolerance(tolerance)
    rng = np.random.default_rng([fit.seed, SEED_STEP])
    paid = prices_of(fit, specs, prices, tolerance, rng)
    laid_out = list(value_groups(fit, comparable_cells(fit), newcomers(fit, specs, level)))
    rows: list[dict[str, object]] = []
    pairs: list[dict[str, object]] = []
    for group in laid_out:
        place = {"platform": group.platform, "resolution": group.resolution}
        place["upscaling"] = group.kind
        rows += [{**row, **place} for row in value_rows(group, paid, level)]
        pairs += [{**row, **place} for row in pair_rows(group, paid, level)]
    rows += _unknown(fit, specs, paid)
    table, both = (
        pd.DataFrame(part).assign(metric=fit.metric, level=level, currency=paid.currency)
        for part in (rows, pairs)
    )
    return Value(
        table=table.reindex(columns=list(COLUMNS)),
        pairs=both.reindex(columns=list(PAIR_COLUMNS)),
        tolerance=tolerance,
        currency=paid.currency,
        source=paid.source,
        dates=paid.dates,
        level=level,
        note=note_on_repeats(fit),
    )


def check_tolerance(tolerance: float) -> None:
    """Refuse a tolerance that is none.

    Raises:
        ScalemodelError: it is not from 0 up to LARGEST_TOLERANCE.
    """
    if not 0 <= tolerance <= LARGEST_TOLERANCE:
        raise ScalemodelError(
            f"A tolerance of {share(tolerance)} is not possible. Allowed: from 0 up to "
            f"{share(LARGEST_TOLERANCE)}, such as 4%."
        )


def _unknown(fit: "Fit", specs: pd.DataFrame | None, paid: Prices) -> list[dict[str, object]]:
    """Return a row for each card that has a price but neither results nor a sheet."""
    known = set(fit.labels.cards) | (set() if specs is None else set(specs["card"]))
    strange = paid.table[~paid.table["card"].isin(known)]
    return [
        {"card": r["card"], "price": r["price"], "price_date": r["date"], "reason": UNKNOWN}
        for r in strange.to_dict(orient="records")
    ]
