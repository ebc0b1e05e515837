"""Who leads whom: every pair of tested cards at once, and the place of every card."""

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.groups import NATIVE, UPSCALED
from scalemodel.answers.lead import ALL, FEWEST_FOR_ODD, commonest, summed_up, why_left_out
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.places import place_table
from scalemodel.answers.repeats import note_on_repeats, reach_of_lead
from scalemodel.answers.usable import Usable, usable
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.summaries import odd_ones_out, p_positive

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

COLUMNS = (
    "a",
    "b",
    "platform",
    "resolution",
    "lead",
    "lower",
    "upper",
    "typical_lower",
    "typical_upper",
    "charts",
    "ties",
    "odd",
    "p_ahead",
    "reason",
    "upscaling",
)
NUMBERS = ("lead", "lower", "upper", "typical_lower", "typical_upper", "p_ahead")


@dataclass(frozen=True)
class Standings:
    """Every tested card against every other, and the place of each.

    Attributes:
        table: one row a pair of cards tested on a platform, platform and resolution, and one over
            all resolutions of the platform; `a` is the faster one overall. The numbers are those of
            `lead`: of measured rates, over the charts on which both have a result and neither sits
            at the ceiling or fell for lack of memory. Where two cards have native and upscaled
            charts that compare them, the native ones count, else the upscaled ones: `upscaling`
            says which. A chart on which only one of the two was upscaled never does. `charts`
            counts them, `ties` those within test error, `odd` the odd ones out. `p_ahead` is the
            probability that `a` is ahead on average if other scenes like these were tested, from
            the distribution that gives lower and upper. Without such a chart the row has its reason
            only.
        places: one row a card, platform and resolution: its place among all cards with a result
            there, and what it rests on; see `places.place_table`.
        level: of the ranges, and probability from which an order counts as known.
        note: what the test error rests on where the bench has no repeated runs, else "".
    """

    table: pd.DataFrame
    places: pd.DataFrame
    level: float
    note: str = ""

    def __str__(self) -> str:
        words = [
            self._words(str(platform), here)
            for platform, here in self.places.groupby("platform", sort=False)
        ]
        return " ".join([*words, self.note] if self.note else words)

    def _words(self, platform: str, places: pd.DataFrame) -> str:
        placed = places[places["place"].notna()]
        if placed.empty:
            return f"On {platform} no chart compares cards."
        resolution = placed["resolution"].iloc[-1]
        here = placed[placed["resolution"] == resolution]
        first = here.sort_values("place").iloc[0]
        count = counted(len(here), "card")
        words = f"On {platform} at {resolution} {first['card']} is the fastest of {count}"
        words += f" over {counted(int(first['charts']), 'chart')}"
        if 2 * first["measured"] < first["charts"]:
            words += ", mostly by the model"
        steps = len(here) - 1
        if steps < 1:
            return f"{words}."
        unsure = int((here["p_ahead_of_next"] < self.level).sum())
        return f"{words}; of {counted(steps, 'step')} in the order {unsure} " + (
            "is not certain." if unsure == 1 else "are not certain."
        )


