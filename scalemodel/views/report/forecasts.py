"""How good the forecasts are: scores that are kept beside the bench."""

import math
from functools import partial
from shlex import quote
from typing import Any

import numpy as np
import pandas as pd

from scalemodel.answers.report import Report
from scalemodel.answers.score import Score
from scalemodel.answers.score_tables import METHOD_WORDS, OWN
from scalemodel.views.figures.score import score_figure
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Heading,
    Part,
    Section,
    Table,
    Words,
    drawing,
    number,
    table,
)
from scalemodel.views.words import level_words, probability_words

KEY, TITLE = "forecasts", "How good are these forecasts?"
HELD_OUT = {
    "each": "Each card held out in turn",
    "largest": "The largest cards held out at once",
    "newest_architecture": "All cards of the newest architecture held out at once",
}
KINDS = {
    "p_faster": "that a card is the faster one",
    "p_faster within test error": "the same, where the two are within test error",
    "p_ceiling": "that a cell sits at the ceiling",
}


def section(report: Report) -> Section:
    """Show every kept score: methods, groups, cards, and probabilities."""
    if not report.scores:
        level = "" if report.level == 0.8 else f" --level {report.level:g}"
        metric = "" if report.fit.metric == "average" else f" --metric {report.fit.metric}"
        command = f"scalemodel score {quote(report.fit.bench.source)}{metric}{level}"
        words = f"No score is kept beside the bench. To have it here, run {command} first."
        return Section(KEY, TITLE, f"Not scored yet: {command} does it.", words)
    parts: list[Part] = []
    tables: dict[str, pd.DataFrame] = {}
    for how, score in report.scores.items():
        parts += [Heading(HELD_OUT[how]), Words(str(score)), *_one(score)]
        tables |= {
            f"score-{how}-summary": score.summary,
            f"score-{how}-cards": score.cards,
            f"score-{how}-calibration": score.calibration,
        }
    first = next(iter(report.scores.values()))
    words = "Cards are held out, predicted from their sheets, and compared with their results."
    return Section(KEY, TITLE, _gist(first), words, tuple(parts), tables)


def _gist(score: Score) -> str:
    whole = score.summary[score.summary["group"] == "all"].set_index("method")
    errors = whole["mean_abs_error"].dropna()
    if OWN not in errors.index:
        return "No held-out cell could be judged."
    words = f"Cards held out are predicted within {np.expm1(errors[OWN]):.1%} on average"
    peers = errors.drop(OWN)
    if len(peers):
        best = str(peers.idxmin())
        words += f"; the best plain peer, {METHOD_WORDS[best]}, within {np.expm1(peers[best]):.1%}"
    return f"{words}."


def _one(score: Score) -> list[Part]:
    title = f"{HELD_OUT[score.held_out]}: errors and ranges"
    return [
        _summary(score),
        drawing(
            lambda: score_figure(score),
            title,
            "The mean error of every card by each method, how many measured rates the ranges "
            "hold, and how often the card named faster was. The numbers are in the tables.",
        ),
        _cards(score.cards),
        _calibration(score.calibration),
    ]


def _summary(score: Score) -> Table:
    columns = [
        Column("method", lambda row: METHOD_WORDS[row.method]),
        Column("cells of", lambda row: row.group),
        Column("cells", lambda row: f"{row.cells:,}", number=True),
        Column("mean error", lambda row: _percent(row.mean_abs_error), number=True),
        Column("median", lambda row: _percent(row.median_abs_error), number=True),
        *(
            Column(f"in {level}%", partial(_inside, level=level), number=True)
            for level in (50, 80, 95)
        ),
        Column(f"width of {level_words(score.level)}", lambda row: _percent(row.width), True),
        Column("reason", lambda row: row.reason or "–"),
    ]
    caption = (
        "All methods on the same cells. In 80%: share of measured rates that the 80% ranges "
        "hold, with its binomial interval as if all cells were independent."
    )
    own = score.summary["method"] == OWN
    rows = score.summary[own | (score.summary["group"] == "all")]
    return table(caption, columns, rows, heads=2)


def _inside(row: Any, level: int) -> Cell:
    share, low, high = (getattr(row, f"inside_{level}{end}") for end in ("", "_lower", "_upper"))
    return number(share, f"{share:.0%}", small="" if math.isnan(low) else f"{low:.0%}–{high:.0%}")


def _percent(log_ratio: float) -> Cell:
    return number(log_ratio, f"{100 * math.expm1(log_ratio):.1f}%")


def _signed(log_ratio: float) -> Cell:
    words = f"{100 * math.expm1(log_ratio):+.1f}%".replace("-", "−")
    return number(log_ratio, words)


def _cards(cards: pd.DataFrame) -> Table:
    columns = [
        Column("card", lambda row: row.card),
        Column("cells", lambda row: Cell(f"{row.cells}"), number=True),
        Column("mean error", lambda row: _signed(row.mean_error), number=True),
        Column("scatter", lambda row: _percent(row.scatter), number=True),
        Column("inside", lambda row: number(row.inside, f"{row.inside:.0%}"), number=True),
        Column("p", lambda row: number(row.p, probability_words(row.p)), number=True),
        Column("where", lambda row: row.where or "–"),
    ]
    caption = (
        "Each held-out card, predicted over measured, the worst first. p: how often the "
        "prediction itself strays as far somewhere."
    )
    worst = np.argsort(-cards["mean_error"].abs().fillna(-1.0).to_numpy(), kind="stable")
    count = f"All {len(cards)} held-out cards, the worst first"
    return table(caption, columns, cards.iloc[worst], tools=True, folded=count)


def _calibration(calibration: pd.DataFrame) -> Table:
    columns = [
        Column("probability", lambda row: KINDS[row.what]),
        Column("stated", lambda row: f"{row.stated:.3f}", number=True),
        Column("happened", lambda row: f"{row.happened:.3f}", number=True),
        Column("interval", lambda row: f"{row.lower:.3f}–{row.upper:.3f}", number=True),
        Column("statements", lambda row: f"{row.n:,}", number=True),
        Column("Brier", lambda row: f"{row.brier:.4f}", number=True),
    ]
    caption = "Stated probabilities beside the share of times that it happened."
    return table(caption, columns, calibration.rename(columns={"count": "n"}), heads=1)
