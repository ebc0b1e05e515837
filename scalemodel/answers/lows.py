"""Are a card's lows where its average says they should be?"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student

from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.lows_reasons import memory_hint
from scalemodel.answers.lows_relation import fit_relation, low_cells, low_runs
from scalemodel.answers.margins import check_margin, share
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.lines import FEWEST_CARDS, Lines
from scalemodel.model.out_of_step import cells_apart, pairs_apart

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

LOWS = ("low_1pct", "low_01pct")
KINDS = 3
"""What may be out of step: a card, a card in a scene, or a single cell."""

MARGIN = 0.05
"""Smallest departure that matters."""

FEW_CELLS = 6
CELL_TABLE = (
    *CELL_COLUMNS,
    "metric",
    "average_fps",
    "low_fps",
    "low_lower_fps",
    "low_upper_fps",
    "sensitivity",
    "expected_fps",
    "expected_lower_fps",
    "expected_upper_fps",
    "apart",
    "p",
    "out_of_step",
    "reason",
)
PLACE_TABLE = (
    "platform",
    "card",
    "game",
    "preset",
    "cells",
    "apart",
    "apart_lower",
    "apart_upper",
    "p",
    "out_of_step",
    "hint",
)
CARD_TABLE = (
    "platform",
    "card",
    "cells",
    "apart",
    "apart_lower",
    "apart_upper",
    "p",
    "out_of_step",
    "scenes_out",
    "reason",
)
SCENE_TABLE = (
    "platform",
    "game",
    "preset",
    "cells",
    "low_share",
    "low_share_at_ceiling",
    "per_doubling",
    "scatter",
    "test_error",
    "reason",
)


@dataclass(frozen=True)
class Lows:
    """Lows beside averages. `apart` is a ratio less 1: -0.2 is a fifth below what is expected.

    Attributes:
        table: one row a cell: average, low with the range of its test error, what the relation of
            its scene expects of it, and whether it is out of step.
        places: one row a card and scene, the surest first: its cells together.
        cards: one row a card: all its scenes together.
        scenes: one row a scene: the relation itself.
        metric: "low_1pct" or "low_01pct".
        margin: smallest departure that matters.
        level: level of the ranges.
        tail: degrees of freedom of the test error of a cell's low, from repeats; NaN without.
    """

    table: pd.DataFrame
    places: pd.DataFrame
    cards: pd.DataFrame
    scenes: pd.DataFrame
    metric: str
    margin: float
    level: float
    tail: float

    def __str__(self) -> str:
        words = []
        for platform, scenes in self.scenes.groupby("platform", sort=False):
            here = (part[part["platform"] == platform] for part in (self.table, self.places))
            table, places = here
            judged = table[table["p"].notna()]
            if judged.empty:
                words.append(f"On {platform} lows cannot be judged: {scenes['reason'].iloc[0]}.")
                continue
            out = places[places["out_of_step"]]
            low = LOW_WORDS[self.metric]
            single = self.alone(table, out)
            if out.empty and not single:
                words.append(
                    f"On {platform} the {low} of all {counted(len(judged), 'cell')} is where the "
                    f"average says, within {share(self.margin)} or test error."
                )
                continue
            words += [self._place(platform, row, low) for row in out.to_dict(orient="records")]
            if single:
                verb = "is" if single == 1 else "are"
                words.append(f"{counted(single, 'single cell')} on {platform} {verb} out of step.")
        return " ".join(words)

    @staticmethod
    def alone(table: pd.DataFrame, out: pd.DataFrame) -> int:
        """Count the cells out of step whose card and scene is not."""
        keys = ["card", "game", "preset"]
        cells = table[table["out_of_step"]].merge(out[keys], on=keys, how="left", indicator=True)
        return int((cells["_merge"] == "left_only").sum())

    @staticmethod
    def _place(platform: Any, row: Any, low: str) -> str:
        way = "below" if row["apart"] < 0 else "above"
        words = (
            f"On {platform} the {low} of {row['card']} in {row['game']} | {row['preset']} is "
            f"{abs(row['apart']):.0%} {way} what its average says"
        )
        return f"{words} ({row['hint']})." if row["hint"] else f"{words}."


LOW_WORDS = {"low_1pct": "1% low", "low_01pct": "0.1% low"}


def lows(fit: "Fit", metric: str = "low_1pct", margin: float = MARGIN, level: float = 0.8) -> Lows:
    """Hold the lows of each card against what its averages say.

    Raises:
        ScalemodelError: the fit is not of averages, no run has the low, or the metric, margin or
            level is not possible.
    """
    check_level(level)
    check_margin(margin)
    if metric not in LOWS:
        raise ScalemodelError(f'"{metric}" is not a low. Allowed: {", ".join(LOWS)}.')
    if fit.metric != "average":
        raise ScalemodelError("Lows are held against averages: fit the metric average.")
    runs = low_runs(fit, metric)
    tail = runs.tail()
    every = low_cells(fit, runs)
    families = KINDS * every.table["platform"].nunique()
    tables: list[tuple[pd.DataFrame, ...]] = []
    for platform, part in every.table.groupby("platform", sort=False):
        index = part.index[part["reason"] == ""].to_numpy()
        usable = every.table.loc[index].reset_index(drop=True)
        why = _why_no_line(usable)
        if why:
            rest = part.assign(reason=part["reason"].where(part["reason"] != "", why))
            tables.append(_none(rest, str(platform), why))
            continue
        found = fit_relation(every.take(index), tail, families)
        tables.append(
            (
                pd.concat([_judged(usable, found, level, margin), part[part["reason"] != ""]]),
                _places(fit, usable, found, level, margin),
                _cards(usable, found, level, margin),
                _scenes(usable, found),
            )
        )
    parts = [pd.concat([one[i] for one in tables], ignore_index=True) for i in range(4)]
    table = _cell_table(parts[0], metric, level)
    cards = _with_scenes_out(parts[2], parts[1])
    places = parts[1].sort_values("p", kind="stable", ignore_index=True)
    scenes = parts[3].reindex(columns=list(SCENE_TABLE))
    return Lows(table, places, cards, scenes, metric, margin, level, tail)


def _why_no_line(usable: pd.DataFrame) -> str:
    """Say why cells with the low show nothing of where it should be, or nothing where they do."""
    if usable["card"].nunique() < FEWEST_CARDS or len(usable) < FEW_CELLS:
        return f"fewer than {FEWEST_CARDS} cards or {FEW_CELLS} cells have it"
    rates = usable.groupby(["game", "preset"])["rate"]
    if (rates.max() == rates.min()).all():
        return "all rates of a scene are the same"
    return ""


def _judged(cells: pd.DataFrame, lines: Lines, level: float, margin: float) -> pd.DataFrame:
    found = cells_apart(lines)
    usual = float(lines.fit.sds[-1])
    sd = np.sqrt(lines.data.known + lines.scatter**2 + lines.line_sd**2 + usual**2)
    reach = float(norm.ppf((1 + level) / 2)) * sd
    return cells.assign(
        expected=lines.line,
        reach=reach,
        apart=np.expm1(lines.data.y - lines.line),
        p=found.p,
        out_of_step=found.out(float(np.log1p(margin))),
    )


def _places(
    fit: "Fit", cells: pd.DataFrame, lines: Lines, level: float, margin: float
) -> pd.DataFrame:
    pair, found = pairs_apart(lines)
    first = np.unique(pair, return_index=True)[1]
    reach = float(norm.ppf((1 + level) / 2)) * found.sd
    table = cells.iloc[first][["platform", "card", "game", "preset"]].reset_index(drop=True)
    table = table.assign(
        cells=np.bincount(pair),
        **_ratio(found.apart, reach),
        p=found.p,
        out_of_step=found.out(float(np.log1p(margin))),
    )
    memory = fit.bench.cards.set_index("card")["memory_gb"]
    return table.assign(hint=memory_hint(table, memory))[list(PLACE_TABLE)]


def _ratio(apart: FloatArray, reach: FloatArray) -> dict[str, FloatArray]:
    return {
        "apart": np.expm1(apart),
        "apart_lower": np.expm1(apart - reach),
        "apart_upper": np.expm1(apart + reach),
    }


def _cards(cells: pd.DataFrame, lines: Lines, level: float, margin: float) -> pd.DataFrame:
    found, data = lines.cards, lines.data
    own = np.sqrt(np.maximum(found.sd**2 - float(lines.fit.sds[-1]) ** 2, 0.0))
    reach = float(student.ppf((1 + level) / 2, data.cards - 1)) * own
    first = np.unique(data.card, return_index=True)[1]
    return cells.iloc[first][["platform", "card"]].assign(
        cells=np.bincount(data.card),
        **_ratio(found.apart, reach),
        p=found.p,
        out_of_step=found.out(float(np.log1p(margin))),
        reason="",
    )


def _scenes(cells: pd.DataFrame, lines: Lines) -> pd.DataFrame:
    data, fit = lines.data, lines.fit
    one = 1 + data.columns.shape[1]
    parts = np.tile(fit.coefficients[:one], (data.scenes, 1))
    if data.scenes > 1:
        own = fit.coefficients[one : one + one * data.scenes].reshape(one, data.scenes)
        parts = parts + own.T
    first = np.unique(data.scene, return_index=True)[1]
    count = np.bincount(data.scene)
    return cells.iloc[first][["platform", "game", "preset"]].assign(
        cells=count,
        low_share=np.exp(parts[:, 0]),
        low_share_at_ceiling=np.exp(parts[:, 0] + parts[:, 2:].sum(axis=1)),
        per_doubling=np.expm1(np.log(2) * parts[:, 1]),
        scatter=np.sqrt(np.bincount(data.scene, lines.scatter**2) / count),
        test_error=np.sqrt(np.bincount(data.scene, cells["se"] ** 2) / count),
        reason="",
    )


def _none(cells: pd.DataFrame, platform: str, why: str) -> tuple[pd.DataFrame, ...]:
    """Return the tables of a platform on which lows cannot be judged."""
    scenes = cells.groupby(["platform", "game", "preset"], sort=False).size()
    cards = cells.groupby(["platform", "card"], sort=False).size()
    return (
        cells.assign(out_of_step=False),
        pd.DataFrame(columns=list(PLACE_TABLE)),
        cards.rename("cells").reset_index().assign(out_of_step=False, reason=why),
        scenes.rename("cells").reset_index().assign(platform=platform, reason=why),
    )


def _cell_table(cells: pd.DataFrame, metric: str, level: float) -> pd.DataFrame:
    reach = float(norm.ppf((1 + level) / 2)) * cells["se"]
    expected = cells.get("expected", pd.Series(np.nan, index=cells.index))
    about = cells.get("reach", pd.Series(np.nan, index=cells.index))
    rate, low = cells["rate"], cells["rate"] * np.exp(cells["ratio"])
    table = cells.assign(
        metric=metric,
        average_fps=rate,
        low_fps=low,
        low_lower_fps=low * np.exp(-reach),
        low_upper_fps=low * np.exp(reach),
        expected_fps=rate * np.exp(expected),
        expected_lower_fps=rate * np.exp(expected - about),
        expected_upper_fps=rate * np.exp(expected + about),
        out_of_step=cells["out_of_step"].fillna(False).astype(bool),
    )
    return table.reindex(columns=list(CELL_TABLE))


def _with_scenes_out(cards: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    out = places[places["out_of_step"].astype(bool)]
    names = (out["game"] + " | " + out["preset"]).groupby([out["platform"], out["card"]])
    joined = names.agg("; ".join).to_dict() if len(out) else {}
    keys = zip(cards["platform"], cards["card"], strict=True)
    cards = cards.assign(scenes_out=[joined.get(key, "") for key in keys])
    return cards.reindex(columns=list(CARD_TABLE)).reset_index(drop=True)
