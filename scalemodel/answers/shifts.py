"""Where a card landed other than predicted: everywhere, in one game, at one resolution, a ceiling.

What these have in common is that a shift of many charts is one surprise, not as many.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from scalemodel.model.arrays import BoolArray, FloatArray
from scalemodel.model.surprise import Groups, find_shifts

SHIFT_COLUMNS = ("card", "kind", "where", "shift", "p", "charts")


@dataclass(frozen=True)
class Shifts:
    """Surprises of one card.

    Attributes:
        table: one row a surprise, what explains most first: card, kind (card, game, resolution,
            ceiling), where, shift (measured over predicted rate minus 1, beyond what the rows
            before it explain), p (how often draws shift as strongly somewhere), charts.
        p: how often draws shift somewhere as strongly as the card does anywhere.
    """

    table: pd.DataFrame
    p: float


@dataclass(frozen=True)
class _Group:
    kind: str
    where: str
    members: BoolArray
    beside: BoolArray


def card_shifts(
    card: str, charts: pd.DataFrame, draws: FloatArray, observed: FloatArray, bound: BoolArray
) -> Shifts:
    """Compare a card's measured rates with the joint draws of its prediction.

    Args:
        card: the card.
        charts: (charts,) rows with CHART_COLUMNS.
        draws: (draws, charts) joint draws of log rates.
        observed: (charts,) measured log rates.
        bound: (charts,) predicted to sit at the ceiling.
    """
    groups = [*_below(charts, ~bound), *_at_ceilings(charts, bound)]
    shape = (len(groups), len(charts))
    tried = Groups(
        np.array([g.members for g in groups], dtype=bool).reshape(shape),
        np.array([g.beside for g in groups], dtype=bool).reshape(shape),
    )
    found = find_shifts(draws, observed, tried)
    rows = [
        (
            card,
            groups[shift.group].kind,
            groups[shift.group].where,
            float(np.expm1(shift.size)),
            shift.p,
            int(groups[shift.group].members.sum()),
        )
        for shift in found.shifts
    ]
    return Shifts(pd.DataFrame(rows, columns=list(SHIFT_COLUMNS)), found.p)


def _below(charts: pd.DataFrame, below: BoolArray) -> Iterator[_Group]:
    """Groups of charts that the card's own speed decides."""
    if not below.any():
        return
    yield _Group("card", "everywhere", below, np.zeros_like(below))
    for kind in ("game", "resolution"):
        for name in dict.fromkeys(charts[kind]):
            members = below & (charts[kind] == name).to_numpy()
            if members.any() and (below & ~members).any():
                words = f"in {name}" if kind == "game" else f"at {name}"
                yield _Group(kind, words, members, below & ~members)


def _at_ceilings(charts: pd.DataFrame, bound: BoolArray) -> Iterator[_Group]:
    """Groups of charts that a ceiling decides: of a platform, then of one game on it."""
    several = charts["platform"].nunique() > 1
    for platform in dict.fromkeys(charts["platform"]):
        here = bound & (charts["platform"] == platform).to_numpy()
        if not here.any():
            continue
        on = f" on {platform}" if several else ""
        yield _Group("ceiling", f"at the ceiling{on}", here, np.zeros_like(here))
        for game in dict.fromkeys(charts["game"]):
            members = here & (charts["game"] == game).to_numpy()
            if members.any() and (here & ~members).any():
                words = f"at the ceiling of {game}{on}"
                yield _Group("ceiling", words, members, here & ~members)
