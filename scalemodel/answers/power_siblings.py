"""Cards that are less or more efficient than the others of their architecture."""

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import t as student

from scalemodel.answers.power_cards import Group
from scalemodel.model.arrays import FloatArray
from scalemodel.model.equivalence import ALPHA
from scalemodel.model.two_way import TwoWay

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

MARGIN = 0.1
"""Cards of an architecture differ; from this much on, either way, one is out of line."""

LESS, MORE, IN_LINE = "less efficient", "more efficient", "in line"
COLUMNS = (
    "card",
    "platform",
    "architecture",
    "level",
    "against_siblings",
    "lower",
    "upper",
    "chance",
    "verdict",
    "siblings",
    "reason",
)
ALONE = "no other card of its architecture"


def sibling_rows(fit: "Fit", group: Group, level: float) -> list[dict[str, object]]:
    """Hold every card of a platform against the geometric mean of its architecture's others.

    Args:
        fit: the fit.
        group: all resolutions of the platform.
        level: of the ranges.
    """
    if group.layouts is None:
        return []
    cards, ratio = group.layouts.beside.cards, group.layouts.ratio
    names = fit.bench.cards.set_index("card")["architecture"][list(cards)].to_numpy()
    rows: list[dict[str, object]] = []
    for k, card in enumerate(cards):
        others = (names == names[k]) & (np.arange(len(names)) != k)
        about = {
            "card": card,
            "platform": group.platform,
            "architecture": names[k],
            "level": level,
            "siblings": int(others.sum()),
        }
        if not others.any():
            rows.append({**about, "verdict": "", "reason": ALONE})
            continue
        weight = np.where(others, -1.0, 0.0) / others.sum()
        weight[k] = 1.0
        rows.append({**about, **_held_against(ratio, weight, level), "reason": ""})
    return rows


def _held_against(ratio: TwoWay, weight: FloatArray, level: float) -> dict[str, object]:
    """Return how far a card is from its siblings, and the chance that it is within MARGIN."""
    away, se = ratio.contrast(weight)
    reach = float(student.ppf((1 + level) / 2, ratio.dof)) * se
    beyond = abs(away) - np.log1p(MARGIN)
    chance = float(student.sf(beyond / se, ratio.dof)) if se else float(beyond <= 0)
    verdict = IN_LINE if chance >= ALPHA else LESS if away < 0 else MORE
    return {
        "against_siblings": np.expm1(away),
        "lower": np.expm1(away - reach),
        "upper": np.expm1(away + reach),
        "chance": chance,
        "verdict": verdict,
    }
