"""Why the order of cards changes from the highest to the lowest resolution."""

from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.explain import CHANGE, Explanation, ordered_parts
from scalemodel.answers.order import FLIPS, Order
from scalemodel.answers.report import Report
from scalemodel.answers.standings import Standings
from scalemodel.views.figures.explain import explain_figure
from scalemodel.views.figures.order import order_figure
from scalemodel.views.figures.slopes import slopes_figure
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
from scalemodel.views.words import (
    count_words,
    lead_words,
    level_words,
    points_range_words,
    points_words,
    probability_words,
    scene_words,
)

KEY, TITLE = "order", "Why does the order change?"


def section(report: Report) -> Section:
    """Show the pairs of cards that change places, then the largest shift part by part."""
    order, explanation = report.order, report.explanation
    if order is None:
        words = f"Nothing to compare: {report.missing['order']}"
        return Section(KEY, TITLE, "Nothing to compare.", words)
    parts: list[Part] = [
        *_slopes(report.standings),
        drawing(
            lambda: order_figure(order.table, (order.start, order.end), order.level),
            "Pairs of cards that change places",
            "For each cause the pairs of cards with the largest change: their lead on the two "
            "charts. The numbers are in the table of pairs.",
        ),
        _pairs(order),
    ]
    tables = {"order": order.table, "order-scenes": order.scenes}
    if explanation is None:
        parts.append(Words(f"No shift is explained: {report.missing['explanation']}."))
    else:
        parts += _explained(explanation)
        tables["explain"] = explanation.table
    return Section(KEY, TITLE, _gist(order, explanation), str(order), tuple(parts), tables)


def _slopes(standings: Standings | None) -> list[Part]:
    """Draw the places of all cards from resolution to resolution, a figure a platform."""
    if standings is None:
        return []
    groups = standings.places.groupby("platform", sort=False)
    return [
        drawing(
            partial(slopes_figure, places, standings.table, standings.level),
            f"Places from resolution to resolution on {platform}",
            "A line a card through its place at every resolution; those that change places stand "
            "out. The numbers are in the tables of who leads whom.",
            folded=f"Places from resolution to resolution on {platform} (figure)",
        )
        for platform, places in groups
        if places["resolution"].nunique() > 1
    ]


def _gist(order: Order, explanation: Explanation | None) -> str:
    flips = order.table[order.table["verdict"] == FLIPS]
    verb = "changes" if len(flips) == 1 else "change"
    words = f"{count_words(len(flips), 'pair')} of cards {verb} places from {order.start} to "
    words += order.end
    if explanation is None:
        return f"{words}."
    causes = flips["cause"].value_counts()
    shift = f"{explanation.a} loses most, against {explanation.b}"
    return f"{words}, most for {causes.index[0]}; {shift}."


def _pairs(order: Order) -> Table:
    columns = [
        Column("pair", lambda row: f"{row.a} over {row.b}"),
        Column("platform", lambda row: row.platform, choose=True),
        Column("scene", lambda row: scene_words(row.game, row.preset), choose=True),
        Column(f"lead at {order.start}", lambda row: _lead(row.lead_from), number=True),
        Column(f"lead at {order.end}", lambda row: _lead(row.lead_to), number=True),
        Column("due to", _cause, choose=True),
        Column("of it", lambda row: number(row.cause_points, points_words(row.cause_points)), True),
        Column("range", _range, number=True),
        Column("probability", _probability, number=True),
        Column("verdict", _verdict, choose=True),
    ]
    caption = (
        "Pairs of cards whose measured order differs. Due to: the part of the change that pushes "
        f"furthest, in points of the lead, with its {level_words(order.level)} range. "
        "Probability: that careful measurements would show the same change of places."
    )
    count = count_words(len(order.table), "pair")
    return table(caption, columns, order.table, tools=True, folded=f"All {count}, to filter")


def _lead(lead: float) -> Cell:
    return number(lead, lead_words(lead))


def _cause(row: Any) -> str:
    return f"{row.cause}, weighs {row.weighs}" if row.weighs else str(row.cause)


def _range(row: Any) -> str:
    return points_range_words(row.cause_lower, row.cause_upper)


def _probability(row: Any) -> Cell:
    return number(row.p_flip, probability_words(row.p_flip))


def _verdict(row: Any) -> Cell:
    return Cell("flips", "●") if row.verdict == FLIPS else Cell("within test error", "≈")


def _explained(explanation: Explanation) -> list[Part]:
    a, b = explanation.a, explanation.b
    return [
        Heading(f"The largest shift: {a} over {b}"),
        Words(str(explanation)),
        drawing(
            lambda: explain_figure(explanation.table, explanation.level),
            f"Why the lead of {a} over {b} changes",
            "The mean change part by part, then the lead on both charts of each scene. The "
            "numbers are in the table.",
        ),
        _parts(explanation),
    ]


def _parts(explanation: Explanation) -> Table:
    rows = explanation.table[explanation.table["reason"] == ""]
    chart = ["row_kind", "platform", "game", "preset", "resolution"]
    groups = [
        pd.concat([one[one["part"] == CHANGE], ordered_parts(one)])
        for _, one in rows.groupby(chart, sort=False)
    ]
    ordered = pd.concat(groups, ignore_index=True)
    columns = [
        Column("scene", _scene, choose=True),
        Column("platform", lambda row: row.platform, choose=True),
        Column("part", lambda row: "the whole change" if row.part == CHANGE else row.part),
        Column("points", lambda row: number(row.points, points_words(row.points)), number=True),
        Column("range", lambda row: points_range_words(row.lower, row.upper), number=True),
        Column("proven", lambda row: Cell("yes", "●") if row.proven else Cell("no", "○")),
        Column("weighs", lambda row: row.weighs or "–"),
    ]
    caption = (
        f"Parts of the change of the lead of {explanation.a} over {explanation.b} from "
        f"{explanation.start} to {explanation.end}, in points; they sum to the change."
    )
    return table(caption, columns, ordered, tools=True, folded="Every part, scene by scene")


def _scene(row: Any) -> str:
    return "mean of all" if row.row_kind == "summary" else scene_words(row.game, row.preset)
