"""Cards by frames per joule over all charts that compare them."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import t as student

from scalemodel.answers.comparable import (
    NOT_LINKED,
    SideBySide,
    common_reason,
    groups,
    kind_of,
    side_by_side,
)
from scalemodel.answers.newcomers import Newcomer
from scalemodel.model.arrays import FloatArray
from scalemodel.model.ranks import in_order
from scalemodel.model.two_way import TwoWay

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

MEASURED = "measured"
CARD_COLUMNS = (
    "card",
    "platform",
    "resolution",
    "metric",
    "level",
    "position",
    "rate",
    "rate_lower",
    "rate_upper",
    "power_w",
    "power_lower",
    "power_upper",
    "frames_per_joule",
    "lower",
    "upper",
    "joules_per_frame",
    "p_more_efficient",
    "p_first",
    "charts_used",
    "basis",
    "reason",
    "upscaling",
)


class Drawing(NamedTuple):
    """A predicted card with the power it should draw.

    Attributes:
        card: the prediction.
        log_power: (draws, rows of its table) joint draws; None without a board power.
        reason: why there are none, or "".
    """

    card: Newcomer
    log_power: FloatArray | None
    reason: str


class Layouts(NamedTuple):
    """What cards show over the charts of a group.

    Attributes:
        beside: the cells that compare cards.
        rate, power, ratio: layouts of the logs of rate, power, and rate over power.
    """

    beside: SideBySide
    rate: TwoWay
    power: TwoWay
    ratio: TwoWay


class Group(NamedTuple):
    """The cells of a platform at one resolution or all.

    Attributes:
        platform, resolution: which ones.
        layouts: of the cells that compare cards; None without any.
        kind: of the cells that compare cards: native or upscaled; "" without any.
        rows: rows of cards that cannot be placed, with their reasons.
    """

    platform: str
    resolution: str
    kind: str
    layouts: Layouts | None
    rows: list[dict[str, object]]


def efficiency_groups(cells: pd.DataFrame) -> list[Group]:
    """Lay out every group of the table of `CellPower`."""
    return [_group(platform, resolution, here) for platform, resolution, here in groups(cells)]


def _group(platform: str, resolution: str, every: pd.DataFrame) -> Group:
    used = every[every["reason"] == ""]
    placed = set(used["card"])
    rows: list[dict[str, object]] = [
        {"card": card, "basis": MEASURED, "reason": common_reason(own["reason"])}
        for card, own in every.groupby("card", sort=False)
        if card not in placed
    ]
    if used.empty:
        return Group(platform, resolution, "", None, rows)
    beside = side_by_side(used)
    rows += [{"card": card, "basis": MEASURED, "reason": NOT_LINKED} for card in beside.not_linked]
    log_rate, log_power = (np.log(used[n].to_numpy(dtype=float)) for n in ("rate", "power_w"))
    se, power_se, ratio_se = (
        np.nan_to_num(used[n].to_numpy(dtype=float)) for n in ("se", "power_se", "ratio_se")
    )
    layouts = Layouts(
        beside,
        beside.layout(log_rate, se),
        beside.layout(log_power, power_se),
        beside.layout(log_rate - log_power, ratio_se),
    )
    return Group(platform, resolution, kind_of(used), layouts, rows)


def card_rows(
    fit: "Fit", laid_out: Sequence[Group], drawing: Sequence[Drawing], level: float
) -> pd.DataFrame:
    """Return one row a card and group, the most efficient first, those not placed last."""
    rows: list[dict[str, object]] = []
    for number, group in enumerate(laid_out):
        rng = np.random.default_rng([fit.seed, number])
        found = _group_rows(group, drawing, level, rng, len(fit.model.draws.theta))
        place = {"platform": group.platform, "resolution": group.resolution}
        place["upscaling"] = group.kind
        rows += [{**row, **place} for row in found]
    table = pd.DataFrame(rows).assign(metric=fit.metric, level=level)
    return table.reindex(columns=list(CARD_COLUMNS))


def _group_rows(
    group: Group, drawing: Sequence[Drawing], level: float, rng: np.random.Generator, count: int
) -> list[dict[str, object]]:
    layouts = group.layouts
    if layouts is None:
        return group.rows
    rows: list[dict[str, object]] = []
    counts = layouts.beside.counts
    for k, card in enumerate(layouts.beside.cards):
        parts = (layouts.rate, layouts.power, layouts.ratio)
        numbers = _numbers(*(_range(one, k, level) for one in parts))
        about = {"card": card, "charts_used": int(counts[k]), "basis": MEASURED}
        rows.append({**about, **numbers, "reason": ""})
    draws = [layouts.ratio.draws(rng, count)]
    left: list[dict[str, object]] = []
    for one in drawing:
        row, own = _newcomer(group, layouts, one, level)
        if own.size:
            rows.append(row)
            draws.append(own[:, None])
        else:
            left.append(row)
    middle = np.log([float(str(row["frames_per_joule"])) for row in rows])
    found = in_order(middle, np.hstack(draws))
    chances = zip(found.order, found.p_next, found.p_first, strict=True)
    ordered = [
        {**rows[int(i)], "position": k, "p_more_efficient": p_next, "p_first": first}
        for k, (i, p_next, first) in enumerate(chances, start=1)
    ]
    return [*ordered, *left, *group.rows]


def _range(layout: TwoWay, k: int, level: float) -> FloatArray:
    """Return lower end, location and upper end of a card in a layout."""
    reach = float(student.ppf((1 + level) / 2, layout.dof) * layout.se[k])
    return np.asarray(layout.location[k] + reach * np.array([-1.0, 0.0, 1.0]))


def _numbers(rate: FloatArray, power: FloatArray, ratio: FloatArray) -> dict[str, object]:
    """Return rate, power and frames per joule with their ranges, from ends and middles of logs."""
    slow, fps, fast = np.exp(rate)
    low, power_w, high = np.exp(power)
    lower, frames, upper = np.exp(ratio)
    return {
        "rate": fps,
        "rate_lower": slow,
        "rate_upper": fast,
        "power_w": power_w,
        "power_lower": low,
        "power_upper": high,
        "frames_per_joule": frames,
        "lower": lower,
        "upper": upper,
        "joules_per_frame": 1 / frames,
    }


def _newcomer(
    group: Group, layouts: Layouts, one: Drawing, level: float
) -> tuple[dict[str, object], FloatArray]:
    """Return the row of a predicted card, and (draws,) of its log frames per joule or none."""
    beside, rate, power, ratio = layouts
    card = one.card
    row: dict[str, object] = {"card": card.card, "basis": card.basis, "reason": one.reason}
    if one.log_power is None or card.draws is None:
        return row, np.empty(0)
    log_rate = card.draws.log_rate
    own = card.place(beside, ratio, log_rate - one.log_power)
    if not own.size:
        return {**row, "reason": card.why_not(group.platform, group.resolution)}, own
    placed = card.place(beside, rate, log_rate), card.place(beside, power, one.log_power), own
    ends = [(1 - level) / 2, 0.5, (1 + level) / 2]
    numbers = _numbers(*(np.quantile(values, ends) for values in placed))
    return {**row, **numbers, "charts_used": card.count(beside)}, own
