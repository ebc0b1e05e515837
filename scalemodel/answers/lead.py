"""How far is one card ahead of another: typical lead, spread, odd ones out."""

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.groups import (
    NATIVE,
    TOGETHER,
    UPSCALED,
    UPSCALED_ONE,
    upscaled_charts,
)
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.repeats import note_on_repeats, reach_of_lead, standard_errors
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.arrays import FloatArray
from scalemodel.model.summaries import (
    geometric_mean_ratio,
    mean_range,
    odd_ones_out,
    shortest_half,
)

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

ALL = "(all)"
#: Fewest charts among which one can be odd.
FEWEST_FOR_ODD = 4
COLUMNS = (
    "a",
    "b",
    *CHART_COLUMNS,
    "lead",
    "lower",
    "upper",
    "within_test_error",
    "used",
    "reason",
    "row_kind",
    "odd_one_out",
    "typical_lower",
    "typical_upper",
    "charts_used",
    "upscaling",
)


@dataclass(frozen=True)
class Lead:
    """Leads of card `a` over card `b`.

    Attributes:
        table: one row a chart that either card was tested on, then summary rows (row_kind
            "summary"): one a platform and resolution, and one a platform over all resolutions.
            Where native and upscaled charts were used, each has summary rows of its own, the native
            ones first, unless they were asked for together; `upscaling` says which.
            A chart's range is its test error. A summary's lead is the geometric mean over the
            charts used, its range that of the mean if other games like these were tested;
            typical_lower to typical_upper is the shortest interval that holds half of the charts.
        a, b: the cards.
        level: level of the ranges.
        note: what the test error rests on where the bench has no repeated runs, else "".
    """

    table: pd.DataFrame
    a: str
    b: str
    level: float
    note: str = ""

    def __str__(self) -> str:
        summaries = self.table[self.table["row_kind"] == "summary"]
        overall = summaries[summaries["resolution"] == ALL]
        words = [
            self._words(row, first=number == 0)
            for _, rows in overall.groupby("platform", sort=False)
            for number, row in enumerate(rows.to_dict(orient="records"))
        ]
        return " ".join([*words, self.note] if self.note else words)

    def _words(self, row: dict[Hashable, Any], *, first: bool) -> str:
        platform = row["platform"]
        charts = self.table[
            (self.table["row_kind"] == "chart") & (self.table["platform"] == platform)
        ]
        left_out = int((~charts["used"].astype(bool)).sum())
        if not row["charts_used"]:
            return f"On {platform} no chart compares {self.a} with {self.b}: {row['reason']}."
        way = "ahead" if row["lead"] >= 0 else "behind"
        several = charts.loc[charts["used"].astype(bool), "upscaling"].nunique() > 1
        kind = f"{row['upscaling']} " if several and row["upscaling"] != TOGETHER else ""
        words = f"On {platform} {self.a} is {abs(row['lead']):.1%} {way}"
        words += f"{' of' if way == 'ahead' else ''} {self.b} on average"
        words = words if first else f"Apart from that, {abs(row['lead']):.1%} {way}"
        words += f" over {counted(row['charts_used'], f'{kind}chart')}"
        if np.isfinite(row["typical_lower"]) and first:
            words += f", typically {row['typical_lower']:+.1%} to {row['typical_upper']:+.1%}"
        if left_out and first:
            words += f"; {left_out} left out"
        return words + "."


def lead(fit: "Fit", a: str, b: str, level: float, *, together: bool = False) -> Lead:
    """Compare two measured cards chart by chart.

    Args:
        fit: of the bench.
        a, b: the cards.
        level: level of the ranges.
        together: take native and upscaled charts into one mean.

    Raises:
        ScalemodelError: a card was not measured, both are the same, or the level is not in (0, 1).
    """
    check_level(level)
    for card in (a, b):
        fit.labels.card_index(card)
    if a == b:
        raise ScalemodelError(f'A and B are both "{a}". Name two different cards.')
    charts = _chart_rows(fit, a, b, level)
    summaries = [
        {**_summary(a, b, part, str(platform), resolution, level), "upscaling": kind}
        for platform, here in charts.groupby("platform", sort=False)
        for kind, mine in _by_upscaling(here, together=together)
        for resolution, part in _by_resolution(mine)
    ]
    charts = charts.drop(columns=["pixels"])
    table = pd.concat([charts, pd.DataFrame(summaries)], ignore_index=True)
    return Lead(table[list(COLUMNS)], a, b, level, note_on_repeats(fit))


def _by_upscaling(charts: pd.DataFrame, *, together: bool) -> list[tuple[str, pd.DataFrame]]:
    """Part the charts of a platform where both kinds can be used; native ones first."""
    used = charts.loc[charts["used"].astype(bool), "upscaling"]
    kinds = [kind for kind in (NATIVE, UPSCALED) if kind in set(used)]
    if together and len(kinds) > 1:
        return [(TOGETHER, charts)]
    if len(kinds) < 2:
        return [(kinds[0] if kinds else NATIVE, charts)]
    return [(kind, charts[charts["upscaling"] == kind]) for kind in kinds]


