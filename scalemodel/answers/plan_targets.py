"""What a plan is to narrow: the place of a card, a lead, a ceiling, or everything."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.stats import norm

from scalemodel.answers.levels import counted
from scalemodel.answers.plan_grid import Grid
from scalemodel.data.problems import near_names
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray

#: Sensitivity under which the ceiling is the slower side, and far from which a cell tells nothing
#: of the other side.
HALF, LITTLE = 0.5, 0.2


@dataclass(frozen=True)
class Asked:
    """What the user asked for; nothing means everything.

    Attributes:
        specs: sheets of the cards whose place is wanted.
        lead: two cards.
        ceiling: game and preset of a scene.
    """

    specs: pd.DataFrame | None = None
    lead: tuple[str, str] | None = None
    ceiling: tuple[str, str] | None = None

    def __post_init__(self) -> None:
        if sum(part is not None for part in (self.specs, self.lead, self.ceiling)) > 1:
            raise ScalemodelError(
                "A plan has one question: specs, lead or ceiling, or none of them for everything. "
                "Leave all but one out."
            )
        if self.lead is not None and self.lead[0] == self.lead[1]:
            raise ScalemodelError(f'A and B are both "{self.lead[0]}". Name two different cards.')


@dataclass(frozen=True)
class Targets:
    """Targets as combinations of the rows of a grid.

    Attributes:
        names: what the user asked for, one or several.
        reasons: why each cannot be told, or "".
        counts: what each is made of, such as "40 charts".
        matrix: (quantities, rows) weights; a name may have many quantities or one.
        of: (quantities,) index of the name.
        cards: the cards in question; empty for a ceiling.
    """

    names: tuple[str, ...]
    reasons: tuple[str, ...]
    counts: tuple[str, ...]
    matrix: csr_array
    of: IntArray
    cards: tuple[str, ...]

    def ranges(self, variances: FloatArray, level: float) -> FloatArray:
        """Return (names,) mean widths of ranges: the upper end over the lower one, minus 1."""
        reach = float(norm.ppf((1 + level) / 2))
        wide = np.expm1(2 * reach * np.sqrt(variances))
        count = np.bincount(self.of, minlength=len(self.names))
        total = np.bincount(self.of, wide, len(self.names))
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def make_targets(grid: Grid, asked: Asked) -> Targets:
    """Turn the question into targets.

    Raises:
        ScalemodelError: it names a card or a scene that is not there.
    """
    if asked.lead is not None:
        return _lead(grid, *asked.lead)
    if asked.ceiling is not None:
        return _ceiling(grid, *asked.ceiling)
    if asked.specs is not None:
        return _places(grid, tuple(asked.specs["card"]))
    return _everything(grid)


@dataclass(frozen=True)
class _Found:
    """One target: its name, why it cannot be told (or ""), what it is made of, its weights."""

    name: str
    reason: str
    count: str
    weights: FloatArray | None


def _targets(grid: Grid, found: list[_Found], cards: tuple[str, ...]) -> Targets:
    of = [k for k, one in enumerate(found) if one.weights is not None]
    rows = [one.weights for one in found if one.weights is not None]
    return Targets(
        names=tuple(one.name for one in found),
        reasons=tuple(one.reason for one in found),
        counts=tuple(one.count for one in found),
        matrix=csr_array(np.vstack(rows)) if rows else csr_array((0, len(grid.cells))),
        of=np.array(of, dtype=np.intp),
        cards=cards,
    )


def _used(grid: Grid, card: str) -> BoolArray:
    """Return (rows,) the cells of a card that are below the ceiling and can be used."""
    cells = grid.cells
    used = (cells["card"] == card) & (cells["reason"] == "") & (cells["sensitivity"] >= HALF)
    return used.to_numpy(dtype=bool)


def _why_none(grid: Grid, card: str) -> str:
    reasons = grid.cells.loc[grid.cells["card"] == card, "reason"]
    left = reasons[reasons != ""]
    if len(left) == len(reasons):
        return str(left.iloc[0])
    return f"{card} would sit at the ceiling on every chart that is left to it"


def _places(grid: Grid, cards: tuple[str, ...]) -> Targets:
    found = []
    for card in cards:
        used = _used(grid, card)
        count = int(used.sum())
        words, charts = f"mean rate of {card}", counted(count, "chart")
        if count:
            words += f" over {charts} below the ceiling"
            found.append(_Found(words, "", charts, used / count))
        else:
            found.append(_Found(words, _why_none(grid, card), charts, None))
    return _targets(grid, found, cards)


def _lead(grid: Grid, a: str, b: str) -> Targets:
    for card in (a, b):
        grid.check_card(card)
    cells = grid.cells[["platform", "game", "preset", "resolution"]].agg("\t".join, axis=1)
    used = [_used(grid, card) for card in (a, b)]
    both = set(cells[used[0]]) & set(cells[used[1]])
    common = cells.isin(both).to_numpy()
    words, charts = f"mean lead of {a} over {b}", counted(len(both), "chart")
    if both:
        words += f" over {charts} below the ceiling"
        weights = ((used[0] & common) * 1.0 - (used[1] & common)) / len(both)
        return _targets(grid, [_Found(words, "", charts, weights)], (a, b))
    alone = next((card for card, own in zip((a, b), used, strict=True) if not own.any()), None)
    reason = _why_none(grid, alone) if alone else "no chart is below the ceiling for both"
    return _targets(grid, [_Found(words, reason, charts, None)], (a, b))


def _ceiling(grid: Grid, game: str, preset: str) -> Targets:
    rows = grid.cells[grid.cells["card"] == ""]
    scenes = rows[["game", "preset"]].drop_duplicates().agg(" | ".join, axis=1)
    here = rows[(rows["game"] == game) & (rows["preset"] == preset)]
    if here.empty:
        near = near_names(f"{game} | {preset}", sorted(scenes))
        raise ScalemodelError(
            f'No scene is named "{game} | {preset}". Allowed: a game and one of its presets, such '
            f"as {near}."
        )
    found = []
    for at, platform in zip(here.index, here["platform"], strict=True):
        weights = np.zeros(len(grid.cells))
        weights[at] = 1.0
        words = f"ceiling of {game} | {preset} on {platform}"
        found.append(_Found(words, "", "1 ceiling", weights))
    return _targets(grid, found, ())


def _everything(grid: Grid) -> Targets:
    use = np.flatnonzero((grid.cells["card"] != "") & (grid.cells["reason"] == ""))
    cards = tuple(dict.fromkeys(grid.cells["card"].iloc[use]))
    name = f"rate of each of {counted(len(cards), 'card')} on each chart"
    shape = (len(use), len(grid.cells))
    matrix = csr_array((np.ones(len(use)), (np.arange(len(use)), use)), shape=shape)
    of = np.zeros(len(use), dtype=np.intp)
    return Targets((name,), ("",), (counted(len(use), "cell"),), matrix, of, cards)
