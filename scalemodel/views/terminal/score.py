"""How good predictions of held-out cards are: beside the peers, by group and by card."""

import math
from typing import Any

import numpy as np
import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.score import Score
from scalemodel.answers.score_tables import METHOD_WORDS, OWN
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import METRIC_WORDS, level_words, probability_words

MOST_CARDS = 10
"""Cards listed: those with the largest mean error; the rest are in --rows cards."""


def score_view(summary: str, score: Score) -> RenderableType:
    """Show the methods, the groups of cells, the cards that were worst, and the probabilities."""
    return stack(
        sentence(summary),
        *_methods(score),
        *_cards(score.cards),
        *_probabilities(score.calibration),
        *_not_judged(score),
        note(
            "in 80%: share of measured rates in the 80% ranges. Those of the peers come from their "
            "errors on other held-out cards.\n"
            "p: how often the prediction itself strays as far somewhere. Everything: --format json"
        ),
    )


def _methods(score: Score) -> list[RenderableType]:
    """Show every method over all cells, then scalemodel by group."""
    metric = str(score.table["metric"].iloc[0])
    about = METRIC_WORDS.get(metric, metric)
    width = f">width of {level_words(score.level)}"
    names = (">mean error", ">median", ">in 50%", ">in 80%", ">in 95%", width)
    whole = score.summary[score.summary["group"] == "all"]
    groups = score.summary[(score.summary["method"] == OWN) & (score.summary["group"] != "all")]
    methods = [[METHOD_WORDS[row.method], *_numbers(row)] for row in rows_of(whole)]
    cells = [[f"{row.group} ({row.cells})", *_numbers(row)] for row in rows_of(groups)]
    return [
        heading("errors and ranges", about),
        Text(),
        grid(("method", *names), methods, "No cell was judged."),
        Text(),
        heading("scalemodel by group", f"{about}, cells in parentheses"),
        Text(),
        grid(("group", *names), cells, "No cell was judged."),
        Text(),
    ]


def _not_judged(score: Score) -> list[RenderableType]:
    """Say which cells are judged for nobody, and which numbers a method lacks."""
    why = score.table.loc[score.table["reason"] != "", "reason"]
    whole = score.summary[(score.summary["group"] == "all") & (score.summary["reason"] != "")]
    parts = [note("Judged for nobody:"), *reasons(why, "cell")] if len(why) else []
    for reason, rows in whole.groupby("reason", sort=False):
        names = ", ".join(METHOD_WORDS[name] for name in rows["method"])
        parts.append(note(f"{names}: {reason}"))
    return parts


def _numbers(row: Any) -> list[str]:
    shares = (row.inside_50, row.inside_80, row.inside_95)
    return [
        _percent(row.mean_abs_error),
        _percent(row.median_abs_error),
        *("–" if math.isnan(share) else f"{share:.0%}" for share in shares),
        _percent(row.width),
    ]


def _percent(log_ratio: float) -> str:
    return "–" if math.isnan(log_ratio) else f"{100 * math.expm1(log_ratio):.1f}%"


def _cards(cards: pd.DataFrame) -> list[RenderableType]:
    order = np.argsort(-cards["mean_error"].abs().fillna(-1.0).to_numpy(), kind="stable")
    worst = cards.iloc[order[:MOST_CARDS]]
    rows = [[row.card, f"{row.cells}", *_card(row), str(row.where)] for row in rows_of(worst)]
    names = ("card", ">cells", ">mean error", ">scatter", ">inside", ">p", "where")
    parts: list[RenderableType] = [
        heading("cards, the worst first", "predicted over measured"),
        Text(),
    ]
    parts += [grid(names, rows, "No card was held out.")]
    if len(cards) > MOST_CARDS:
        parts += [note(f"{len(cards) - MOST_CARDS} more: --rows cards")]
    return [*parts, Text()]


def _card(row: Any) -> list[str]:
    if math.isnan(row.mean_error):
        return ["–"] * 4
    signed = f"{100 * math.expm1(row.mean_error):+.1f}%".replace("-", "−")
    scatter = _percent(row.scatter) if row.cells > 1 else "–"
    return [signed, scatter, f"{row.inside:.0%}", probability_words(row.p)]


def _probabilities(calibration: pd.DataFrame) -> list[RenderableType]:
    """Say of each kind of probability how often what it favours happened."""
    words = {
        "p_faster": "faster card named",
        "p_faster within test error": "the same, where the two are within test error",
        "p_ceiling": "side of the ceiling named",
    }
    rows = []
    for what, part in calibration.groupby("what", sort=False):
        count = part["count"].sum()
        happened = part["happened"]
        named = happened.where(part["stated"] >= 0.5, 1 - happened)
        stated = part["stated"].where(part["stated"] >= 0.5, 1 - part["stated"])
        shares = [float((x * part["count"]).sum() / count) for x in (stated, named)]
        brier = float(part["brier"].iloc[0])
        numbers = (*(f"{share:.1%}" for share in shares), f"{brier:.4f}", f"{count:,}")
        rows.append([words[str(what)], *numbers])
    names = ("probabilities", ">should be right", ">was right", ">Brier", ">statements")
    return [grid(names, rows, "No probability was judged."), Text()] if rows else []