def _by_resolution(charts: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    parts = charts.sort_values("pixels", kind="stable").groupby("resolution", sort=False)
    return [*((str(resolution), part) for resolution, part in parts), (ALL, charts)]


def _chart_rows(fit: "Fit", a: str, b: str, level: float) -> pd.DataFrame:
    judged = fit.judged
    cells = fit.cells.table.assign(
        p_ceiling=judged.p_ceiling, fell=~fit.model.kept, se=standard_errors(fit)
    )
    keys = [*CHART_COLUMNS, "pixels"]
    wanted = ["rate", "se", "p_ceiling", "fell"]
    of_a = cells[cells["card"] == a].set_index(keys)[wanted].add_suffix("_a")
    of_b = cells[cells["card"] == b].set_index(keys)[wanted].add_suffix("_b")
    both = of_a.join(of_b, how="outer").reset_index().sort_values(keys)
    kinds = upscaled_charts(fit.bench, (a, b)).rename("upscaling")
    both = both.join(kinds, on=list(CHART_COLUMNS))
    rows = pd.DataFrame([_chart(row, a, b, level) for row in both.to_dict(orient="records")])
    used = rows["used"].to_numpy(dtype=bool)
    for _, part in rows.groupby(["platform", "upscaling"], sort=False):
        here = used & rows.index.isin(part.index)
        if here.sum() >= FEWEST_FOR_ODD:
            odd = odd_ones_out(np.log1p(rows.loc[here, "lead"].to_numpy(dtype=float)))
            rows.loc[here, "odd_one_out"] = odd
    return rows


def _chart(row: dict[Hashable, Any], a: str, b: str, level: float) -> dict[str, object]:
    out: dict[str, object] = {"a": a, "b": b, **{k: row[k] for k in (*CHART_COLUMNS, "pixels")}}
    ends = ("a", "b")
    reason = why_left_out(
        (a, b),
        tested=[bool(np.isfinite(row[f"rate_{end}"])) for end in ends],
        fell=[bool(row[f"fell_{end}"]) for end in ends],
        bound=[row[f"p_ceiling_{end}"] >= MORE_LIKELY for end in ends],
        alike=row["upscaling"] in {NATIVE, UPSCALED},
    )
    log_lead = float(np.log(row["rate_a"] / row["rate_b"]))
    measured = np.isfinite(log_lead)
    reach = float(reach_of_lead(row["se_a"], row["se_b"], level))
    return {
        **out,
        "lead": np.expm1(log_lead),
        "lower": np.expm1(log_lead - reach),
        "upper": np.expm1(log_lead + reach),
        "within_test_error": bool(abs(log_lead) <= reach) if measured else None,
        "used": not reason,
        "reason": reason,
        "row_kind": "chart",
        "odd_one_out": False,
        "typical_lower": np.nan,
        "typical_upper": np.nan,
        "charts_used": int(not reason),
        "upscaling": row["upscaling"],
    }


def why_left_out(
    cards: Sequence[str],
    tested: Sequence[bool],
    fell: Sequence[bool],
    bound: Sequence[bool],
    *,
    alike: bool,
) -> str:
    """Return why a chart does not compare two cards, or "".

    As `why_not` says; and `alike`: the runs of both are native, or those of both upscaled.
    """
    if all(tested) and not alike:
        return UPSCALED_ONE
    return why_not(cards, tested, fell, bound)


def why_not(
    cards: Sequence[str], tested: Sequence[bool], fell: Sequence[bool], bound: Sequence[bool]
) -> str:
    """Return why two results on a chart do not compare two cards, or "".

    Args:
        cards: both names.
        tested, fell, bound: whether each has a result, fell for lack of memory, sits at the
            ceiling.
    """
    for card, known in zip(cards, tested, strict=True):
        if not known:
            return f"no result of {card}"
    for card, short in zip(cards, fell, strict=True):
        if short:
            return f"{card} fell for lack of memory"
    capped = [card for card, at_ceiling in zip(cards, bound, strict=True) if at_ceiling]
    if capped:
        verb = "sits" if len(capped) == 1 else "sit"
        return f"{' and '.join(capped)} {verb} at the ceiling"
    return ""


def commonest(reasons: Sequence[str]) -> str:
    """Return the commonest reason, the first of equals, and on how many charts it holds."""
    counts = Counter(reasons)
    reason = max(counts, key=lambda one: counts[one])
    return f"{reason} on {counts[reason]} of {counted(len(reasons), 'chart')}"


def _summary(
    a: str, b: str, charts: pd.DataFrame, platform: str, resolution: str, level: float
) -> dict[str, object]:
    used = charts[charts["used"].astype(bool)]
    values = np.log1p(used["lead"].to_numpy(dtype=float))
    out: dict[str, object] = {
        **dict.fromkeys(COLUMNS, np.nan),
        "a": a,
        "b": b,
        "platform": platform,
        "game": ALL,
        "preset": ALL,
        "resolution": resolution,
        "within_test_error": None,
        "used": bool(len(used)),
        "reason": "" if len(used) else commonest(list(charts["reason"])),
        "row_kind": "summary",
        "odd_one_out": False,
        "charts_used": len(used),
    }
    if not len(used):
        return out
    reach = float(np.log1p(used["upper"].iloc[0]) - values[0])
    within = bool(used["within_test_error"].astype(bool).all())
    return out | {**summed_up(values, used["game"], reach, level), "within_test_error": within}


def summed_up(
    log_leads: FloatArray, games: ArrayLike, reach: float, level: float
) -> dict[str, float]:
    """Return lead, lower, upper, typical_lower and typical_upper over one or more charts used.

    Args:
        log_leads: (charts,) log ratios of the rates.
        games: (charts,) the game of each: charts of one game stray together.
        reach: how far the first of them reaches by test error: all that is known if it is alone.
        level: of the range.
    """
    out = {"lead": geometric_mean_ratio(log_leads) - 1.0}
    if len(log_leads) == 1:
        lower, upper = log_leads[0] - reach, log_leads[0] + reach
        low = high = np.nan
    else:
        lower, upper = mean_range(log_leads, games, level)
        low, high = shortest_half(log_leads)
    ends = {"lower": lower, "upper": upper, "typical_lower": low, "typical_upper": high}
    return out | {name: float(np.expm1(end)) for name, end in ends.items()}
