"""Which results can no longer stand beside the new ones, because something changed meanwhile."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.comparison import DIFFERENT, NO_TEST_ERROR, OPEN, TIED, judged
from scalemodel.answers.expected import Others
from scalemodel.answers.runs import Runs
from scalemodel.answers.same_cells import differences, settled
from scalemodel.answers.spread import SCENE
from scalemodel.data.repeats import index_by
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray
from scalemodel.model.equivalence import (
    ALPHA,
    Tested,
    chance_of_one_shift,
    mean_difference,
    tested,
)

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: What may change, and of what a value is usual: a game has its version, a card its driver.
USUAL_OF = {"game_version": ("platform", "game"), "driver": ("platform", "card")}
SAME_CELLS, MODEL = "same cells", "model"
STANDS = {TIED: "yes", DIFFERENT: "no", OPEN: "not known"}
NOT_AGAIN = "no cell was tested both before and after"
COLUMNS = (
    *SCENE,
    "was",
    "now",
    "basis",
    "cells",
    "shift",
    "lower",
    "upper",
    "p_common",
    "moved",
    "stands",
    "results",
    "cards",
    "reason",
)


@dataclass(frozen=True)
class Change:
    """Runs of a scene made before something changed.

    Attributes:
        scene: platform, game and preset.
        was, now: what they were made with, and what is usual now.
        before, after: (runs,) which runs of the scene those are.
    """

    scene: dict[str, object]
    was: str
    now: str
    before: BoolArray
    after: BoolArray

    def tested_again(self, runs: Runs) -> bool:
        """Say whether some cell was tested both before and after."""
        return bool(np.isin(runs.cell[self.before], runs.cell[self.after]).any())


def stale_rows(runs: Runs, margin: float, level: float, fit: "Fit | None") -> pd.DataFrame:
    """Return one row a scene and change: the shift, and what becomes of the results before it.

    The shift is that of cells tested both before and after. Where there are none, it is how far
    the results before it lie from what a fit without them expects, if there is a fit.
    """
    found = list(changes(runs))
    alone = [change.before for change in found if not change.tested_again(runs)]
    others, why = None, NOT_AGAIN
    if fit is not None and alone:
        try:
            others = Others.of(fit, runs.table[np.logical_or.reduce(alone)])
        except ScalemodelError:
            why = f"{NOT_AGAIN}, and too few others are left to fit"
    rows = [_row(runs, change, margin, level, others, why) for change in found]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def changes(runs: Runs) -> Iterator[Change]:
    """Find what changed: game versions and drivers, and dates where neither did."""
    table = runs.table.reset_index(drop=True)
    was, now = _states(table)
    old = was != ""
    keys = table[list(SCENE)].assign(was=was, now=now)
    scene = index_by(table, SCENE)
    for key, part in keys[old].groupby([*SCENE, "was", "now"], sort=False):
        before = np.zeros(len(table), dtype=bool)
        before[part.index] = True
        after = (scene == scene[part.index[0]]) & ~old
        names = dict(zip(SCENE, key[:3], strict=True))
        yield Change(names, str(key[3]), str(key[4]), before, after)
    yield from _dates(runs, table, old)


def _states(table: pd.DataFrame) -> "tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]":
    """Return (runs,) in words what differs from the usual of now, and the usual; "" if nothing."""
    was, now = (np.full(len(table), "", dtype=object) for _ in range(2))
    for column, of in USUAL_OF.items():
        usual = np.full(len(table), "", dtype=object)
        for _, part in table.groupby(list(of), sort=False):
            usual[part.index] = _usual(part, column)
        values = table[column].to_numpy(dtype=object)
        other = (values != "") & (values != usual)
        for text, words in ((was, values), (now, usual)):
            for i in np.flatnonzero(other):
                joint = ", " if text[i] else ""
                text[i] += f"{joint}{column.replace('_', ' ')} {words[i]}"
    return was, now


def _usual(part: pd.DataFrame, column: str) -> str:
    """Return the value of the latest date; without dates the commonest, the last if equal."""
    given = part[part[column] != ""]
    if given.empty:
        return ""
    latest = given["date"].max()
    if latest:
        given = given[given["date"] == latest]
    counts = given[column].value_counts(sort=False)
    return str(counts.index[counts == counts.max()][-1])


def _dates(runs: Runs, table: pd.DataFrame, old: BoolArray) -> Iterator[Change]:
    """Find cells tested on several dates with one version and driver: all but the last date."""
    kept = table[~old & (table["date"] != "").to_numpy()]
    last = kept.groupby(list(CELL_COLUMNS), sort=False)["date"].transform("max")
    earlier = kept[kept["date"] != last]
    for key, part in earlier.groupby(list(SCENE), sort=False):
        before, after = (np.zeros(len(table), dtype=bool) for _ in range(2))
        before[part.index] = True
        cells = np.isin(runs.cell, runs.cell[before])
        after[kept.index[(kept["date"] == last).to_numpy()]] = True
        dates = sorted(set(part["date"]))
        first = dates[0] if len(dates) == 1 else f"{dates[0]} to {dates[-1]}"
        newest = str(table.loc[cells & after, "date"].max())
        yield Change(
            dict(zip(SCENE, key, strict=True)), f"date {first}", newest, before, after & cells
        )


def _row(
    runs: Runs, change: Change, margin: float, level: float, others: Others | None, why: str
) -> dict[str, object]:
    only_before = change.before & ~np.isin(runs.cell, runs.cell[change.after])
    cards = sorted(set(runs.table.loc[only_before, "card"]))
    fixed: dict[str, object] = {
        **change.scene,
        "was": change.was,
        "now": change.now,
        "results": len(np.unique(runs.cell[only_before])),
        "cards": ", ".join(cards),
    }
    if change.tested_again(runs):
        after, before = (settled(runs, keep, runs.cell) for keep in (change.after, change.before))
        return {**fixed, **_measured(runs, differences(after, before), margin, level)}
    expected = others.expected(runs.table[change.before]) if others else None
    if expected is None:
        reason = f"{NOT_AGAIN}, and no other results compare" if others else why
        return {**fixed, **_shown("", 0, None, level), "reason": reason}
    found = tested(expected.shift, expected.se, np.inf, float(np.log1p(margin)))
    return {**fixed, **_shown(MODEL, expected.cells, found, level), "reason": NOT_AGAIN}


def _measured(runs: Runs, pairs: pd.DataFrame, margin: float, level: float) -> dict[str, object]:
    values, ses = (pairs[name].to_numpy(dtype=float) for name in ("difference", "se"))
    known = not np.isnan(ses).any()
    if len(pairs) == 1 and not known:
        shift = float(np.expm1(values[0]))
        return _shown(SAME_CELLS, 1, None, level) | {"shift": shift, "reason": NO_TEST_ERROR}
    mean, se, dof = mean_difference(values, np.nan_to_num(ses))
    if len(pairs) == 1:
        dof = float(pairs["dof"].iloc[0])
    common = chance_of_one_shift(values, ses) if known and len(pairs) > 1 else np.nan
    limit = float(np.log1p(margin))
    out = _shown(SAME_CELLS, len(pairs), tested(mean, se, dof, limit), level)
    out |= {"p_common": common, "moved": "all alike" if common >= ALPHA else ""}
    if common < ALPHA:
        cards = pairs["unit"].map(dict(zip(runs.cell, runs.table["card"], strict=True)))
        out["moved"] = _which_moved(pairs, cards, limit)
        others = tested(mean, float(np.hypot(se, _between(pairs, cards))), dof, limit)
        out["stands"] = STANDS[str(judged(others, level)["verdict"])]
    return out


def _which_moved(pairs: pd.DataFrame, cards: "pd.Series[Any]", limit: float) -> str:
    """Name the cards whose own cells shifted, by test error."""
    moved = []
    for card, part in pairs.groupby(cards, sort=False):
        se = float(np.sqrt((part["se"] ** 2).sum())) / len(part)
        found = tested(float(part["difference"].mean()), se, float(part["dof"].min()), limit)
        if found.p_different < ALPHA / cards.nunique():
            moved.append(str(card))
    names = ", ".join(moved) or "none surely by itself"
    return f"{len(moved)} of {cards.nunique()} cards: {names}"


def _between(pairs: pd.DataFrame, cards: "pd.Series[Any]") -> float:
    """Return the sd of what cards shift by, beyond test error."""
    groups = pairs.assign(square=pairs["se"] ** 2).groupby(cards, sort=False)
    own = groups["square"].sum() / groups.size() ** 2
    if len(own) == 1:
        return 0.0
    beyond = float(groups["difference"].mean().var(ddof=1)) - float(own.mean())
    return float(np.sqrt(max(beyond, 0.0)))


def _shown(basis: str, cells: int, found: Tested | None, level: float) -> dict[str, object]:
    """Return the columns of a shift."""
    out: dict[str, object] = {**dict.fromkeys(("shift", "lower", "upper", "p_common"), np.nan)}
    out |= {"basis": basis, "cells": cells, "moved": "", "stands": STANDS[OPEN], "reason": ""}
    if found is not None:
        numbers = judged(found, level)
        out |= {"shift": numbers["lead"], "lower": numbers["lower"], "upper": numbers["upper"]}
        out["stands"] = STANDS[str(numbers["verdict"])]
    return out
