"""What cards give for their price: rate for money, and which cards no other beats."""

from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.comparable import ALL
from scalemodel.answers.report import Report
from scalemodel.answers.value import Value
from scalemodel.answers.value_rows import BEATEN, EFFICIENT, OPEN, PER
from scalemodel.views.figures.value import value_figure
from scalemodel.views.report.cards import chance, named, rests_on
from scalemodel.views.report.parts import (
    Cell,
    Column,
    Part,
    Section,
    Table,
    Words,
    detail,
    drawing,
    folded_if_long,
    number,
    table,
    uncautioned,
)
from scalemodel.views.style import Figure
from scalemodel.views.words import (
    PRICE_CAUTION,
    count_words,
    level_words,
    price_words,
    probability_words,
    rate_words,
    upscaled_words,
)

KEY, TITLE = "value", "What do they give for their price?"


def section(report: Report) -> Section:
    """Show rate against price for each platform, and every card's rate for its money."""
    answer = report.value
    if answer is None:
        words = f"Prices are not known: {report.missing['value']}"
        return Section(KEY, TITLE, "Prices are not known.", words)
    parts: list[Part] = [Words(PRICE_CAUTION, quiet=True)]
    for n, (platform, rows) in enumerate(answer.table.groupby("platform", sort=False)):
        title = f"Rate against price on {platform}"
        parts.append(
            drawing(
                partial(_figure, rows, answer.tolerance, answer.level),
                title,
                "Every card's rate over its price, with ranges; steps are the most rate that up to "
                "each price can be had. The numbers are in the table below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
        parts.append(_cards(answer, str(platform), rows))
    parts.append(detail("In words, with prices and what is too close to call", str(answer)))
    near = answer.pairs[answer.pairs["neighbours"].astype(bool)]
    tables = {"value": answer.table, "value-neighbours": near}
    return Section(KEY, TITLE, _gist(answer), sentence(answer), tuple(parts), tables)


def _figure(rows: pd.DataFrame, tolerance: float, level: float) -> Figure:
    return uncautioned(value_figure(rows, tolerance, level))


def _placed(answer: Value) -> pd.DataFrame:
    """Give the cards with a value on the first platform that has some, the best first."""
    rows = answer.table[(answer.table["resolution"] == ALL) & answer.table["position"].notna()]
    return rows[rows["platform"] == rows["platform"].iloc[0]] if len(rows) else rows


def sentence(answer: Value) -> str:
    """Say which card gives the most for its money, and how many no other beats in both."""
    here = _placed(answer)
    if here.empty:
        return _gist(answer)
    first, best = here.iloc[0], int((here["state"] == EFFICIENT).sum())
    return (
        f"On {first['platform']} {first['card']} gives the most rate for its money of "
        f"{count_words(len(here), 'card')}: {first['rate_per_100']:.1f} fps for {_unit(answer)} "
        f"({first['lower']:.1f} to {first['upper']:.1f}). For {best} of them no other card is "
        "faster and not dearer."
    )


def _gist(answer: Value) -> str:
    """Name the card with the most rate for its money on the first platform with prices."""
    rows = _placed(answer)
    if rows.empty:
        return "Not known: no card with a price has a chart that compares it."
    first = rows.iloc[0]
    words = f"{first['card']} the most: {first['rate_per_100']:.1f} fps for {_unit(answer)}"
    several = answer.table["platform"].nunique() > 1
    return f"{words}, on {first['platform']}." if several else f"{words}."


def _unit(answer: Value) -> str:
    return f"{PER:g} {answer.currency}".rstrip()


def _cards(answer: Value, platform: str, rows: pd.DataFrame) -> Table:
    columns = [
        Column("card", named),
        Column("price", lambda row: number(row.price, price_words(row.price)), number=True),
        Column(f"fps for {_unit(answer)}", _value, number=True),
        Column("range", _range, number=True),
        Column("over next", lambda row: chance(row.p_better_value), number=True),
        Column("fps", lambda row: number(row.rate, rate_words(row.rate)), number=True),
        Column("faster and not dearer", _state),
        Column("rests on", rests_on),
    ]
    caption = (
        f"Every card on {platform}, over the charts that compare cards: rate for {_unit(answer)} "
        f"with {level_words(answer.level)} ranges, and the probability of giving truly more than "
        "the next card. Faster and not dearer: the likeliest card that is, or none; where that is "
        f"open, the probability of none. ◇ predicted. {upscaled_words(rows)}".rstrip()
    )
    here = rows[rows["resolution"] == ALL]
    words = f"All {count_words(len(here), 'card')} on {platform} by rate for {_unit(answer)}"
    return table(caption, columns, here, folded=folded_if_long(here, words))


def _value(row: Any) -> Cell:
    return number(row.rate_per_100, f"{row.rate_per_100:.1f}", strong=True)


def _range(row: Any) -> Cell:
    return number(row.lower, f"{row.lower:.1f} to {row.upper:.1f}")


def _state(row: Any) -> Cell:
    if row.state == EFFICIENT:
        return Cell("none", "●")
    if row.state == OPEN:
        return Cell(f"{row.beaten_by}, or none ({probability_words(row.p_efficient)})", "◐")
    return Cell(str(row.beaten_by), "○") if row.state == BEATEN else Cell("–")
