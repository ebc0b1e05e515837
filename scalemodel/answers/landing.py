"""Where predicted cards land overall: their place among the measured cards, leads over each."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.lead import ALL
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.predict import predict_card
from scalemodel.answers.sheets import complete_sheets
from scalemodel.answers.usable import Usable, usable
from scalemodel.model.arrays import BoolArray, FloatArray, IntArray
from scalemodel.model.ranks import p_faster

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Added to the seed where test errors are drawn, so that they are their own.
SEED_STEP = 2
LEAD_COLUMNS = (
    "card",
    "against",
    "platform",
    "resolution",
    "level",
    "lead_lower",
    "lead_median",
    "lead_upper",
    "p_faster",
    "charts_used",
    "reason",
    "upscaling",
)
PLACE_COLUMNS = (
    "card",
    "platform",
    "resolution",
    "level",
    "place_lower",
    "place",
    "place_upper",
    "probability",
    "cards",
    "reason",
    "upscaling",
)
NO_CHART = "no chart on which both stay below the ceiling"
ALONE = "no measured card to compare with below the ceiling"


@dataclass(frozen=True)
class Landing:
    """Where predicted cards should land among the measured ones, from joint draws.

    A pair is compared by the geometric mean of its ratio of rates, over the charts on which the
    measured card was tested and neither is more likely than not at the ceiling: native ones, or
    upscaled ones where only such compare two cards; upscaling says which.

    Attributes:
        table: one row a predicted card, measured card, platform and resolution, and one over all
            resolutions: card, against, platform, resolution, level, lead_lower, lead_median,
            lead_upper, p_faster, charts_used, reason, upscaling.
        places: one row a predicted card, platform and resolution, and one over all resolutions:
            card, platform, resolution, level, place (the likeliest; 1 = fastest), its probability,
            its range place_lower to place_upper, cards (it among how many, itself included),
            reason, upscaling.
        level: level of the ranges.
    """

    table: pd.DataFrame
    places: pd.DataFrame
    level: float

    def __str__(self) -> str:
        overall = self.places[self.places["resolution"] == ALL]
        return " ".join(
            f"{card}: {'; '.join(self._words(row) for row in rows.to_dict(orient='records'))}."
            for card, rows in overall.groupby("card", sort=False)
        )

    def _words(self, row: dict[Any, Any]) -> str:
        if row["reason"]:
            return f"no place on {row['platform']}, {row['reason']}"
        words = f"place {row['place']} of {row['cards']}"
        if row["place_lower"] < row["place_upper"]:
            words += f" ({row['place_lower']} to {row['place_upper']})"
        words += f" on {row['platform']}"
        near = [_next_words(one) for one in self.around(row["card"], row["platform"])]
        return ", ".join([words, *near])

    def around(self, card: str, platform: str) -> list[dict[Any, Any]]:
        """Return the rows of the nearest measured cards it should be ahead of, and behind."""
        rows = self.overall(card, platform)
        ahead = rows[rows["lead_median"] >= 0].sort_values("lead_median", kind="stable").head(1)
        behind = rows[rows["lead_median"] < 0].sort_values("lead_median", kind="stable").tail(1)
        return pd.concat([ahead, behind]).to_dict(orient="records")

    def nearest(self, card: str, platform: str, count: int) -> list[str]:
        """Return the measured cards nearest to a predicted one overall, the fastest first."""
        rows = self.overall(card, platform)
        near = rows.loc[np.log1p(rows["lead_median"]).abs().sort_values(kind="stable").index]
        chosen = near.head(count).sort_values("lead_median", kind="stable")
        return [str(name) for name in chosen["against"]]

    def overall(self, card: str, platform: str) -> pd.DataFrame:
        """Return the leads of a card over all resolutions, where there are any."""
        rows = self.table[(self.table["card"] == card) & (self.table["platform"] == platform)]
        return rows[(rows["resolution"] == ALL) & (rows["reason"] == "")]


def _next_words(row: dict[Any, Any]) -> str:
    way = "ahead of" if row["lead_median"] >= 0 else "behind"
    span = f"{row['lead_lower']:+.1%} to {row['lead_upper']:+.1%}"
    charts = counted(row["charts_used"], "chart")
    return f"{abs(row['lead_median']):.1%} {way} {row['against']} ({span}, {charts})"


def landing(fit: "Fit", specs: pd.DataFrame, level: float) -> Landing:
    """Say where cards should land overall, from their spec sheets.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    check_level(level)
    sheets, grid = complete_sheets(fit, specs), usable(fit)
    leads: list[dict[str, object]] = []
    places: list[dict[str, object]] = []
    for k in range(len(sheets.table)):
        table, draws = predict_card(fit, sheets, k, level)
        below = (table["p_ceiling"] < MORE_LIKELY).to_numpy(dtype=bool)
        rng = np.random.default_rng([fit.seed, SEED_STEP, k])
        gaps = None if draws is None else _gaps(draws.log_rate, grid, rng)
        for platform, resolution, charts in _groups(grid, fit.labels.platforms):
            here = grid.of_one_kind(charts)
            used = here.compares[:, charts] & below[charts]
            about = {"card": table["card"].iloc[0], "level": level, "upscaling": here.kind(charts)}
            about |= {"platform": platform, "resolution": resolution}
            if gaps is None or not used.any():
                reason = ALONE if gaps is not None else str(table["reason"].iloc[0])
                places.append({**about, "cards": 0, "reason": reason})
                leads += [_no_lead(about, other, reason) for other in grid.cards]
                continue
            means = _means(gaps[:, :, charts], used)
            leads += _lead_rows(about, grid.cards, means, used.sum(axis=1), level)
            places.append({**about, **_place(means, level)})
    whole = dict.fromkeys(("place_lower", "place", "place_upper"), "Int64")
    return Landing(
        pd.DataFrame(leads, columns=list(LEAD_COLUMNS)),
        pd.DataFrame(places, columns=list(PLACE_COLUMNS)).astype(whole),
        level,
    )


