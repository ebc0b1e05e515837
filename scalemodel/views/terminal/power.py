"""Cards by what they give for their power."""

import math
from typing import Any

import numpy as np
import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power import Power
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.power_limits import LAST
from scalemodel.answers.power_siblings import LESS, MARGIN, MORE
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import (
    grid,
    heading,
    named_reasons,
    note,
    reasons,
    remark,
    sentence,
    stack,
)
from scalemodel.views.words import (
    CAUTION,
    efficiency_words,
    lead_words,
    level_words,
    probability_words,
    rate_words,
    resolution_order,
    upscaled_words,
)

MARKS = {LESS: "▼", MORE: "▲"}
FIRST = ("", "card", ">fps", ">W", ">frames/J", ">range", ">over next")
LIMITS = ("card", ">limit, W", ">drawn, W", ">of its rate", ">range", ">frames/J", ">charts")


def power_view(answer: Power) -> RenderableType:
    """Show the cards of each platform, then power limits, then how good estimates are."""
    parts: list[RenderableType] = [sentence(str(answer))]
    for platform, cards in answer.cards.groupby("platform", sort=False):
        odd = answer.siblings[answer.siblings["platform"] == platform]
        marks = {str(row.card): MARKS.get(str(row.verdict), "") for row in rows_of(odd)}
        parts += [heading("frames per joule", str(platform)), Text()]
        parts += [_cards(cards, marks), Text(), *remark(upscaled_words(cards))]
        unplaced = cards[(cards["resolution"] == ALL) & cards["position"].isna()]
        parts += named_reasons(unplaced)
    parts += _limits(answer)
    left = answer.table.loc[~answer.table["used"].astype(bool), "reason"]
    if not left.empty:
        parts += [note("Left out:"), *reasons(left, "result"), Text()]
    parts += _held_out(answer)
    legend = (
        f"{level_words(answer.level)} ranges, if other games like these were tested. "
        "One frame per joule is 1 fps for 1 W.\n"
        "Over next: the probability of being truly more efficient than the card below.\n"
        f"▲ ▼ surely {MARGIN:.0%} or more above or below the others of its architecture"
    )
    predicted = (answer.cards["basis"] != MEASURED).any()
    parts.append(note(f"{legend}   ◇ predicted\n{CAUTION}" if predicted else legend))
    return stack(*parts)


def _cards(cards: pd.DataFrame, marks: dict[str, str]) -> RenderableType:
    """Lay out one row a card: over all charts, then frames per joule at each resolution."""
    resolutions = resolution_order(set(cards["resolution"]) - {ALL})
    shown = resolutions if len(resolutions) > 1 else []
    at = cards.set_index(["card", "resolution"])["frames_per_joule"]
    rows = []
    for row in rows_of(cards[(cards["resolution"] == ALL) & cards["position"].notna()]):
        mark = "◇" if row.basis != MEASURED else marks.get(str(row.card), "")
        chance = "" if math.isnan(row.p_more_efficient) else probability_words(row.p_more_efficient)
        rows.append(
            [
                mark,
                row.card,
                rate_words(row.rate),
                f"{row.power_w:.0f}",
                Text(efficiency_words(row.frames_per_joule), style="bold"),
                f"{efficiency_words(row.lower)}…{efficiency_words(row.upper)}",
                chance,
                *(_at(at.get((row.card, one), np.nan)) for one in shown),
            ]
        )
    names = [*FIRST, *(f">{one}" for one in shown)]
    return grid(names, rows, "No chart with power_w compares cards.")


def _at(frames: float) -> str:
    return "–" if math.isnan(frames) else efficiency_words(frames)


def _limits(answer: Power) -> list[RenderableType]:
    if answer.limits.empty:
        return []
    parts: list[RenderableType] = []
    for platform, limits in answer.limits.groupby("platform", sort=False):
        rows = [_limit(row) for row in rows_of(limits)]
        parts += [heading("power limits", f"{platform}, against the card's own"), Text()]
        parts += [grid(LIMITS, rows, ""), Text()]
        left = limits.drop_duplicates(["card", "left_out"])
        parts += [note(f"{one.card}: {one.left_out}") for one in rows_of(left) if one.left_out]
    for row in rows_of(answer.curves):
        where = f"{row.card} on {row.platform}"
        if row.reason:
            parts.append(note(f"{where}: no curve, {row.reason}."))
            continue
        span = f"{100 * row.lower:.1f} to {100 * row.upper:.1f}%"
        words = f"The last {LAST:.0%} of the power of {where} brings {row.brings:.1%} ({span})."
        parts.append(note(words))
    return [*parts, Text()]


def _limit(row: Any) -> list[str]:
    first = [str(row.card), f"{row.power_limit_w:g}"]
    if row.reason:
        return [*first, "", "", "", "", str(row.reason)]
    return [
        *first,
        f"{row.power_w:.0f}",
        f"{row.rate_ratio:.1%}",
        f"{row.lower:.1%}…{row.upper:.1%}",
        lead_words(row.frames_per_joule_ratio - 1),
        f"{row.charts_used}",
    ]


def _held_out(answer: Power) -> list[RenderableType]:
    """Say how good estimates of power from sheets are; only where one was asked for."""
    if answer.predicted.empty or answer.held_out.empty:
        return []
    ours, plain = (
        float(np.sqrt((answer.held_out[name] ** 2).mean())) for name in ("error", "plain_error")
    )
    held = float(answer.held_out["held_share"].mean())
    words = (
        f"Power from sheets, each tested card held out: off by {ours:.1%}, root mean square; "
        f"{held:.0%} inside\ntheir {level_words(answer.level)} ranges. The sheet's board power "
        f"times what others draw of theirs on the chart is off by {plain:.1%}."
    )
    return [note(words), Text()]
