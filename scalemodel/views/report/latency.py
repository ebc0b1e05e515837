"""How long from a click to the screen, and which cards take longer than their rate says."""

from functools import partial
from itertools import pairwise
from typing import Any

import pandas as pd

from scalemodel.answers.latency import Latency
from scalemodel.answers.report import Report
from scalemodel.answers.spread import ALL
from scalemodel.views.figures.latency import latency_figure
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Part,
    Section,
    Table,
    detail,
    drawing,
    folded_if_long,
    number,
    table,
)
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    level_words,
    ms_range_words,
    ms_words,
    scene_words,
    signed_ms_words,
)

KEY, TITLE = "latency", "How long from a click to the screen?"


def section(report: Report) -> Section:
    """Show latency against frame time, cards by their latency, and the line of each scene."""
    answer = report.latency
    if answer is None:
        words = f"Latency is not known: {report.missing['latency']}"
        return Section(KEY, TITLE, "Latency is not known.", words)
    parts: list[Part] = []
    for n, platform in enumerate(dict.fromkeys(answer.lines["platform"])):
        title = f"Latency against frame time on {platform}"
        parts.append(
            drawing(
                partial(latency_figure, answer, str(platform)),
                title,
                "A panel a scene: the latency of every card over its frame time, with the line of "
                "the scene and what no latency can be below. The numbers are in the tables below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
        parts.append(_cards(answer, str(platform)))
    parts += [_lines(answer), *_ahead(answer), detail("In words, with pairs of cards", str(answer))]
    tables = {
        "latency": answer.table,
        "latency-cards": answer.cards,
        "latency-pairs": answer.pairs,
        "latency-scenes": answer.lines,
        "latency-ahead": answer.ahead[answer.ahead["reason"] == ""],
    }
    kept = {name: one for name, one in tables.items() if len(one)}
    words = sentence(answer)
    return Section(KEY, TITLE, words, words, tuple(parts), kept)


def sentence(answer: Latency) -> str:
    """Say what latency is made of on the first platform with a line, and who breaks from it."""
    lines = answer.lines[(answer.lines["game"] == ALL) & (answer.lines["reason"] == "")]
    if lines.empty:
        return f"It was measured, but there is no line: {answer.lines['reason'].iloc[0]}."
    line = lines.iloc[0]
    words = f"A click takes {ms_words(line['constant_ms'])} and {line['frames']:.1f} frames"
    words += f" on {line['platform']}" if answer.lines["platform"].nunique() > 1 else ""
    cards = answer.cards[answer.cards["platform"] == line["platform"]]
    broken = cards[cards["breaks"].astype(bool)]
    if broken.empty:
        return f"{words}; no card breaks from that line."
    furthest = broken.loc[broken["apart_ms"].abs().idxmax()]
    words += f"; {furthest['card']} breaks from that line, {signed_ms_words(furthest['apart_ms'])}"
    others = len(broken) - 1
    return f"{words}, and {count_words(others, 'other card')}." if others else f"{words}."


def _cards(answer: Latency, platform: str) -> Table:
    cards = answer.cards[answer.cards["platform"] == platform]
    order = cards.sort_values("mean_ms", kind="stable")
    verdicts = _verdicts(answer.pairs[answer.pairs["platform"] == platform], list(order["card"]))
    columns = [
        Column("card", lambda row: row.card),
        Column("mean", lambda row: number(row.mean_ms, ms_words(row.mean_ms)), number=True),
        Column("from the line", _apart, number=True),
        Column("range", _apart_range, number=True),
        Column("in frames", _frames, number=True),
        Column("against the next", lambda row: verdicts.get(row.card, Cell("–"))),
        Column("cells", lambda row: f"{row.cells}", number=True),
    ]
    caption = (
        f"Cards on {platform} by mean latency over the charts that all of them have. From the "
        f"line: how far a card is from what its frame times say, with {level_words(answer.level)} "
        f"ranges; ◆ breaks from it. Against the next: tied (≈) if surely within "
        f"{answer.margin_ms:g} ms, ? if open."
    )
    folded = folded_if_long(
        order, f"All {count_words(len(order), 'card')} on {platform} by latency"
    )
    return table(caption, columns, order, folded=folded)


def _verdicts(pairs: pd.DataFrame, cards: list[str]) -> dict[str, Cell]:
    """Give each card how much the one after it takes longer, and the verdict."""
    found = {(row.a, row.b): row for row in rows_of(pairs)}
    told = {}
    for fast, slow in pairwise(cards):
        row, sign = found.get((fast, slow)), -1.0
        if row is None:
            row, sign = found.get((slow, fast)), 1.0
        if row is not None and not row.reason:
            sign_of = {"tied": "≈", "open": "?"}.get(row.verdict, "")
            told[fast] = Cell(
                f"{signed_ms_words(sign * row.difference_ms)}", sign_of, str(row.verdict)
            )
    return told


def _apart(row: Any) -> Cell:
    words = signed_ms_words(row.apart_ms)
    return number(row.apart_ms, words, sign="◆" if row.breaks else "", strong=bool(row.breaks))


def _apart_range(row: Any) -> Cell:
    return number(row.apart_ms, ms_range_words(row.apart_lower_ms, row.apart_upper_ms))


def _frames(row: Any) -> Cell:
    return number(row.apart_frames, f"{row.apart_frames:+.2f}".replace("-", "−"))


def _lines(answer: Latency) -> Table:
    lines = answer.lines
    columns = [
        Column("scene", _scene),
        Column("platform", lambda row: row.platform),
        Column("cells", lambda row: number(row.cells, f"{row.cells:.0f}"), number=True),
        Column("constant", lambda row: _span(row, "constant"), number=True),
        Column("frames", lambda row: _span(row, "frames"), number=True),
        Column("at least", _least, number=True),
        Column(_bought_heading(lines), _bought, number=True),
        *([Column("reason", lambda row: row.reason or "–")] if lines["reason"].any() else []),
    ]
    caption = (
        "The line of each scene: a constant in ms and a number of frames, with "
        f"{level_words(answer.level)} ranges. At least: what frame, GPU and screen make any click "
        "wait, of what was measured (medians)."
    )
    folded = folded_if_long(lines, "The line of latency, scene by scene")
    return table(caption, columns, lines, folded=folded)


def _bought_heading(lines: pd.DataFrame) -> str:
    known = lines[lines["reason"] == ""]
    if known.empty:
        return "bought"
    return f"{known['from_fps'].iloc[0]:g} → {known['to_fps'].iloc[0]:g} fps"


def _scene(row: Any) -> str:
    return "all scenes" if row.game == ALL else scene_words(row.game, row.preset)


def _span(row: Any, name: str) -> Cell:
    unit, digits = ("_ms", 1) if name == "constant" else ("", 2)
    value, low, high = (getattr(row, f"{name}{end}{unit}") for end in ("", "_lower", "_upper"))
    small = f"{low:.{digits}f}…{high:.{digits}f}".replace("-", "−")
    return number(value, f"{value:.{digits}f}", small=small)


def _least(row: Any) -> Cell:
    return number(row.least_ms, f"{row.least_ms:.1f} of {row.typical_ms:.1f}")


def _bought(row: Any) -> Cell:
    return number(row.bought_ms, signed_ms_words(-row.bought_ms))


def _ahead(answer: Latency) -> list[Part]:
    """Show what latency to expect of unreleased cards, where there are some."""
    told = answer.ahead[answer.ahead["reason"] == ""]
    if told.empty:
        return []
    columns = [
        Column("card", lambda row: row.card, choose=True),
        Column("platform", lambda row: row.platform, choose=True),
        Column("scene", lambda row: scene_words(row.game, row.preset), choose=True),
        Column("resolution", lambda row: row.resolution, choose=True),
        Column("expected", lambda row: ms_words(row.median_ms), number=True),
        Column("range", lambda row: ms_range_words(row.lower_ms, row.upper_ms), number=True),
    ]
    caption = (
        f"Latency to expect of unreleased cards, with {level_words(answer.level)} ranges in ms: "
        "from the sheet to the rate, and from the rate by the line of its scene."
    )
    folded = "Latency to expect of unreleased cards"
    return [table(caption, columns, told, heads=1, tools=True, folded=folded)]