def _groups(grid: Usable, platforms: tuple[str, ...]) -> Iterator[tuple[str, str, IntArray]]:
    for platform in platforms:
        for resolution in grid.resolutions(platform):
            yield platform, resolution, grid.on(platform, resolution)
        yield platform, ALL, grid.on(platform)


def _gaps(log_rate: FloatArray, grid: Usable, rng: np.random.Generator) -> FloatArray:
    """Return (draws, cards, charts) log leads over the measured cards, test errors included."""
    noise = rng.standard_normal((len(log_rate), *grid.error.shape))
    gaps: FloatArray = log_rate[:, None, :] - grid.log_rate - grid.error * noise
    return gaps


def _means(gaps: FloatArray, used: BoolArray) -> FloatArray:
    """Return (draws, cards) mean log leads over the charts used; NaN where there are none."""
    with np.errstate(invalid="ignore"):
        means: FloatArray = np.where(used, gaps, 0.0).sum(axis=2) / used.sum(axis=1)
    return means


def _no_lead(about: dict[str, object], other: str, reason: str) -> dict[str, object]:
    return {**about, "against": other, "charts_used": 0, "reason": reason}


def _lead_rows(
    about: dict[str, object],
    cards: tuple[str, ...],
    means: FloatArray,
    counts: IntArray,
    level: float,
) -> list[dict[str, object]]:
    rows = []
    for m, other in enumerate(cards):
        if not counts[m]:
            rows.append(_no_lead(about, other, NO_CHART))
            continue
        own = means[:, m]
        low, mid, high = np.expm1(np.quantile(own, [(1 - level) / 2, 0.5, (1 + level) / 2]))
        ends = {"lead_lower": low, "lead_median": mid, "lead_upper": high}
        share = float(p_faster(own, np.zeros_like(own)))
        counted_row = {"p_faster": share, "charts_used": int(counts[m]), "reason": ""}
        rows.append({**about, "against": other, **ends, **counted_row})
    return rows


def _place(means: FloatArray, level: float) -> dict[str, object]:
    """Return the likeliest place among the cards compared with, its probability and its range."""
    known = means[:, np.isfinite(means[0])]
    places = 1 + (known < 0).sum(axis=1)
    shares = np.bincount(places, minlength=known.shape[1] + 2) / len(places)
    ends = [(1 - level) / 2, (1 + level) / 2]
    low, high = np.quantile(places, ends, method="inverted_cdf")
    likeliest = int(np.argmax(shares))
    return {
        "place_lower": int(low),
        "place": likeliest,
        "place_upper": int(high),
        "probability": float(shares[likeliest]),
        "cards": known.shape[1] + 1,
        "reason": "",
    }
