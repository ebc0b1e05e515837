"""Who leads whom: places at each resolution, then the lead of every card over every other."""

import math
from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.lead import ALL
from scalemodel.answers.report import Report
from scalemodel.answers.standings import Standings
from scalemodel.views.figures.standings import standings_figure
from scalemodel.views.report.parts import Cell, Column, Part, Section, Table, drawing, table
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    level_words,
    rate_words,
    resolution_order,
    upscaled_words,
)

KEY, TITLE = "standings", "Who leads whom?"
WHOLE_FROM = 0.2
"""Leads from here on are written without decimals."""


def section(report: Report) -> Section:
    """Show the places, then a matrix of leads for each platform and resolution."""
    answer = report.standings
    if answer is None:
        words = f"Nobody can be compared: {report.missing['standings']}"
        return Section(KEY, TITLE, "Nobody can be compared.", words)
    sizes = resolution_order(report.fit.labels.charts["resolution"])
    parts: list[Part] = []
    for n, (platform, places) in enumerate(answer.places.groupby("platform", sort=False)):
        title = f"Places on {platform}"
        parts.append(
            drawing(
                partial(standings_figure, places, answer.level),
                title,
                "Every card's rate over that of all cards, by place, with its range, a panel a "
                "resolution. The numbers are in the table below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
        parts.append(_places(str(platform), places, sizes, answer.level, f"{title} (table)"))
        pairs = answer.table[answer.table["platform"] == platform]
        parts += _matrices(str(platform), places, pairs, sizes, answer.level)
    return Section(
        KEY,
        TITLE,
        _gist(answer, sizes),
        str(answer),
        tuple(parts),
        {"standings": answer.table, "standings-places": answer.places},
    )


def _gist(answer: Standings, sizes: list[str]) -> str:
    """Name the card in the first place at each resolution of the first platform that has one."""
    known = answer.places[answer.places["place"] == 1]
    if known.empty:
        return "Nobody: no chart compares two cards."
    here = known[known["platform"] == known["platform"].iloc[0]]
    first = {row.resolution: row.card for row in rows_of(here)}
    cards: dict[str, list[str]] = {}
    for size in reversed(sizes):
        if size in first:
            cards.setdefault(first[size], []).append(size)
    every = len(cards) == 1 and len(first) > 1
    words = [
        f"{card} is the fastest at {'every resolution' if every else ' and '.join(where)}"
        for card, where in cards.items()
    ]
    if answer.places["platform"].nunique() > 1:
        words[0] = f"On {here['platform'].iloc[0]} {words[0]}"
    pairs = answer.table[(answer.table["resolution"] == ALL) & (answer.table["reason"] == "")]
    open_ = int(((pairs["lower"] <= 0) & (pairs["upper"] >= 0)).sum())
    return f"{'; '.join(words)}. {open_} of {count_words(len(pairs), 'pair')} could be either way."


def _places(
    platform: str, places: pd.DataFrame, sizes: list[str], level: float, folded: str
) -> Table:
    tested = [size for size in sizes if size in set(places["resolution"])]
    columns = [
        Column("card", lambda rows: str(rows["card"].iloc[0])),
        *(Column(size, partial(_place, size=size), True) for size in tested),
    ]
    caption = (
        f"{platform}: place at each resolution, with its {level_words(level)} range, and the mean "
        "rate in frames per second. All cards are placed on the same charts; what a card lacks "
        f"there, or shows only at the ceiling, the model fills in, as ◇ counts. "
        f"{upscaled_words(places)}".rstrip()
    )
    groups = [rows for _, rows in places.groupby("card", sort=False)]
    return table(caption, columns, groups, folded=folded)


def _place(rows: pd.DataFrame, size: str) -> Cell:
    found = rows[rows["resolution"] == size]
    if found.empty:
        return Cell("–", small="not tested")
    row = next(rows_of(found))
    if row.place is pd.NA:
        return Cell("–", small=row.reason)
    words = f"{row.place}"
    if row.place_lower < row.place_upper:
        words += f" ({row.place_lower} to {row.place_upper})"
    small = f"{rate_words(row.rate_mean)} fps"
    filled = row.charts - row.measured
    small += f", ◇ {filled} of {row.charts}" if filled else ""
    return Cell(words, small=small)


def _matrices(
    platform: str, places: pd.DataFrame, pairs: pd.DataFrame, sizes: list[str], level: float
) -> list[Part]:
    """Lay out a matrix a resolution, the highest first and open."""
    tested = [size for size in reversed(sizes) if size in set(places["resolution"])]
    parts: list[Part] = []
    for n, size in enumerate([*tested, ALL] if len(tested) > 1 else tested):
        ranked = places[places["resolution"] == (tested[0] if size == ALL else size)]
        cards = [str(card) for card in ranked["card"]]
        where = "all resolutions" if size == ALL else size
        title = f"Leads on {platform}, {where}"
        found = pairs[pairs["resolution"] == size]
        if (found["reason"] == "").any():
            parts.append(_matrix(title, cards, found, level, folded=title if n else ""))
    return parts


def _matrix(title: str, cards: list[str], pairs: pd.DataFrame, level: float, folded: str) -> Table:
    leads: dict[tuple[str, str], Any] = {}
    for row in rows_of(pairs):
        leads[row.a, row.b] = row
    columns = [
        Column("lead of ↓ over →", lambda card: card),
        *(Column(b, partial(_lead, b=b, cards=cards, leads=leads), True) for b in cards[1:]),
    ]
    caption = (
        f"{title}: mean over the charts that compare both cards, below it the typical lead in "
        f"percent. ≈: its {level_words(level)} range includes no lead; ◆ counts the odd ones out."
    )
    return table(caption, columns, cards[:-1], look="matrix", folded=folded)


def _lead(a: str, b: str, cards: list[str], leads: dict[tuple[str, str], Any]) -> Cell:
    """Write the lead of a card over one that comes after it; nothing on the other side."""
    if cards.index(a) >= cards.index(b):
        return Cell("")
    row = leads.get((a, b))
    turned = row is None
    row = leads.get((b, a)) if turned else row
    if row is None or row.reason:
        return Cell("–", small="" if row is None else "none compares")
    lead, low, high = row.lead, row.typical_lower, row.typical_upper
    if turned:
        lead, low, high = (1 / (1 + value) - 1 for value in (lead, high, low))
    small = "" if math.isnan(low) else f"{_short(low)}…{_short(high)}"
    small += f" ◆{row.odd}" if row.odd else ""
    even = row.lower <= 0 <= row.upper
    sign = "" if lead < 0 else "+"
    return Cell(f"{sign}{_short(lead)}%", "≈" if even else "", small, strong=not even)


def _short(lead: float) -> str:
    """Write a lead in percent, with a decimal where it is small: a matrix has many columns."""
    decimals = 1 if abs(lead) < WHOLE_FROM else 0
    percent = round(100 * lead, decimals) + 0.0  # no "-0.0"
    return f"{percent:.{decimals}f}".replace("-", "−")
