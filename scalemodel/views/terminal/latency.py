"""Latency: the lines of scenes, cards that break from them, ties, and cards to come."""

import math
from itertools import pairwise
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.text import Text

from scalemodel.answers.comparison import DIFFERENT, OPEN, TIED
from scalemodel.answers.latency import Latency
from scalemodel.answers.spread import ALL
from scalemodel.views.tables import rows_of
from scalemodel.views.terminal.parts import by_scene, grid, heading, note, reasons, sentence, stack
from scalemodel.views.words import (
    CAUTION,
    count_words,
    level_words,
    ms_range_words,
    ms_words,
    short_scene,
    shortened,
    signed_ms_words,
)

MOST_SHOTS = 10
SIGNS = {TIED: "≈ ", DIFFERENT: "", OPEN: "? "}
LINE_COLUMNS = ("scene", ">cells", "constant", "frames", ">at least")
CARD_COLUMNS = ("card", ">cells", ">mean", ">from the line", "range", ">in frames", "")
SHOT_COLUMNS = (">row", "card", "scene", "resolution", ">shot", ">latency", ">apart", ">counts")
NEXT_COLUMNS = ("card", "next slower", ">difference", "range", ">charts", "")


def latency_view(answer: Latency) -> RenderableType:
    """Show lines, cards in their order with ties, shots to look at, and cards to come."""
    parts: list[RenderableType] = [sentence(str(answer))]
    for platform, lines in answer.lines.groupby("platform", sort=False):
        known = lines[lines["reason"] == ""]
        if known.empty:
            continue
        bought = f">{known['from_fps'].iloc[0]:g}→{known['to_fps'].iloc[0]:g} fps"
        rows = [_line(row) for row in rows_of(known)]
        parts += [heading("latency is a constant and some frames", str(platform)), Text()]
        parts += [grid((*LINE_COLUMNS, bought), rows, "There is no line."), Text()]
        cards = answer.cards[answer.cards["platform"] == platform]
        order = cards.sort_values("mean_ms", kind="stable", na_position="last")
        parts += [heading("cards, by latency", str(platform)), Text()]
        parts += [grid(CARD_COLUMNS, [_card(row) for row in rows_of(order)], ""), Text()]
        parts += [*_next(answer, order, str(platform)), Text()]
    parts += _shots(answer) + _ahead(answer)
    why = answer.table.loc[answer.table["reason"] != "", "reason"]
    if not why.empty:
        parts += [note("Not on a line:"), *reasons(why, "cell")]
    legend = (
        f"Ranges: {level_words(answer.level)}.  Of the frames any click takes one and a half; the "
        "rest waits in a queue.  Times in ms.\n"
        "at least: what frame, GPU and screen make any click wait, of what was measured (medians)\n"
        f"≈ tied: surely within {answer.margin_ms:g} ms   ? open: neither tied nor different   "
        "◆ breaks from the line"
    )
    return stack(*parts, note(legend))


def _line(row: Any) -> list[str | Text]:
    name = "all scenes" if row.game == ALL else short_scene(row.game, row.preset, 28)
    constant = f"{row.constant_lower_ms:.1f}…{row.constant_upper_ms:.1f}".replace("-", "−")
    frames = f"{row.frames_lower:.2f}…{row.frames_upper:.2f}"
    return [
        name,
        f"{row.cells}",
        Text.assemble((f"{row.constant_ms:.1f}", "bold"), f" ({constant})"),
        Text.assemble((f"{row.frames:.2f}", "bold"), f" ({frames})"),
        f"{row.least_ms:.1f} of {row.typical_ms:.1f}",
        signed_ms_words(-row.bought_ms).removesuffix(" ms"),
    ]


def _card(row: Any) -> list[str | Text]:
    if math.isnan(row.apart_ms):
        return [shortened(str(row.card), 20), f"{row.cells}", _mean(row), "–", "", "–", ""]
    return [
        shortened(str(row.card), 20),
        f"{row.cells}",
        _mean(row),
        Text(signed_ms_words(row.apart_ms), style="bold" if row.breaks else ""),
        ms_range_words(row.apart_lower_ms, row.apart_upper_ms),
        f"{row.apart_frames:+.2f}".replace("-", "−"),
        "◆ breaks from the line" if row.breaks else "",
    ]


def _mean(row: Any) -> str:
    return "–" if math.isnan(row.mean_ms) else ms_words(row.mean_ms)


