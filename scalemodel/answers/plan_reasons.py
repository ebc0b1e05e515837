"""Why a run is in a plan, why one would be wasted, and what sets the limit: in words."""

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from scalemodel.answers.plan_grid import Grid
from scalemodel.answers.plan_targets import LITTLE, Targets
from scalemodel.data.schema import CELL_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.design import what_is_left
from scalemodel.model.planning import Step

BOARD = ("card", "card_pixels", "smooth")
BEYOND_SHEET = ("architecture", "architecture_pixels", "vendor", "progress")
CEILING = ("ceiling", "game_ceiling", "preset_ceiling", "platform", "platform_ceiling")
#: Share of a target's variance from which one source is said to set the limit.
MOST = 0.5


def why(grid: Grid, row: int, step: Step, level: float) -> str:
    """Say what a stop of a plan is good for."""
    cell = grid.cells.iloc[row].to_dict()
    if step.direct > MOST:
        reach = np.expm1(norm.ppf((1 + level) / 2) * np.sqrt(step.before))
        so_far = f"{cell['runs']} runs so far" if cell["runs"] > 1 else "1 run so far"
        return f"{so_far if cell['runs'] else 'no result yet'}: known to ±{reach:.1%}"
    told: dict[str, float] = {}
    for name, share in zip(grid.outlook.groups, step.shares, strict=False):
        words = _told(name, cell, grid.architectures[str(cell["card"])])
        told[words] = told.get(words, 0.0) + float(share)
    return max(told, key=lambda words: told[words])


def _told(group: str, cell: dict[Hashable, Any], architecture: str) -> str:
    if group in BOARD:
        return f"tells how far {cell['card']} strays from its sheet"
    if group in BEYOND_SHEET:
        return f"tells what {architecture} does beyond its sheets"
    if group in ("architecture_scene", "architecture_view"):
        return f"tells how well {architecture} takes to this scene"
    if group.startswith("architecture:"):
        return f"tells how well {architecture} uses its bandwidth"
    if group in CEILING:
        return "bounds this scene's ceiling"
    if group in ("log_p", "scene_knee"):
        return "tells how sharp the knee at the ceiling is"
    if group in ("level", "view") or group.startswith("share_scene"):
        return "tells how heavy this scene is"
    return "tells what each spec is worth"


def limit_words(grid: Grid, targets: Targets, runs: FloatArray) -> str:
    """Say what keeps the first target's range open once the cells were run so often, or ""."""
    outlook = grid.outlook
    target = targets.matrix[[0]].toarray()[0]
    *states, own = what_is_left(outlook.prospects, target, runs, outlook.group)
    fitted = len(outlook.groups) // 2
    board = sum(part for k, part in enumerate(states) if k >= fitted and outlook.groups[k] in BOARD)
    new = float(sum(states[fitted:])) - board
    sources = {
        "the spread from board to board sets the limit": board,
        "what is not known of its architecture sets the limit": new,
        "how far single cells stray sets the limit": own,
        "the cards at hand can tell no more": float(sum(states[:fitted])),
    }
    most = max(sources, key=lambda words: sources[words])
    return most if sources[most] > MOST * sum(sources.values()) else ""


def wasted(grid: Grid, targets: Targets) -> pd.DataFrame:
    """Return cells without a result that would tell nothing of what is asked, with the reason."""
    cells = grid.cells[(grid.cells["card"] != "") & (grid.cells["runs"] == 0)]
    low = cells["sensitivity"] < LITTLE
    if targets.cards:
        chosen = cells["card"].isin(targets.cards)
        words = cells["card"].map("at the ceiling, tells nothing of {}".format)
    else:
        asked = grid.cells.iloc[targets.matrix.indices]
        scenes = pd.MultiIndex.from_frame(asked[["game", "preset"]])
        own = pd.MultiIndex.from_frame(cells[["game", "preset"]])
        chosen = cells["at_hand"].astype(bool) & own.isin(scenes)
        low = cells["sensitivity"] > 1 - LITTLE
        words = cells["card"].map("{} stays below the ceiling, tells nothing of it".format)
    refused = cells["reason"] != ""
    found = cells.assign(reason=cells["reason"].where(refused, words))
    columns = [*CELL_COLUMNS, "sensitivity", "reason"]
    return found.loc[chosen & (low | refused), columns].reset_index(drop=True)
