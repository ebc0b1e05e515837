"""Answers about latency, lows and groups made by hand, in any number of scenes or groups."""

from typing import cast

import numpy as np
import pandas as pd

from scalemodel.answers.latency import Latency
from scalemodel.answers.latency_cells import LatencyCells
from scalemodel.answers.lead_groups import LeadGroups
from scalemodel.answers.lows import Lows
from tests.views import examples, wide_examples
from tests.views.wide_examples import LONG, names

CELL = ["platform", "game", "preset", "card", "resolution"]
OFF = 4
"""Place of the card that is off in a scene."""


def scenes(count: int) -> list[tuple[str, str]]:
    made = [(f"Game {n}", "ultra") for n in range(count)]
    made[1:2] = [(f"{LONG} {LONG}", "high [bold] $x^2$")]
    return made


def _cells(count: int, cards: int) -> pd.DataFrame:
    rows = [
        (examples.PLATFORM, *scene, card, resolution)
        for scene in scenes(count)
        for card in names(cards)
        for resolution in wide_examples.RESOLUTIONS
    ]
    return pd.DataFrame(rows, columns=CELL)


def latency(count: int = 3, cards: int = 8) -> Latency:
    """Two frames and ten ms; the card with the long name is one frame above."""
    cells = _cells(count, cards)
    number = cells["card"].map({card: n for n, card in enumerate(names(cards))})
    frame = 1000 / (60 * 1.25**number * cells["resolution"].map({"1920x1080": 2, "3840x2160": 1}))
    broken = names(cards)[1]
    line = 10 + 2 * frame
    single = (number == OFF) & (cells["resolution"] == "3840x2160") & (cells["game"] == "Game 0")
    ms = line + frame * (cells["card"] == broken) + 9.0 * single
    table = cells.assign(
        frame_ms=frame,
        latency_ms=ms,
        lower_ms=ms - 0.6,
        upper_ms=ms + 0.6,
        expected_lower_ms=line - 1,
        expected_upper_ms=line + 1,
        refresh_hz=240.0,
        off_line=single,
        reason="",
    )
    lines = pd.DataFrame(
        [(examples.PLATFORM, *scene) for scene in [*scenes(count), ("(all)", "(all)")]],
        columns=CELL[:3],
    ).assign(
        reason="",
        cells=2 * cards,
        constant_ms=10.0,
        frames=2.0,
        frames_lower=1.9,
        frames_upper=2.1,
        from_fps=200.0,
        to_fps=300.0,
        bought_ms=3.3,
    )
    of_cards = pd.DataFrame({"platform": examples.PLATFORM, "card": names(cards)})
    of_cards["breaks"] = of_cards["card"] == broken
    of_cards["apart_ms"] = np.where(of_cards["breaks"], 8.2, 0.1)
    none = pd.DataFrame()
    unasked = cast("LatencyCells", None)
    return Latency(table, lines, of_cards, none, none, none, "shots", 1.0, 0.8, "", unasked)


def lows(count: int = 3, cards: int = 8) -> Lows:
    """Four fifths of the average; one card is a fifth below in two scenes, a cell in another."""
    cells = _cells(count, cards)
    number = np.arange(len(cells))
    held = (cells["card"] == names(cards)[1]) & cells["game"].isin({"Game 0", scenes(count)[1][0]})
    single = (cells["card"] == names(cards)[2]) & (cells["game"] == f"Game {count - 1}")
    single &= cells["resolution"] == "3840x2160"
    apart = 0.02 * np.sin(number) - 0.2 * held - 0.15 * single
    table = cells.assign(
        apart=apart,
        expected_fps=80.0,
        expected_upper_fps=83.0,
        out_of_step=held | single,
        p=np.where(held | single, 0.001, 1.0),
        reason="",
    )
    keys = ["platform", "card", "game", "preset"]
    places = cells[held][keys].drop_duplicates().assign(apart=-0.2, out_of_step=True)
    of_scenes = cells[CELL[:3]].drop_duplicates().reset_index(drop=True)
    of_scenes = of_scenes.assign(low_share=0.82, low_share_at_ceiling=0.71, reason="")
    return Lows(table, places, pd.DataFrame(), of_scenes, "low_1pct", 0.05, 0.8, 8.0)


def groups(count: int = 2) -> LeadGroups:
    """So many groups of six charts, the second with a long name."""
    made = [f"engine {n}" for n in range(count)]
    made[1:2] = [f"{LONG} {LONG}"]
    a, b = names(3)[:2]
    rows = []
    for n, group in enumerate(made):
        lead = 0.1 + 0.02 * (n % 5)
        about = {"platform": examples.PLATFORM, "group": group, "row_kind": "group"}
        numbers = {"lead": lead, "lower": lead - 0.03, "upper": lead + 0.03, "charts_used": 6 + n}
        rows.append({**about, **numbers, "reason": ""})
    whole: dict[str, object] = {
        "platform": examples.PLATFORM,
        "row_kind": "all",
        "reason": "",
        "p_different": 0.03,
    }
    whole["charts_used"] = 6 * count
    table = pd.DataFrame([*rows, whole])
    charts = pd.DataFrame(
        [
            (examples.PLATFORM, group, 0.1 + 0.02 * (n % 5) + 0.01 * (k - 2.5), True)
            for n, group in enumerate(made)
            for k in range(6)
        ],
        columns=["platform", "group", "lead", "used"],
    )
    return LeadGroups(table, charts, a, b, "engine", 0.02, 0.8)
