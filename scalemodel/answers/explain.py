"""Why does the lead of one card over another change from one chart to another?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.changes import FIXED, LEFT_OVER, MEMORY, Change, Moved, moved_cards
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.moves import Moves, find_moves
from scalemodel.answers.repeats import note_on_repeats
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.errors import ScalemodelError
from scalemodel.model.shapley import log_mean

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

ALL = "(all)"
#: The whole change, beside its parts.
CHANGE = "change"
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
    "part",
    "points",
    "lower",
    "upper",
    "proven",
    "weighs",
    "row_kind",
    "charts_used",
    "reason",
)
#: Points of a lead that round to none: a range that reaches them holds zero.
NOTHING = 0.0005
#: Parts named in a sentence at most, and the share of the change from which one against it is.
MOST_NAMED, WORTH_NAMING = 3, 0.1


@dataclass(frozen=True)
class Explanation:
    """Why the lead of card `a` over card `b` changes.

    Attributes:
        table: one row a part of the change on each pair of charts, the whole change first, then
            the same for the mean over charts of each platform (row_kind "summary"). The chart's
            columns are those of the chart gone from; `to` is what `changed` becomes. `points` is
            the part of the change of the lead, which the parts sum to; lower to upper its range;
            `proven` whether the range leaves out zero; `weighs` whether the stage takes "more" or
            "less" time beside arithmetic at the end than at the start. Pairs of charts that cannot
            be explained have one row with their reason.
        shares: one row a scene and stage: game, preset, stage, from, to, share_from, share_to, the
            stage's share of the reference card's frame time.
        a, b, start, end: the cards, and what was gone from and to.
        level: level of the ranges.
        note: what the test error rests on where the bench has no repeated runs, else "".
    """

    table: pd.DataFrame
    shares: pd.DataFrame
    a: str
    b: str
    start: str
    end: str
    level: float
    note: str = ""

    def __str__(self) -> str:
        rows = self.table[self.table["row_kind"] == "summary"]
        words = [
            self._words(str(platform), part)
            for platform, part in rows.groupby("platform", sort=False)
        ]
        return " ".join([*words, self.note] if self.note else words)

    def _words(self, platform: str, rows: pd.DataFrame) -> str:
        whole = rows[rows["part"] == CHANGE].iloc[0]
        if whole["reason"]:
            return f"On {platform} nothing can be explained: {whole['reason']}."
        first, last = whole["lead_from"], whole["lead_to"]
        words = f"On {platform} {self.a} {_stands(first, self.b)} at {self.start} and "
        verb, by, _ = _stands(first).partition(" by ")
        words += _stands(last).removeprefix(f"{verb} " if by else "")
        pairs = int(whole["charts_used"])
        count = counted(pairs, "scene")
        if whole["changed"] != "resolution":
            count = f"{counted(pairs, 'chart')} each"
        words += f" at {self.end} ({count}). "
        return words + parts_words(rows)


def _stands(lead: float, other: str = "") -> str:
    """Say how a card stands to another: leads or trails it by so much, or is level."""
    size, named = f"{abs(lead):.1%}", f" {other}" if other else ""
    if size == "0.0%":
        return f"is level with{named}" if other else "is level"
    return f"{'leads' if lead > 0 else 'trails'}{named} by {size}"


def parts_words(rows: pd.DataFrame) -> str:
    """Say in a sentence what a change is due to: the parts that are proven, the largest first.

    Args:
        rows: the whole change and its parts, as in the table.
    """
    whole = rows[rows["part"] == CHANGE].iloc[0]
    sign = 1.0 if whole["points"] >= 0 else -1.0
    if not whole["proven"]:
        return f"That change of {100 * whole['points']:+.1f} points is within test error."
    parts = ordered_parts(rows)
    parts = parts[parts["proven"].astype(bool)]
    along = parts[sign * parts["points"] > 0].head(MOST_NAMED)
    words = (
        f"Of the {100 * abs(whole['points']):.1f} points it {'gains' if sign > 0 else 'loses'}, "
    )
    if along.empty:
        return words + "no part is proven."
    words += ", ".join(_from(row, sign) for _, row in along.iterrows()).replace(") ", ") come ", 1)
    against = parts[-sign * parts["points"] > WORTH_NAMING * abs(whole["points"])].tail(1)
    for _, row in against.iterrows():
        words += f"; the other way go {_from(row, -sign)}"
    return words + "."


def _from(row: "pd.Series[Any]", sign: float) -> str:
    low, high = sorted((sign * row["lower"], sign * row["upper"]))
    number = f"{100 * sign * row['points']:.1f} ({100 * low:.1f} to {100 * high:.1f})"
    return f"{number} from {part_phrase(row['part'], row['weighs'])}"


def part_phrase(part: str, weighs: str) -> str:
    """Say what a part is, and whether it weighs more or less on the chart gone to."""
    phrase = PHRASES[part]
    if not weighs:
        return phrase
    return f"{phrase} taking {weighs} time" if part == FIXED else f"{phrase} mattering {weighs}"


PHRASES = {
    "ceiling": "the CPU ceiling",
    "arithmetic": "how well wide cards are filled",
    "bandwidth and cache": "bandwidth and cache",
    "raster rate": "raster rate",
    "fixed work": "fixed work",
    MEMORY: "memory running out",
    "architecture": "what suits one architecture more than the other",
    "the card itself": "the boards themselves",
    LEFT_OVER: "what the model leaves unexplained",
}


def places_of(rows: pd.DataFrame) -> tuple[str, str]:
    """Return what the rows of a table go from and to."""
    row = rows[rows["row_kind"] == "chart"].iloc[0]
    return str(row[row["changed"]]), str(row["to"])


def ordered_parts(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the parts of one change, those that push furthest in its direction first."""
    whole = rows[rows["part"] == CHANGE].iloc[0]
    parts = rows[rows["part"] != CHANGE]
    push = parts["points"] * (1.0 if whole["points"] >= 0 else -1.0)
    return parts.loc[push.sort_values(ascending=False, kind="stable").index]


