"""The newest card against its nearest neighbour, by every kind of chart that a bench has."""

from typing import TYPE_CHECKING

import numpy as np

from scalemodel.answers.groups import chart_groups, group_columns
from scalemodel.answers.lead import ALL
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.standings import Standings
from scalemodel.data.bench import Bench
from scalemodel.data.schema import RESULTS
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

KINDS = ("ray_tracing", "upscaling")
"""Columns of results that say what kind of chart it is; besides these the lab's own ones do."""

MOST_GROUPS = 8
"""A column of more groups than this is a name or a note, not a kind."""

NO_PAIR = "No chart compares two cards."


def newest_by_kinds(fit: "Fit", standings: Standings, level: float) -> tuple[LeadGroups, ...]:
    """Group the lead of the newest card over its nearest neighbour, a column after the other.

    Raises:
        ScalemodelError: no two cards can be compared, or no column parts their charts.
    """
    a, b = newest_pair(fit.bench, standings)
    columns = kind_columns(fit.bench, (a, b))
    if not columns:
        raise ScalemodelError(
            f"No column of results parts the charts of {a} and {b} into kinds. Fill ray_tracing or "
            "upscaling, or add a column of your own, such as engine."
        )
    return tuple(fit.lead_by(column, a, b, level=level) for column in columns)


def newest_pair(bench: Bench, standings: Standings) -> tuple[str, str]:
    """Return the newest card that charts compare with others, and the one nearest to it in rate.

    Of several on a day, or without days, the fastest. Both are of the first platform that compares
    cards.

    Raises:
        ScalemodelError: no two cards can be compared.
    """
    pairs = standings.table[
        (standings.table["resolution"] == ALL) & (standings.table["reason"] == "")
    ]
    if pairs.empty:
        raise ScalemodelError(NO_PAIR)
    pairs = pairs[pairs["platform"] == pairs["platform"].iloc[0]]
    days = bench.cards.set_index("card")["release_date"].astype(str)
    cards = list(dict.fromkeys([*pairs["a"], *pairs["b"]]))  # the fastest first
    newest = max(cards, key=lambda card: days[card])
    own = pairs[(pairs["a"] == newest) | (pairs["b"] == newest)]
    near = own.iloc[int(np.abs(np.log1p(own["lead"].astype(float))).argmin())]
    return newest, str(near["b"] if near["a"] == newest else near["a"])


def kind_columns(bench: Bench, cards: tuple[str, str]) -> list[str]:
    """Return the columns of results that part the charts of two cards into a few kinds."""
    known = {column.name for column in RESULTS.columns} - set(KINDS)
    found = []
    for column in group_columns(bench):
        if column in known:
            continue
        names = chart_groups(bench, column, cards)
        names = names[~names.str.contains(" / ", regex=False)]
        if 2 <= names.nunique() <= MOST_GROUPS:
            found.append(column)
    return found
