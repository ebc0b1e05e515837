"""Which cards change places from one chart to another, why, and which only seem to?"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.changes import Moved, moved_cards
from scalemodel.answers.explain import CHANGE, ordered_parts, part_rows
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.moves import find_moves
from scalemodel.answers.repeats import note_on_repeats
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.ranks import order_shift

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Joint draws used: the probability of a flip needs no more.
DRAWS = 256
FLIPS, TEST_ERROR = "flips", "within test error"
COLUMNS = (
    "a",
    "b",
    *CHART_COLUMNS,
    "changed",
    "to",
    "metric",
    "level",
    "lead_from",
    "lead_to",
    "p_flip",
    "verdict",
    "cause",
    "points",
    "cause_points",
    "cause_lower",
    "cause_upper",
    "weighs",
)


@dataclass(frozen=True)
class Order:
    """Pairs of cards that change places.

    Attributes:
        table: one row a pair of cards and charts whose measured order differs: `a` is ahead at
            the start, `b` at the end. `p_flip` is the probability that careful measurements of
            both would show the same; `verdict` says whether it is above the level. `cause` is
            the part of the change that pushes furthest, `cause_points` how far, with its range,
            of all `points` of the change.
        scenes: one row a pair of charts: cards on both, pairs, flips, within_test_error, tau
            (Kendall's, 1 = the same order), positions_moved (summed over the cards), reason.
        start, end: what was gone from and to.
        level: probability from which a flip counts, and level of the ranges.
        note: what the test error rests on where the bench has no repeated runs, else "".
    """

    table: pd.DataFrame
    scenes: pd.DataFrame
    start: str
    end: str
    level: float
    note: str = ""

    def __str__(self) -> str:
        pairs = int(self.scenes["pairs"].sum())
        flips = self.table[self.table["verdict"] == FLIPS]
        unsure = len(self.table) - len(flips)
        words = (
            f"From {self.start} to {self.end} {len(flips)} of {counted(pairs, 'pair')} of cards "
        )
        words += f"{'changes' if len(flips) == 1 else 'change'} places"
        if len(flips):
            causes = flips["cause"].value_counts()
            named = ", ".join(f"{cause} {count}" for cause, count in causes.items())
            words += f"; main causes: {named}"
        words += "."
        if unsure:
            verb = "seems to, which is" if unsure == 1 else "seem to, which is"
            words += f" {unsure} more {verb} within test error."
        return f"{words} {self.note}" if self.note else words


def order(
    fit: "Fit", start: str | None, end: str | None, scenes: Sequence[str], level: float
) -> Order:
    """Find every pair of cards that changes places between two charts, and the main cause.

    Raises:
        ScalemodelError: a name is unknown, no chart can be compared, or the level is not in (0, 1).
    """
    check_level(level)
    moves = find_moves(fit.labels, start, end, scenes)
    every = len(fit.model.draws.theta)
    chosen = np.arange(0, every, max(every // DRAWS, 1))
    cards = np.arange(len(fit.labels.cards))
    rows, summaries = [], []
    for k in range(len(moves)):
        moved = moved_cards(fit, moves, k, cards, chosen)
        rng = np.random.default_rng([fit.seed, k, 1])
        truth = moved.true_log_rate(fit.model.scales.noise, rng)
        found = _flips(moved, truth, level)
        summaries.append(_scene(moved, found))
        rows += found
    if all(row["reason"] for row in summaries):
        raise ScalemodelError(
            f"No two cards both have results at {moves.start} and at {moves.end}. "
            f"Name two {moves.changed}s at which cards were tested."
        )
    about: dict[str, Any] = {
        "changed": moves.changed,
        "to": moves.end,
        "metric": fit.metric,
        "level": level,
    }
    return Order(
        table=pd.DataFrame(rows, columns=[c for c in COLUMNS if c not in about]).assign(**about)[
            list(COLUMNS)
        ],
        scenes=pd.DataFrame(summaries),
        start=moves.start,
        end=moves.end,
        level=level,
        note=note_on_repeats(fit),
    )


def _flips(moved: Moved, truth: FloatArray, level: float) -> list[dict[str, object]]:
    """Return the pairs of cards in opposite order on the two charts, the largest changes first."""
    tested = np.flatnonzero(np.isfinite(moved.measured).all(axis=0))
    rows = []
    for a, b in permutations(tested.tolist(), 2):
        first, last = moved.leads(a, b)
        if first > 0 > last:
            p = float(
                np.mean((truth[0, :, a] > truth[0, :, b]) & (truth[1, :, a] < truth[1, :, b]))
            )
            rows.append(_flip(moved, a, b, p, level))
    return sorted(rows, key=lambda row: float(str(row["points"])))


def _flip(moved: Moved, a: int, b: int, p_flip: float, level: float) -> dict[str, object]:
    parts = pd.DataFrame(part_rows({}, moved.change(a, b), moved.weighs(), level))
    whole, cause = parts[parts["part"] == CHANGE].iloc[0], ordered_parts(parts).iloc[0]
    return {
        "a": moved.cards[a],
        "b": moved.cards[b],
        **moved.chart,
        "lead_from": whole["lead_from"],
        "lead_to": whole["lead_to"],
        "p_flip": p_flip,
        "verdict": FLIPS if p_flip >= level else TEST_ERROR,
        "cause": cause["part"],
        "points": whole["points"],
        "cause_points": cause["points"],
        "cause_lower": cause["lower"],
        "cause_upper": cause["upper"],
        "weighs": cause["weighs"],
    }


def _scene(moved: Moved, found: list[dict[str, object]]) -> dict[str, object]:
    both = np.isfinite(moved.measured).all(axis=0)
    cards = int(both.sum())
    sure = sum(row["verdict"] == FLIPS for row in found)
    row: dict[str, object] = {
        **moved.chart,
        "cards": cards,
        "pairs": cards * (cards - 1) // 2,
        "flips": sure,
        "within_test_error": len(found) - sure,
        "tau": np.nan,
        "positions_moved": np.nan,
        "reason": "" if cards > 1 else "fewer than two cards with results on both charts",
    }
    if cards > 1:
        shift = order_shift(*moved.measured[:, both])
        row |= {"tau": shift.tau, "positions_moved": shift.moved}
    return row