def explain(
    fit: "Fit",
    a: str,
    b: str,
    start: str | None,
    end: str | None,
    scenes: Sequence[str],
    level: float,
) -> Explanation:
    """Explain how the lead of a measured card over another changes between charts.

    Raises:
        ScalemodelError: a card was not measured, both are the same, a name is unknown, no chart
            can be compared, or the level is not in (0, 1).
    """
    check_level(level)
    pair = np.array([fit.labels.card_index(card) for card in (a, b)], dtype=np.intp)
    if a == b:
        raise ScalemodelError(f'A and B are both "{a}". Name two different cards.')
    moves = find_moves(fit.labels, start, end, scenes)
    every = np.arange(len(fit.model.draws.theta))
    moved = [moved_cards(fit, moves, k, pair, every) for k in range(len(moves))]
    reasons = [m.missing(0, 1, (moves.start, moves.end)) for m in moved]
    if all(reasons):
        raise ScalemodelError(
            f"There is no scene in which {a} and {b} both have results at {moves.start} and at "
            f"{moves.end}: {reasons[0]}. Name other cards, or where both were tested."
        )
    about = {"a": a, "b": b, "changed": moves.changed, "to": moves.end}
    rows = _chart_rows(moved, reasons, level) + _summary_rows(moved, reasons, level)
    table = pd.DataFrame(rows).assign(**about, metric=fit.metric, level=level)
    return Explanation(
        table=table[list(COLUMNS)],
        shares=_shares(fit, moved, moves),
        a=a,
        b=b,
        start=moves.start,
        end=moves.end,
        level=level,
        note=note_on_repeats(fit),
    )


def _chart_rows(moved: list[Moved], reasons: list[str], level: float) -> list[dict[str, object]]:
    rows = []
    for m, reason in zip(moved, reasons, strict=True):
        about = {**m.chart, "row_kind": "chart", "charts_used": 1}
        if reason:
            rows.append(_unexplained(about, reason))
        else:
            rows += part_rows(about, m.change(0, 1), m.weighs(), level)
    return rows


def _summary_rows(moved: list[Moved], reasons: list[str], level: float) -> list[dict[str, object]]:
    """Return the mean over the charts of each platform on which no card fell."""
    rows = []
    for platform in dict.fromkeys(m.chart["platform"] for m in moved):
        here = [
            m
            for m, reason in zip(moved, reasons, strict=True)
            if m.chart["platform"] == platform and not reason
        ]
        used = [m for m in here if not m.fell.any()]
        about: dict[str, object] = {**dict.fromkeys(CHART_COLUMNS, ALL), "platform": platform}
        about |= {"row_kind": "summary", "charts_used": len(used)}
        if used:
            mean = _mean_change([m.change(0, 1) for m in used])
            alike = [m.weighs() for m in used]
            weighs = {name: _common([w[name] for w in alike]) for name in alike[0]}
            rows += part_rows(about, mean, weighs, level)
        else:
            reason = "a card fell for lack of memory in every scene" if here else "no scene"
            rows.append(_unexplained(about, reason))
    return rows


def _unexplained(about: dict[str, object], reason: str) -> dict[str, object]:
    empty = dict.fromkeys(("lead_from", "lead_to", "points", "lower", "upper"), np.nan)
    about = {**about, **empty, "charts_used": 0, "part": CHANGE, "proven": None, "weighs": ""}
    return {**about, "reason": reason}


def _common(words: list[str]) -> str:
    return words[0] if len(set(words)) == 1 else ""


def _mean_change(changes: list[Change]) -> Change:
    first, last = np.mean([change.leads for change in changes], axis=0)
    return Change(
        leads=(float(first), float(last)),
        total=np.mean([change.total for change in changes], axis=0),
        parts={
            name: np.mean([change.parts[name] for change in changes], axis=0)
            for name in changes[0].parts
        },
        fell=False,
    )


def part_rows(
    about: dict[str, object], change: Change, weighs: dict[str, str], level: float
) -> list[dict[str, object]]:
    """Return the whole change and its parts in points of the lead.

    A part of the log change times the logarithmic mean of the two rate ratios is its part of the
    change in points (see `log_mean`), so the points sum as the logs do.
    """
    ratios = np.exp(change.leads)
    points = float(log_mean(ratios[1], ratios[0]))
    about = {**about, "lead_from": ratios[0] - 1, "lead_to": ratios[1] - 1, "reason": ""}
    rows = []
    for name, draws in {CHANGE: change.total, **change.parts}.items():
        low, high = points * np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
        value = points * float(draws.mean())
        ends = {
            "points": value,
            "lower": low,
            "upper": high,
            "proven": bool(low > NOTHING or high < -NOTHING),
        }
        rows.append({**about, "part": name, **ends, "weighs": weighs.get(name, "")})
    return rows


def _shares(fit: "Fit", moved: list[Moved], moves: Moves) -> pd.DataFrame:
    """Return what share of the reference card's frame each stage takes on the two charts."""
    rows = [
        [*(m.chart[name] for name in ("platform", "game", "preset")), stage, *shares]
        for m in moved
        for stage, shares in zip(fit.labels.stages, m.causes.stage_shares.T, strict=True)
    ]
    names = ["platform", "game", "preset", "stage", "share_from", "share_to"]
    table = pd.DataFrame(rows, columns=names).assign(**{"from": moves.start, "to": moves.end})
    return table.drop_duplicates(["game", "preset", "stage"]).reset_index(drop=True)
