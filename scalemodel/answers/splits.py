"""Which cards are held out, and together with which."""

import math
from typing import TYPE_CHECKING

import pandas as pd

from scalemodel.answers.levels import counted
from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

HOLDING_OUT = ("each", "largest", "newest_architecture")
#: Share of the cards that counts as the largest.
LARGEST = 0.2
#: Fewest cards with results of which one can be held out.
FEWEST_CARDS = 4


def cards_to_hold_out(fit: "Fit", which: str) -> list[tuple[str, ...]]:
    """Return the cards of each split: held out in turn, or some of them at once.

    Args:
        fit: the fit of all cards.
        which: "each" card in turn; the "largest" fifth by shaders x clock at once, for
            predictions beyond the tested span; all cards of the "newest_architecture" at once.

    Raises:
        ScalemodelError: there is no such way, or no such cards, or too few would be left.
    """
    if which not in HOLDING_OUT:
        allowed = ", ".join(HOLDING_OUT)
        raise ScalemodelError(f'"{which}" is no way to hold cards out. Allowed: {allowed}.')
    cards = fit.bench.cards[fit.bench.cards["card"].isin(fit.labels.cards)]
    splits: list[tuple[str, ...]]
    if which == "each":
        splits = [(str(card),) for card in cards["card"]]
    elif which == "largest":
        count = math.ceil(LARGEST * len(cards))
        largest = cards.sort_values("shader_rate", ascending=False, kind="stable").head(count)
        splits = [tuple(largest["card"])]
    else:
        splits = [_newest(fit, cards)]
    left = len(cards) - len(splits[0])
    if left < FEWEST_CARDS - 1:
        raise ScalemodelError(
            f"{fit.bench.source}: {counted(left, 'card')} would be left to predict from. Needed: "
            f"at least {FEWEST_CARDS - 1} besides those held out. Add results of more cards."
        )
    return splits


def _newest(fit: "Fit", cards: pd.DataFrame) -> tuple[str, ...]:
    first = cards.groupby("architecture", sort=False)["release_year"].min()
    undated = [str(name) for name in first.index[first.isna()]]
    if undated:
        raise ScalemodelError(
            f"{fit.bench.source}: which architecture is the newest is not known: "
            f"{', '.join(undated)} without a release_date. Fix: fill it in in the table of cards."
        )
    newest = first.idxmax()
    return tuple(cards.loc[cards["architecture"] == newest, "card"])
