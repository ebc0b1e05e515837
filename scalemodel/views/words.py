"""How numbers, scenes and states are written for a person."""

import math
import re
from collections.abc import Iterable

import pandas as pd

from scalemodel.answers.comparable import ALL
from scalemodel.answers.explain import CHANGE, ordered_parts
from scalemodel.answers.groups import UPSCALED

_SIZE = re.compile(r"(\d+)x(\d+)")

METRIC_WORDS = {"average": "average rate", "low_1pct": "1% low", "low_01pct": "0.1% low"}
"""Plain words for each metric of a run."""

VERDICT_SYMBOLS = {"usable": "●", "usable_below": "◐", "not_usable": "○"}
"""The same signs for charts: filled compares cards, hollow shows the CPU limit."""

PARTS_NAMED, LEAST_SHARE = 2, 0.3
"""Parts of a change named beside it: at most, and from this share of it but for the first."""

AT_CEILING = 0.5
"""Probability of sitting at the ceiling from which a prediction is marked as sitting there."""

CAUTION = "An estimate from the spec sheet, not a measurement."
"""Said once wherever predictions are shown."""

PRICE_CAUTION = "Prices move, and rate is not all a card is bought for: no advice to buy."
"""Said once wherever value is shown."""

EXPECTED = "What the runs are expected to tell, given what is known now; what they show may differ."
"""Said once wherever plans are shown."""


def rate_words(rate: float) -> str:
    """Write a rate in frames per second: no decimals from 100 on, one from 10, two below."""
    if rate < 9.995:
        return f"{rate:.2f}"
    return f"{rate:.1f}" if rate < 99.95 else f"{rate:,.0f}"


def efficiency_words(frames: float) -> str:
    """Write frames per joule with three digits: 0.607, 1.23, 0.00241."""
    if 0 < frames < 0.0995:
        return f"{frames:#.3g}"
    return f"{frames:.3f}" if frames < 0.9995 else f"{frames:.2f}"


def price_words(price: float) -> str:
    """Write a price: no decimals from 100 on or where there are none, else two."""
    whole = price >= 99.5 or price % 1 == 0
    return f"{price:,.0f}" if whole else f"{price:.2f}"


def ceiling_words(rate: float, low: float, high: float) -> str:
    """Write a ceiling with its range, or "above N" where it is only bounded."""
    if math.isnan(rate):
        return "unknown" if math.isnan(low) else f"above {rate_words(low)}"
    return f"{rate_words(rate)} ({rate_words(low)}–{rate_words(high)})"


def lead_words(lead: float) -> str:
    """Write a lead as a signed percentage: 0.123 as "+12.3%"."""
    percent = round(100 * lead, 1) + 0.0  # no "-0.0"
    return f"{percent:+.1f}%".replace("-", "−")


def lead_range_words(lower: float, upper: float) -> str:
    """Write the range of a lead: "+3.1% to +9.0%", or one number where both ends are alike."""
    low, high = lead_words(lower), lead_words(upper)
    return low if low == high else f"{low} to {high}"


def short_range_words(lower: float, upper: float) -> str:
    """Write the range of a lead without its signs of percent and plus: "−1.2…0.8"."""
    ends = (f"{round(100 * lead, 1) + 0.0:.1f}".replace("-", "−") for lead in (lower, upper))
    return "…".join(ends)


def points_words(points: float) -> str:
    """Write a change of a lead in points: 0.0861 as "+8.6"."""
    return lead_words(points).removesuffix("%")


def points_range_words(lower: float, upper: float) -> str:
    """Write the range of a change of a lead: "+8.3 to +8.7"."""
    return f"{points_words(lower)} to {points_words(upper)}"


def causes_words(parts: pd.DataFrame) -> str:
    """Name the parts that push a change furthest; nothing where the change is not proven."""
    whole = parts[parts["part"] == CHANGE].iloc[0]
    if not whole["proven"]:
        return ""
    found = ordered_parts(parts)
    along = found[found["proven"].astype(bool) & (found["points"] * whole["points"] > 0)]
    large = along["points"].abs() >= LEAST_SHARE * abs(whole["points"])
    chief = pd.concat([along.head(1), along[1:][large[1:]]]).head(PARTS_NAMED)
    words = [f"{row['part']} {points_words(row['points'])}" for _, row in chief.iterrows()]
    return ", ".join(words) if words else "no part is proven"


def ms_words(ms: float) -> str:
    """Write a time in ms with one decimal: "31.4 ms"; with two below 10, where they tell."""
    return f"{ms:.2f} ms" if abs(ms) < 9.995 else f"{ms:.1f} ms"


def ms_range_words(lower: float, upper: float) -> str:
    """Write a range of times without the unit: "31.0…32.1"."""
    digits = 2 if max(abs(lower), abs(upper)) < 9.995 else 1
    return f"{lower:.{digits}f}…{upper:.{digits}f}".replace("-", "−")


def signed_ms_words(ms: float) -> str:
    """Write a difference of times: "+1.20 ms", "−3.10 ms"."""
    return f"{ms + 0.0:+.2f} ms".replace("-", "−")


def hours_words(hours: float) -> str:
    """Write hours as hours and minutes: 2.25 as "2:15"."""
    minutes = round(60 * hours)
    return f"{minutes // 60}:{minutes % 60:02d}"


def probability_words(probability: float) -> str:
    """Write a probability with 2 decimals; never a certain 0 or 1 that draws cannot show."""
    if probability < 0.01:
        return "<0.01"
    return ">0.99" if probability > 0.99 else f"{probability:.2f}"


def scene_words(game: str, preset: str) -> str:
    """Name a scene."""
    return f"{game} | {preset}"


def level_words(level: float) -> str:
    """Write a level as a percentage: 0.8 as "80%", 0.995 as "99.5%"."""
    return f"{100 * level:.10g}%"


def count_words(count: int, noun: str) -> str:
    """Write a count with its noun: "1 chart", "1,200 charts"."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def resolution_order(resolutions: Iterable[str]) -> list[str]:
    """Give the different resolutions by number of pixels, the smallest first."""
    return sorted(set(resolutions), key=_pixels)


def upscaled_words(rows: pd.DataFrame) -> str:
    """Say at which resolutions rows are of upscaled charts; nothing where at none."""
    found = set(rows.loc[rows["upscaling"] == UPSCALED, "resolution"])
    if not found:
        return ""
    where = "" if ALL in found else f" at {', '.join(resolution_order(found))}"
    return f"Of upscaled charts{where}: no native ones compare cards there."


def _pixels(resolution: str) -> tuple[int, str]:
    size = _SIZE.fullmatch(resolution)
    return (int(size[1]) * int(size[2]) if size else 0, resolution)


def shortened(text: str, longest: int) -> str:
    """Cut a text that is too long, with a sign that it was cut."""
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def short_name(name: str, longest: int) -> str:
    """Cut the middle out of a name that is too long: cards often differ in the end only."""
    if len(name) <= longest:
        return name
    end = longest // 2
    return f"{name[: longest - 1 - end].rstrip()}…{name[len(name) - end :].lstrip()}"


def short_scene(game: str, preset: str, longest: int) -> str:
    """Name a scene in at most so many characters; the game is cut first, to keep presets apart."""
    name = scene_words(game, preset)
    if len(name) <= longest:
        return name
    preset = shortened(preset, longest // 2)
    return scene_words(shortened(game, longest - len(preset) - 3), preset)