def standings(fit: "Fit", level: float) -> Standings:
    """Compare all tested cards with one another.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    check_level(level)
    grid = usable(fit)
    pairs = [row for platform in fit.labels.platforms for row in _pairs(grid, platform, level)]
    table = pd.DataFrame(pairs, columns=list(COLUMNS))
    return Standings(table, place_table(fit, grid, level), level, note_on_repeats(fit))


def _pairs(grid: Usable, platform: str, level: float) -> list[dict[str, object]]:
    """Return the rows of one platform, a resolution at a time, the strongest cards first."""
    parts = {one: grid.on(platform, one) for one in grid.resolutions(platform)}
    parts[ALL] = grid.on(platform)
    tested = np.isfinite(grid.log_rate[:, parts[ALL]]).any(axis=1)
    found = [
        _Pair.of(grid, i, j, parts[ALL], level)
        for i, j in combinations(np.flatnonzero(tested).tolist(), 2)
    ]
    wins = np.zeros(len(grid.cards))
    for pair in found:
        wins[pair.ahead] += 1
    order = np.argsort(np.argsort(-wins, kind="stable"), kind="stable")
    found.sort(key=lambda pair: (order[pair.ahead], order[pair.behind]))
    rows = [
        (resolution, pair.row(grid, charts, level))
        for resolution, charts in parts.items()
        for pair in found
    ]
    return [
        {**row, "platform": platform, "resolution": resolution} for resolution, row in rows if row
    ]


@dataclass(frozen=True)
class _Pair:
    """Two cards; arrays are (charts,) over all charts of the bench.

    Attributes:
        ahead, behind: indices of the cards, the faster one overall first.
        log_lead: of the one ahead.
        reach: how far that reaches by test error.
        alike: charts on which the runs of both are native, or those of both upscaled.
        upscaled: charts on which either was upscaled.
        used: charts that compare both, of either kind.
        odd: charts on which the lead is an odd one out.
    """

    ahead: int
    behind: int
    log_lead: FloatArray
    reach: FloatArray
    alike: BoolArray
    upscaled: BoolArray
    used: BoolArray
    odd: BoolArray

    @staticmethod
    def of(grid: Usable, i: int, j: int, charts: IntArray, level: float) -> "_Pair":
        log_lead = grid.log_rate[i] - grid.log_rate[j]
        used = np.zeros_like(grid.bound[i])
        used[charts] = (grid.compares[i] & grid.compares[j])[charts]
        upscaled = grid.upscaled[i] | grid.upscaled[j]
        alike = ~(upscaled & (grid.native[i] | grid.native[j]))
        used &= alike
        counts = _native_first(used, upscaled)
        if counts.any() and log_lead[counts].mean() < 0:
            i, j, log_lead = j, i, -log_lead
        odd = np.zeros_like(used)
        for kind in (used & upscaled, used & ~upscaled):
            if kind.sum() >= FEWEST_FOR_ODD:
                odd[kind] = odd_ones_out(log_lead[kind])
        reach = reach_of_lead(grid.error[i], grid.error[j], level)
        return _Pair(i, j, log_lead, reach, alike, upscaled, used, odd)

    def row(self, grid: Usable, charts: IntArray, level: float) -> dict[str, object] | None:
        """Sum up over some charts; nothing where neither card was tested on any of them."""
        either = np.isfinite(grid.log_rate[[self.ahead, self.behind]][:, charts]).any(axis=0)
        if not either.any():
            return None
        used = charts[_native_first(self.used[charts], self.upscaled[charts])]
        leads, reach = self.log_lead[used], self.reach[used]
        row: dict[str, object] = {
            **dict.fromkeys(NUMBERS, np.nan),
            "a": grid.cards[self.ahead],
            "b": grid.cards[self.behind],
            "charts": len(used),
            "ties": int((np.abs(leads) <= reach).sum()),
            "odd": int(self.odd[used].sum()),
            "reason": "" if len(used) else self._why_none(grid, charts[either]),
            "upscaling": "",
        }
        if not len(used):
            return row
        error = float(np.hypot(*grid.error[[self.ahead, self.behind], used[0]]))
        games = grid.games[used]
        summary = summed_up(leads, games, reach[0], level)
        kind = UPSCALED if self.upscaled[used[0]] else NATIVE
        return row | summary | {"p_ahead": p_positive(leads, games, error), "upscaling": kind}

    def _why_none(self, grid: Usable, charts: IntArray) -> str:
        """Return the commonest reason for which a chart is left out, as `lead` words it."""
        several = self.used[self.upscaled].any() and self.used[~self.upscaled].any()
        native = charts[~self.upscaled[charts]]
        charts = native if several and len(native) else charts
        both = [self.ahead, self.behind]
        parts = (np.isfinite(grid.log_rate), grid.fell, grid.bound)
        cards = [grid.cards[card] for card in both]
        return commonest(
            [
                why_left_out(
                    cards,
                    *(part[both, chart].tolist() for part in parts),
                    alike=bool(self.alike[chart]),
                )
                for chart in charts
            ]
        )


def _native_first(used: BoolArray, upscaled: BoolArray) -> BoolArray:
    """Return of the charts used the native ones, or the upscaled ones if there are no others."""
    native: BoolArray = used & ~upscaled
    return native if native.any() else used