def _next(answer: Latency, order: pd.DataFrame, platform: str) -> list[RenderableType]:
    """Show each card against the next slower one; more are in --rows pairs."""
    cards = list(order.loc[order["mean_ms"].notna(), "card"])
    pairs = answer.pairs[answer.pairs["platform"] == platform]
    found = {(row.a, row.b): row for row in rows_of(pairs)}
    rows = []
    for fast, slow in pairwise(cards):
        row, sign = found.get((fast, slow)), -1.0
        if row is None:
            row, sign = found.get((slow, fast)), 1.0
        if row is None:
            continue
        ends = sorted((sign * row.lower_ms, sign * row.upper_ms))
        mark = SIGNS.get(str(row.verdict), "")
        rows.append(
            [
                shortened(fast, 20),
                shortened(slow, 20),
                f"{mark}{signed_ms_words(sign * row.difference_ms)}",
                "" if math.isnan(ends[0]) else ms_range_words(*ends),
                f"{row.charts_used}",
                str(row.verdict),
            ]
        )
    return [grid(NEXT_COLUMNS, rows, "No two cards share a chart.")]


def _shots(answer: Latency) -> list[RenderableType]:
    flagged = answer.shots[answer.shots["found_by"] != ""]
    flagged = flagged.sort_values("sds", key=abs, ascending=False, kind="stable")
    if flagged.empty:
        return []
    rows = [_shot(row) for row in rows_of(flagged.head(MOST_SHOTS))]
    parts = [heading(f"{answer.source} to look at", ""), Text(), grid(SHOT_COLUMNS, rows, "")]
    more = len(flagged) - MOST_SHOTS
    if more > 0:
        parts.append(note(f"and {count_words(more, 'more')}: see --rows shots --format csv"))
    return [*parts, Text()]


def _shot(row: Any) -> list[str | Text]:
    return [
        f"{row.row}",
        shortened(str(row.card), 16),
        short_scene(row.game, row.preset, 24),
        str(row.resolution),
        str(row.shot),
        ms_words(row.latency_ms),
        signed_ms_words(row.apart_ms),
        f"× {row.weight:.2g}",
    ]


def _ahead(answer: Latency) -> list[RenderableType]:
    parts: list[RenderableType] = []
    for (card, platform), rows in answer.ahead.groupby(["card", "platform"], sort=False):
        told = rows[rows["reason"] == ""]
        parts += [heading(f"latency to expect of {card}", str(platform)), Text()]
        parts += [by_scene(told, _range, empty=str(rows["reason"].iloc[0])), Text()]
    return [*parts, note(CAUTION)] if parts else []


def _range(row: Any) -> Text:
    span = ms_range_words(row.lower_ms, row.upper_ms)
    return Text.assemble((ms_words(row.median_ms), "bold"), f" ({span})")


def compare_words(table: pd.DataFrame, margin_ms: float) -> str:
    """Say in words how far two cards' latencies are apart."""
    words = []
    for row in rows_of(table[table["row_kind"] == "summary"]):
        if row.reason:
            words.append(f"On {row.platform} {row.a} and {row.b} cannot be compared: {row.reason}.")
            continue
        meaning = {
            TIED: f"tied, surely within {margin_ms:g} ms",
            DIFFERENT: "different",
            OPEN: f"open, neither surely apart nor surely within {margin_ms:g} ms",
        }[row.verdict]
        ends = f"{signed_ms_words(row.lower_ms)} to {signed_ms_words(row.upper_ms)}"
        words.append(
            f"On {row.platform} the latency of {row.a} is that of {row.b} "
            f"{signed_ms_words(row.difference_ms)} ({ends}) over "
            f"{count_words(row.charts_used, 'chart')}: {meaning}."
        )
    return " ".join(words)


def compare_view(table: pd.DataFrame, answer: Latency) -> RenderableType:
    """Show two cards chart by chart."""
    charts = table[table["row_kind"] == "chart"]
    parts: list[RenderableType] = [sentence(compare_words(table, answer.margin_ms))]
    for (a, b, platform), rows in charts.groupby(["a", "b", "platform"], sort=False):
        parts += [heading(f"latency of {a} less that of {b}", str(platform)), Text()]
        parts += [by_scene(rows, _difference, empty=""), Text()]
    legend = (
        f"In parentheses {level_words(answer.level)} ranges from test error.   ≈ tied: surely "
        f"within {answer.margin_ms:g} ms   ? open: neither"
    )
    return stack(*parts, note(legend))


def _difference(row: Any) -> Text:
    span = "" if math.isnan(row.lower_ms) else f" ({ms_range_words(row.lower_ms, row.upper_ms)})"
    mark = SIGNS[str(row.verdict)]
    return Text.assemble((f"{mark}{signed_ms_words(row.difference_ms)}", "bold"), span)
