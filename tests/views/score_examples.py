"""What became of predictions, made by hand, for any number of cards or scenes."""

import numpy as np
import pandas as pd

from scalemodel.answers.score import Score
from scalemodel.views.figures.score import MARKS
from tests.views.wide_examples import LONG, names


def forecast(scenes: int = 4) -> pd.DataFrame:
    """One card on one platform, judged; every seventh rate is outside its range, far off."""
    rows = []
    for resolution in ("1920x1080", "2560x1440", "3840x2160"):
        for n in range(scenes):
            ratio = 1.12 if n % 7 == 3 else 0.98 + 0.001 * n
            low, high = (0.99, 1.01) if n % 3 == 0 else (0.95, 1.04)
            rows.append(
                {
                    "card": f"Ka 3 {LONG}",
                    "platform": "open bench",
                    "game": "$x^2$ & <Tag>" if n == 1 else f"Harrow Line, Part {n}",
                    "preset": "ultra, rays, upscaled" if n % 2 else "high",
                    "resolution": resolution,
                    "lower": low * 100,
                    "median": 100.0,
                    "upper": high * 100,
                    "measured": 100 * ratio,
                    "error": -np.log(ratio),
                    "inside": low <= ratio <= high,
                    "p_ceiling": 0.9 if n % 3 == 0 else 0.1,
                }
            )
    return pd.DataFrame(rows)


def score(cards: int = 4) -> Score:
    """Errors fall from card to card; every peer is a little worse than the one before it."""
    each = pd.DataFrame({"card": names(cards), "cells": 12, "mean_error": 0.01})
    worse = dict(zip(MARKS, range(1, len(MARKS) + 1), strict=True))
    for name, times in worse.items():
        each[f"{name}_error"] = 0.01 * times * (1 + np.arange(cards)[::-1] / cards)
    table = pd.DataFrame({"card": names(cards), "lower": 95.0, "upper": 105.0, "reason": ""})
    held: dict[str, float] = {}
    for level in (0.5, 0.8, 0.95):
        name = f"inside_{100 * level:g}"
        held |= {name: level, f"{name}_lower": level - 0.05, f"{name}_upper": level + 0.04}
    whole = [
        {"method": name, "group": "all", "mean_abs_error": 0.015 * times, **held}
        for name, times in worse.items()
    ]
    stated = np.array([0.02, 0.3, 0.5, 0.7, 0.98])
    kinds = [
        pd.DataFrame(
            {
                "what": what,
                "stated": stated,
                "happened": stated,
                "lower": np.maximum(stated - 0.1, 0),
                "upper": np.minimum(stated + 0.1, 1),
                "count": 40,
                "brier": 0.02,
            }
        )
        for what in ("p_faster", "p_faster within test error")
    ]
    nothing = pd.DataFrame()
    return Score(
        table, pd.DataFrame(whole), each, nothing, pd.concat(kinds), nothing, 0.8, "each", ""
    )
