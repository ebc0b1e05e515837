"""Cards by the rate they give for their prices."""

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.value import Value
from scalemodel.answers.value_rows import BEATEN, EFFICIENT, OPEN
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import (
    grid,
    heading,
    named_reasons,
    note,
    remark,
    sentence,
    stack,
)
from scalemodel.views.words import (
    lead_words,
    level_words,
    price_words,
    probability_words,
    rate_words,
    resolution_order,
    short_range_words,
    upscaled_words,
)

SIGNS = {EFFICIENT: "●", OPEN: "◐", BEATEN: "○"}
CALLED = 0.95
"""Neighbours whose order of value is surer than this, either way, are not listed."""


def value_view(answer: Value, notes: Sequence[str]) -> RenderableType:
    """Show the cards of each platform, value at each resolution, and prices of equal value.

    Args:
        answer: the answer.
        notes: cautions, said at the end.
    """
    parts: list[RenderableType] = [sentence(str(answer))]
    for platform, table in answer.table.groupby("platform", sort=False):
        pairs = answer.pairs[answer.pairs["platform"] == platform]
        overall = table[table["resolution"] == ALL]
        unit = f"100 {answer.currency}".rstrip()
        parts += [heading(f"rate for {unit}", f"{platform}, all resolutions"), Text()]
        parts += [_cards(overall, unit), Text(), *remark(upscaled_words(table))]
        parts += [*_by_resolution(table, unit), *_equal(pairs, overall)]
        parts += named_reasons(overall)
    parts += named_reasons(answer.table[answer.table["platform"].isna()])
    legend = (
        f"{level_words(answer.level)} ranges. Over next: the probability of giving truly more for "
        "its money than the card below.\n"
        "● no card is faster and not dearer   ○ one is, the likeliest is named   ◐ open, with the "
        "probability of ●"
    )
    return stack(*parts, note(legend), *(note(words) for words in notes))


def _cards(overall: pd.DataFrame, unit: str) -> RenderableType:
    rows: list[list[str | Text]] = []
    for row in rows_of(overall[overall["position"].notna()]):
        chance = "" if math.isnan(row.p_better_value) else probability_words(row.p_better_value)
        rows.append(
            [
                _name(row),
                price_words(row.price),
                rate_words(row.rate),
                Text(f"{row.rate_per_100:.1f}", style="bold"),
                f"{row.lower:.1f}…{row.upper:.1f}",
                chance,
                _state(row),
            ]
        )
    columns = (
        "card",
        ">price",
        ">fps",
        f">fps for {unit}",
        ">range",
        ">over next",
        "price and rate",
    )
    return grid(columns, rows, "No card here has both a price and a chart that compares it.")


def _name(row: Any) -> str:
    return f"{row.card} ◇" if row.basis != MEASURED else str(row.card)


def _state(row: Any) -> Text:
    sign = SIGNS[row.state]
    if row.state == EFFICIENT:
        return Text(sign)
    words = f" {row.beaten_by}"
    if row.state == OPEN:
        words = f" {probability_words(row.p_efficient)}, or {row.beaten_by}"
    return Text.assemble(sign, (words, "dim"))


def _by_resolution(table: pd.DataFrame, unit: str) -> list[RenderableType]:
    """Lay out the value at each resolution, where there are several."""
    resolutions = resolution_order(set(table["resolution"]) - {ALL})
    if len(resolutions) < 2:
        return []
    rows = []
    for row in rows_of(table[(table["resolution"] == ALL) & table["position"].notna()]):
        own = table[table["card"] == row.card].set_index("resolution")
        rows.append([_name(row), *(_at(own, one) for one in resolutions)])
    columns = ["card", *(f">{one}" for one in resolutions)]
    return [note(f"fps for {unit} at each resolution:"), grid(columns, rows, ""), Text()]


def _at(own: pd.DataFrame, resolution: str) -> str:
    if resolution not in own.index:
        return "–"
    value, low, high = own.loc[resolution, ["rate_per_100", "lower", "upper"]].to_numpy(dtype=float)
    return "–" if math.isnan(value) else f"{value:.1f} ({low:.1f}…{high:.1f})"


def _equal(pairs: pd.DataFrame, overall: pd.DataFrame) -> list[RenderableType]:
    """List neighbours in rate that are not far apart in value, and every predicted card's."""
    new = set(overall.loc[overall["basis"] != MEASURED, "card"])
    known = pairs["p_better_value"].fillna(0.5)
    chosen = pairs["neighbours"].astype(bool) & (pairs["resolution"] == ALL)
    chosen &= pairs["equal_price"].notna()
    chosen &= known.between(1 - CALLED, CALLED) | pairs["a"].isin(new) | pairs["b"].isin(new)
    if not chosen.any():
        return []
    words = (
        "Neighbours in rate that are close in value, or predicted: at which price they are equal."
    )
    return [note(words), _pairs(pairs[chosen]), Text()]


def _pairs(pairs: pd.DataFrame) -> RenderableType:
    rows = [[row.a, _lead(row), row.b, *_prices(row)] for row in rows_of(pairs)]
    columns = ("A", "ahead of B by", "B", ">B at", ">A equal at", ">A at", ">A is better")
    return grid(columns, rows, "")


def _lead(row: Any) -> str:
    return f"{lead_words(row.lead)} ({short_range_words(row.lead_lower, row.lead_upper)})"


def _prices(row: Any) -> list[str]:
    if math.isnan(row.equal_price):
        return ["–", "–", "–" if math.isnan(row.price_a) else price_words(row.price_a), ""]
    span = f"{price_words(row.equal_lower)}…{price_words(row.equal_upper)}"
    own = "–" if math.isnan(row.price_a) else price_words(row.price_a)
    chance = "" if math.isnan(row.p_better_value) else probability_words(row.p_better_value)
    return [price_words(row.price_b), f"{price_words(row.equal_price)} ({span})", own, chance]


def compared_view(pairs: pd.DataFrame, answer: Value, notes: Sequence[str]) -> RenderableType:
    """Show where two cards are equal in value, a row a platform and resolution."""
    first = pairs.iloc[0]
    cards = " and ".join(sorted({str(first["a"]), str(first["b"])}))
    legend = (
        f"{level_words(answer.level)} ranges. At the price in the middle A gives as much rate for "
        "its money as B does."
    )
    about = f"{answer.source}, give or take {level_words(answer.tolerance)}"
    parts: list[RenderableType] = [Text(), heading(f"{cards}", about), Text()]
    for platform, here in pairs.groupby("platform", sort=False):
        rows = [[row.resolution, row.a, _lead(row), *_prices(row)] for row in rows_of(here)]
        columns = ["resolution", "A", "ahead by", ">B at", ">A equal at", ">A at", ">A is better"]
        parts += [note(str(platform)), grid(columns, rows, ""), Text()]
    return stack(*parts, note(legend), *(note(words) for words in notes))
