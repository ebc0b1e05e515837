"""The place of every tested card on a platform at a resolution, on one basis for all."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import FEWEST_COMPARED
from scalemodel.answers.levels import counted
from scalemodel.answers.usable import Usable
from scalemodel.model.arrays import FloatArray, IntArray
from scalemodel.model.predictive import draw_cells
from scalemodel.model.ranks import p_faster, place_ranges
from scalemodel.model.summaries import mean_weights

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

COLUMNS = (
    "card",
    "platform",
    "resolution",
    "rate_mean",
    "charts",
    "place_lower",
    "place",
    "place_upper",
    "reason",
    "measured",
    "over_field",
    "over_field_lower",
    "over_field_upper",
    "p_ahead_of_next",
    "upscaling",
)
NONE_COMPARE = "no chart at this resolution compares two cards"


def place_table(fit: "Fit", grid: Usable, level: float) -> pd.DataFrame:
    """Return one row a card, platform and resolution, the first place first.

    All cards are placed on the same charts: those at the resolution on which two or more cards
    compare; native charts alone, if any there do, else the upscaled ones. Where a card has a result
    there that compares, it counts as measured. Where it sits at the ceiling, fell for lack of
    memory or has no such result, its rate is the model's: what it would reach without the ceiling
    (no less than what was measured at it) and with enough memory. So places are those of the cards,
    not of this CPU; `measured` says how many of the `charts` are not filled in, and the reason with
    what the others are.

    Ranges are of joint draws: of other scenes like these, the same ones for all cards, and of what
    the model does not know. With a single chart they are of test error instead.

    Args:
        fit: the fit.
        grid: its cells by card and chart.
        level: of the ranges.

    Returns:
        card, platform, resolution, rate_mean (fps, geometric mean over the charts), charts,
        place_lower, place, place_upper (1 is the fastest), reason, measured, over_field (its rate
        over the geometric mean of all these cards, minus 1) with its range, p_ahead_of_next: the
        probability that it is ahead of the card in the next place, and upscaling: whether the
        charts are native or upscaled.
    """
    rows: list[dict[str, object]] = []
    for n, platform in enumerate(fit.labels.platforms):
        for m, resolution in enumerate(grid.resolutions(platform)):
            charts = grid.on(platform, resolution)
            here = grid.of_one_kind(charts)
            cards = np.flatnonzero(np.isfinite(grid.log_rate[:, charts]).any(axis=1))
            charts = charts[here.compares[:, charts].sum(axis=0) >= FEWEST_COMPARED]
            about = {"platform": platform, "resolution": resolution, "charts": len(charts)}
            about["upscaling"] = here.kind(charts)
            rng = np.random.default_rng([fit.seed, n, m])
            found = (
                _placed(fit, here, cards, charts, level, rng)
                if len(charts)
                else [{"card": grid.cards[k], "measured": 0, "reason": NONE_COMPARE} for k in cards]
            )
            rows += [{**about, **row} for row in found]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    whole = dict.fromkeys(("place_lower", "place", "place_upper"), "Int64")
    return table.astype(whole)


def _placed(
    fit: "Fit",
    grid: Usable,
    cards: IntArray,
    charts: IntArray,
    level: float,
    rng: np.random.Generator,
) -> list[dict[str, object]]:
    """Return the rows of some cards on some charts, by place."""
    log_rate = _log_rates(fit, grid, cards, charts, rng)
    weights = mean_weights(grid.games[charts], len(log_rate), rng)
    mean = np.einsum("dck,dk->dc", log_rate, weights)
    order = np.argsort(-mean.mean(axis=0), kind="stable")
    cards, mean = cards[order], mean[:, order]
    field = mean - mean.mean(axis=1, keepdims=True)
    ends = [(1 - level) / 2, (1 + level) / 2]
    lower, upper = np.expm1(np.quantile(field, ends, axis=0))
    first, last = place_ranges(mean, level)
    ahead = np.append(p_faster(mean[:, :-1], mean[:, 1:]), np.nan)
    rate = log_rate.mean(axis=(0, 2))[order]
    return [
        {
            "card": grid.cards[card],
            "rate_mean": float(np.exp(rate[k])),
            "place_lower": min(int(first[k]), k + 1),
            "place": k + 1,
            "place_upper": max(int(last[k]), k + 1),
            "reason": _filled(grid, int(card), charts),
            "measured": int(grid.compares[card, charts].sum()),
            "over_field": float(np.expm1(field[:, k].mean())),
            "over_field_lower": float(lower[k]),
            "over_field_upper": float(upper[k]),
            "p_ahead_of_next": float(ahead[k]),
        }
        for k, card in enumerate(cards)
    ]


def _log_rates(
    fit: "Fit", grid: Usable, cards: IntArray, charts: IntArray, rng: np.random.Generator
) -> FloatArray:
    """Return (draws, cards, charts) joint draws of the rates without ceiling and lack of memory."""
    draws = len(fit.model.draws.theta)
    measured = grid.log_rate[np.ix_(cards, charts)]
    compares = grid.compares[np.ix_(cards, charts)]
    log_rate = np.repeat(measured[None], draws, axis=0)
    if len(charts) == 1:
        error = grid.error[np.ix_(cards, charts)]
        log_rate = log_rate + error * rng.standard_normal(log_rate.shape)
    who, where = np.nonzero(~compares)
    if len(who):
        rows = fit.labels.rows(grid.charts.iloc[charts[where]], cards[who])
        filled = draw_cells(fit.model, fit.model.specs, rows, fit.seed).log_gpu
        at_ceiling = grid.bound[cards[who], charts[where]] & ~grid.fell[cards[who], charts[where]]
        least = np.where(at_ceiling, measured[who, where], -np.inf)
        log_rate[:, who, where] = np.maximum(filled, least)
    return log_rate


def _filled(grid: Usable, card: int, charts: IntArray) -> str:
    """Say what a place rests on besides measured rates; nothing if on them alone."""
    tested, fell = np.isfinite(grid.log_rate[card, charts]), grid.fell[card, charts]
    bound = tested & grid.bound[card, charts] & ~fell
    found = {
        "at the ceiling": int(bound.sum()),
        "fell for lack of memory": int(fell.sum()),
        "native or upscaled unlike the others": int(grid.apart[card, charts].sum()),
        "without a result": int((~tested & ~grid.apart[card, charts]).sum()),
    }
    parts = [f"{count} {words}" for words, count in found.items() if count]
    filled = sum(found.values())
    return f"{counted(filled, 'chart')} filled in by the model: {', '.join(parts)}" if parts else ""
