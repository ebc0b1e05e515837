"""Cards and pairs of cards by rate for their money, over all charts that compare them."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from scalemodel.answers.comparable import (
    NOT_LINKED,
    SideBySide,
    common_reason,
    groups,
    kind_of,
    side_by_side,
)
from scalemodel.answers.newcomers import Newcomer
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.prices import Prices
from scalemodel.model.arrays import FloatArray
from scalemodel.model.efficient import beats
from scalemodel.model.ranks import in_order, p_faster
from scalemodel.model.two_way import TwoWay

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

PER = 100.0
"""Rates are given for so much money."""

NO_PRICE = "no price"
EFFICIENT, BEATEN, OPEN = "efficient", "beaten", "open"


class Place(NamedTuple):
    """A card in a group.

    Attributes:
        card: its name.
        log_rate: what it shows over the charts.
        draws: (draws,) of that, joint with those of the other cards of the group.
        charts_used: how many charts that rests on.
        basis: "measured", or what a prediction rests on.
    """

    card: str
    log_rate: float
    draws: FloatArray
    charts_used: int
    basis: str


class ValueGroup(NamedTuple):
    """A platform at one resolution or all.

    Attributes:
        platform, resolution: which ones.
        kind: of the charts that compare cards: native or upscaled; "" without any.
        places: cards that have a place, the slowest first.
        rows: rows of those that have none, with their reasons.
    """

    platform: str
    resolution: str
    kind: str
    places: list[Place]
    rows: list[dict[str, object]]


def value_groups(
    fit: "Fit", cells: pd.DataFrame, newcomers: Sequence[Newcomer]
) -> Iterator[ValueGroup]:
    """Place the cards of every group by their rates.

    Args:
        fit: the fit.
        cells: as `comparable_cells` gives them.
        newcomers: predicted cards.
    """
    for number, (platform, resolution, every) in enumerate(groups(cells)):
        used = every[every["reason"] == ""]
        rows = [
            _missing(str(card), MEASURED, common_reason(own["reason"]))
            for card, own in every.groupby("card", sort=False)
            if card not in set(used["card"])
        ]
        places: list[Place] = []
        if not used.empty:
            beside = side_by_side(used)
            rows += [_missing(card, MEASURED, NOT_LINKED) for card in beside.not_linked]
            log_rate, error = (
                np.log(used["rate"].to_numpy(dtype=float)),
                np.nan_to_num(used["se"].to_numpy(dtype=float)),
            )
            layout = beside.layout(log_rate, error)
            rng = np.random.default_rng([fit.seed, number])
            places = _measured(beside, layout, layout.draws(rng, len(fit.model.draws.theta)))
            for card in newcomers:
                place = _newcomer(card, beside, layout)
                if place is None:
                    reason = card.why_not(platform, resolution)
                    rows.append(_missing(card.card, card.basis, reason))
                else:
                    places.append(place)
        places.sort(key=lambda place: place.log_rate)
        yield ValueGroup(platform, resolution, kind_of(used), places, rows)


def _missing(card: str, basis: str, reason: str) -> dict[str, object]:
    return {"card": card, "basis": basis, "reason": reason}


def _measured(beside: SideBySide, layout: TwoWay, draws: FloatArray) -> list[Place]:
    return [
        Place(card, float(layout.location[k]), draws[:, k], int(beside.counts[k]), MEASURED)
        for k, card in enumerate(beside.cards)
    ]


def _newcomer(card: Newcomer, beside: SideBySide, layout: TwoWay) -> Place | None:
    if card.draws is None:
        return None
    draws = card.place(beside, layout, card.draws.log_rate)
    if not draws.size:
        return None
    return Place(card.card, float(np.median(draws)), draws, card.count(beside), card.basis)


def value_rows(group: ValueGroup, prices: Prices, level: float) -> list[dict[str, object]]:
    """Return one row a card, the best value first; then those without any, with reasons."""
    priced = [one for one in group.places if np.isfinite(prices.of(one.card)[0])]
    rest = [
        {**_about(one, prices, level), "reason": NO_PRICE}
        for one in group.places
        if not np.isfinite(prices.of(one.card)[0])
    ]
    left = [*rest, *({**row, **_price(str(row["card"]), prices)} for row in group.rows)]
    if not priced:
        return left
    log_rate = np.column_stack([one.draws for one in priced])
    log_price = np.column_stack([prices.of(one.card)[2] for one in priced])
    middle = np.array([one.log_rate - np.log(prices.of(one.card)[0]) for one in priced])
    found = in_order(middle, log_rate - log_price)
    ends = np.quantile(log_rate - log_price, [(1 - level) / 2, (1 + level) / 2], axis=0)
    beaten = beats(log_rate, log_price)
    efficient, by = 1 - beaten.any(axis=2).mean(axis=0), beaten.mean(axis=0)
    rows = []
    for position, i in enumerate(found.order, start=1):
        chance = float(efficient[i])
        state = EFFICIENT if chance >= level else BEATEN if chance <= 1 - level else OPEN
        rows.append(
            {
                **_about(priced[i], prices, level),
                "position": position,
                "rate_per_100": PER * np.exp(middle[i]),
                "lower": PER * np.exp(ends[0, i]),
                "upper": PER * np.exp(ends[1, i]),
                "p_better_value": found.p_next[position - 1],
                "p_best_value": found.p_first[position - 1],
                "p_efficient": chance,
                "state": state,
                "beaten_by": "" if state == EFFICIENT else priced[int(by[i].argmax())].card,
                "reason": "",
            }
        )
    return [*rows, *left]


def _about(one: Place, prices: Prices, level: float) -> dict[str, object]:
    low, high = np.exp(np.quantile(one.draws, [(1 - level) / 2, (1 + level) / 2]))
    return {
        "card": one.card,
        "rate": float(np.exp(one.log_rate)),
        "rate_lower": float(low),
        "rate_upper": float(high),
        **_price(one.card, prices),
        "charts_used": one.charts_used,
        "basis": one.basis,
    }


def _price(card: str, prices: Prices) -> dict[str, object]:
    price, date, _ = prices.of(card)
    return {"price": price, "price_date": date}


def pair_rows(group: ValueGroup, prices: Prices, level: float) -> Iterator[dict[str, object]]:
    """Give one row a pair of cards: `a` is the faster one, or the predicted one.

    At `equal_price` of a, both give the same rate for their money, b at its price.
    """
    for j, faster in enumerate(group.places):
        for i, slower in enumerate(group.places[:j]):
            a, b = faster, slower
            if a.basis == MEASURED and b.basis != MEASURED:
                a, b = b, a
            near = all(one.basis != MEASURED for one in group.places[i + 1 : j])
            yield {**_pair(a, b, prices, level), "neighbours": near}


def _pair(a: Place, b: Place, prices: Prices, level: float) -> dict[str, object]:
    ends = [(1 - level) / 2, (1 + level) / 2]
    (price_a, _, log_a), (price_b, _, log_b) = prices.of(a.card), prices.of(b.card)
    lead, ratio = a.draws - b.draws, a.log_rate - b.log_rate
    lead_ends = np.expm1(np.quantile(lead, ends))
    bare = [one.card for one, p in ((a, price_a), (b, price_b)) if not np.isfinite(p)]
    equal = (np.nan, np.nan)
    if np.isfinite(price_b):
        equal = tuple(np.exp(np.quantile(lead + log_b, ends)))
    return {
        "a": a.card,
        "b": b.card,
        "lead": np.expm1(ratio),
        "lead_lower": lead_ends[0],
        "lead_upper": lead_ends[1],
        "price_a": price_a,
        "price_b": price_b,
        "equal_price": price_b * np.exp(ratio),
        "equal_lower": equal[0],
        "equal_upper": equal[1],
        "p_better_value": np.nan if bare else float(p_faster(lead, log_a - log_b)),
        "reason": f"{NO_PRICE} of {' and '.join(bare)}" if bare else "",
    }
