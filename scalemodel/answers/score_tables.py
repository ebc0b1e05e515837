"""The tables of a score: by method and group, by card, and stated against happened."""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from scalemodel.answers.ceilings import MORE_LIKELY
from scalemodel.answers.levels import counted
from scalemodel.data.schema import CELL_COLUMNS, CHART_COLUMNS
from scalemodel.model.arrays import FloatArray
from scalemodel.model.scores import brier, calibration_curve, coverage, interval_score

OWN = "scalemodel"
METHOD_WORDS = {
    OWN: "scalemodel",
    "nearest_card": "nearest card",
    "per_chart_regression": "regression per chart",
    "gradient_boosting": "gradient boosting",
    "gaussian_process": "Gaussian process",
}
#: Levels at which coverage is counted.
LEVELS = (0.5, 0.8, 0.95)
#: A state counts as known where the fit of all cards is this sure of it.
CLEAR = 0.1
BELOW, AT = "below the ceiling", "at the ceiling"
FEW_CARDS = "too few other cards to promise a level of "


def judged_rows(
    cells: pd.DataFrame, method: str, levels: Sequence[float], ends: FloatArray
) -> pd.DataFrame:
    """Return the judged cells of one method.

    Args:
        cells: CELL_COLUMNS, measured, median, crps, p_ceiling_measured, reason.
        method: its name.
        levels: of the ranges.
        ends: (levels, 2, cells) ends of the ranges, fps.
    """
    columns: dict[str, FloatArray] = {}
    for level, (lower, upper) in zip(levels, ends, strict=True):
        columns |= {f"lower_{level}": lower, f"upper_{level}": upper}
    kept = ["measured", "median", "crps", "p_ceiling_measured", "reason"]
    return cells[[*CELL_COLUMNS, *kept]].assign(method=method, **columns)


def range_table(rows: pd.DataFrame, levels: Sequence[float]) -> pd.DataFrame:
    """Return one row a method, judged cell and level."""
    parts = []
    for level in sorted(levels):
        part = rows[["method", *CELL_COLUMNS]].assign(
            level=level,
            lower=rows[f"lower_{level}"],
            median=rows["median"],
            upper=rows[f"upper_{level}"],
        )
        parts.append(part.assign(inside=rows["measured"].between(part["lower"], part["upper"])))
    table = pd.concat(parts, ignore_index=True)
    return table[table["median"].notna()].reset_index(drop=True)


def summary_table(
    rows: pd.DataFrame, charts: pd.DataFrame, level: float, by: "pd.Series[str] | None" = None
) -> pd.DataFrame:
    """Return one row a method and group of cells; all methods are judged on the same cells.

    Args:
        rows: the judged cells of every method.
        charts: of the bench.
        level: level of the ranges.
        by: group of each chart, by CHART_COLUMNS, for further groups of cells.
    """
    out = []
    for group, members in [*_groups(rows, charts), *_groups_by(rows, by)]:
        for method, part in rows[members].groupby("method", sort=False):
            out.append({"method": method, "group": group, **_scores(part, level)})
    return pd.DataFrame(out, columns=_summary_columns())


def _summary_columns() -> list[str]:
    inside = [f"inside_{100 * one:g}{end}" for one in LEVELS for end in ("", "_lower", "_upper")]
    errors = ["cells", "cards", "mean_abs_error", "median_abs_error"]
    return [
        "method",
        "group",
        *errors,
        *inside,
        "level",
        "width",
        "crps",
        "interval_score",
        "reason",
    ]


def _groups(rows: pd.DataFrame, charts: pd.DataFrame) -> Iterator[tuple[str, "pd.Series[bool]"]]:
    yield "all", rows["measured"].notna()
    at = rows["p_ceiling_measured"] >= MORE_LIKELY
    if at.any():
        yield BELOW, ~at
        yield AT, at
    for resolution in dict.fromkeys(charts.sort_values("pixels")["resolution"]):
        here = rows["resolution"] == resolution
        if here.any():
            yield str(resolution), here


def _groups_by(
    rows: pd.DataFrame, by: "pd.Series[str] | None"
) -> Iterator[tuple[str, "pd.Series[bool]"]]:
    if by is None:
        return
    names = pd.MultiIndex.from_frame(rows[list(CHART_COLUMNS)])
    group = pd.Series(by.reindex(names).to_numpy(), index=rows.index)
    for name in sorted(set(group)):
        yield f"{by.name}: {name}", group == name


def _scores(part: pd.DataFrame, level: float) -> dict[str, object]:
    out: dict[str, object] = {
        "cells": len(part),
        "cards": part["card"].nunique(),
        "level": level,
        "reason": part["reason"].iloc[0],
    }
    if part["median"].isna().any():
        return out
    measured = np.log(part["measured"].to_numpy(dtype=float))
    error = np.abs(np.log(part["median"].to_numpy(dtype=float)) - measured)
    out |= {
        "mean_abs_error": error.mean(),
        "median_abs_error": np.median(error),
        "crps": part["crps"].mean(),
    }
    for one in dict.fromkeys((*LEVELS, level)):
        with np.errstate(divide="ignore"):
            lower, upper = (np.log(part[f"{end}_{one}"]) for end in ("lower", "upper"))
        if np.isinf(upper).any():
            out["reason"] = out["reason"] or f"{FEW_CARDS}{one:.0%}"
            continue
        if one in LEVELS:
            held = coverage(lower, upper, measured)
            name = f"inside_{100 * one:g}"
            out |= {name: held.share, f"{name}_lower": held.lower, f"{name}_upper": held.upper}
        if one == level:
            out["width"] = float((upper - lower).mean())
            out["interval_score"] = float(interval_score(lower, upper, measured, level).mean())
    return out


def card_table(
    table: pd.DataFrame, judged_by: pd.DataFrame, surprise: pd.DataFrame, shifts: pd.DataFrame
) -> pd.DataFrame:
    """Return one row a held-out card: how far off, how evenly, where, and how far off the peers."""
    sizes = (np.log(judged_by["median"]) - np.log(judged_by["measured"])).abs()
    by_method = sizes.groupby([judged_by["card"], judged_by["method"]]).mean().unstack()
    rows = []
    for one in surprise.to_dict(orient="records"):
        own = table[table["card"] == one["card"]]
        judged = own[own["reason"] == ""]
        row = {"card": one["card"], "cells": len(judged), "p": one["p"], "status": one["status"]}
        if len(judged):
            row |= {
                **by_method.loc[one["card"]].add_suffix("_error"),
                "mean_error": judged["error"].mean(),
                "scatter": judged["error"].std(ddof=0),
                "inside": judged["inside"].astype(bool).mean(),
                "where": "; ".join(where_words(shifts[shifts["card"] == one["card"]])),
            }
        else:
            reasons = own["reason"].value_counts()
            row["where"] = f"not judged: {reasons.index[0]}" if len(reasons) else "not judged"
        rows.append(row)
    columns = ["card", "cells", "mean_error", "scatter", "inside", "p", "where", "status"]
    return pd.DataFrame(rows, columns=[*columns, *(f"{name}_error" for name in METHOD_WORDS)])


def where_words(shifts: pd.DataFrame) -> list[str]:
    """Say of each surprise how far the prediction was off, and where."""
    return [
        off_words(-float(np.log1p(shift)), str(where))
        for shift, where in zip(shifts["shift"], shifts["where"], strict=True)
    ]


def off_words(error: float, where: str) -> str:
    """Say how far a prediction was off, from the log of predicted over measured rate."""
    return f"{abs(np.expm1(error)):.1%} too {'high' if error > 0 else 'low'} {where}"


def calibration_table(pairs: pd.DataFrame, judged: pd.DataFrame) -> pd.DataFrame:
    """Compare stated probabilities with what happened.

    The truth of p_ceiling is not measured on a bench. What the fit of all cards says of the cell,
    whose rate it knows, stands for it where that is clear.
    """
    parts = []
    near = pairs["within_test_error"].astype(bool)
    known = judged["p_ceiling_measured"]
    clear = judged[(known < CLEAR) | (known > 1 - CLEAR)]
    for what, stated, happened in (
        ("p_faster", pairs.loc[~near, "p_faster"], pairs.loc[~near, "faster"]),
        ("p_faster within test error", pairs.loc[near, "p_faster"], pairs.loc[near, "faster"]),
        ("p_ceiling", clear["p_ceiling"], clear["p_ceiling_measured"] >= MORE_LIKELY),
    ):
        if not len(stated):
            continue
        p, event = stated.to_numpy(dtype=float), happened.to_numpy(dtype=bool)
        curve = calibration_curve(p, event)
        part = pd.DataFrame(
            {
                "what": what,
                "stated": curve.stated,
                "happened": curve.happened,
                "lower": curve.lower,
                "upper": curve.upper,
                "count": curve.count.astype(int),
                "brier": float(brier(p, event).mean()),
            }
        )
        parts.append(part)
    columns = ["what", "stated", "happened", "lower", "upper", "count", "brier"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


HELD_OUT_WORDS = {
    "each": "Held out in turn, {cards} {were} predicted",
    "largest": "Held out at once, the {cards} with most shaders x clock {were} predicted",
    "newest_architecture": "Held out at once, the {cards} of the newest architecture {were} "
    "predicted",
}


def score_words(
    table: pd.DataFrame,
    summary: pd.DataFrame,
    cards: pd.DataFrame,
    level: float,
    held_out: str,
    scene: str,
) -> str:
    """Say how good the predictions were in one paragraph."""
    judged = table[table["reason"] == ""]
    left = len(table) - len(judged)
    if judged.empty:
        reason = table["reason"].value_counts().index[0]
        return f"None of {counted(left, 'held-out cell')} could be judged: {reason}."
    count = judged["card"].nunique()
    words = HELD_OUT_WORDS[held_out].format(
        cards=counted(count, "card"), were="was" if count == 1 else "were"
    )
    words += f" in {scene}" if scene else ""
    whole = summary[summary["group"] == "all"].set_index("method")
    own = whole.loc[OWN]
    words += f" within {np.expm1(own['mean_abs_error']):.1%} on average{_peer_words(whole)}; "
    words += (
        f"{judged['inside'].astype(bool).mean():.0%} of {len(judged)} measured rates lie in the "
        f"{100 * level:.10g}% ranges"
    )
    words += f", which are {np.expm1(own['width']):.1%} wide. {_worst(cards)}"
    if left:
        words += f" {counted(left, 'cell')} {'is' if left == 1 else 'are'} judged for nobody."
    return words


def _peer_words(whole: pd.DataFrame) -> str:
    """Name the best plain peer, and the nearest card, with their errors."""
    errors = whole["mean_abs_error"].drop(OWN).dropna()
    if errors.empty:
        return ""
    best = str(errors.idxmin())
    words = f" ({METHOD_WORDS[best]}, the best plain peer: {np.expm1(errors[best]):.1%}"
    if best != "nearest_card" and "nearest_card" in errors.index:
        words += f"; nearest card: {np.expm1(errors['nearest_card']):.1%}"
    return f"{words})"


def _worst(cards: pd.DataFrame) -> str:
    judged = cards[cards["mean_error"].notna()]
    worst = judged.iloc[int(np.argmax(judged["mean_error"].abs()))]
    words = worst["where"] or off_words(float(worst["mean_error"]), "on average")
    return f"Worst: {worst['card']}, {words}."
