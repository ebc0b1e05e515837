"""What cards give for their power: frames per joule, power limits, cards out of line."""

from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.comparable import ALL
from scalemodel.answers.power import Power
from scalemodel.answers.power_cards import MEASURED
from scalemodel.answers.power_siblings import LESS, MARGIN, MORE
from scalemodel.answers.report import Report
from scalemodel.views.figures.power import power_figure
from scalemodel.views.report.cards import chance, named, rests_on
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
    uncautioned,
)
from scalemodel.views.style import Figure
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    count_words,
    efficiency_words,
    lead_words,
    level_words,
    rate_words,
    upscaled_words,
)

KEY, TITLE = "power", "What do they give for their power?"
SIGNS = {MORE: "▲", LESS: "▼"}


def section(report: Report) -> Section:
    """Show rate against power for each platform, then every card, then power limits."""
    answer = report.power
    if answer is None:
        words = f"Power is not known: {report.missing['power']}"
        return Section(KEY, TITLE, "Power is not known.", words)
    parts: list[Part] = []
    for n, (platform, cards) in enumerate(answer.cards.groupby("platform", sort=False)):
        limits, curves = (
            one[one["platform"] == platform] for one in (answer.limits, answer.curves)
        )
        title = f"Rate against power on {platform}"
        parts.append(
            drawing(
                partial(_figure, cards, limits, curves, answer.level),
                title,
                "Every card's rate over its board power, with ranges, among lines of the same "
                "frames per joule. The numbers are in the table below.",
                folded=f"{title} (figure)" if n else "",
            )
        )
        parts.append(_cards(answer, str(platform), cards))
    if not answer.limits.empty:
        parts.append(_limits(answer))
    parts.append(detail("In words, with cards out of line and power limits", str(answer)))
    tables = {
        "power": answer.cards,
        "power-architectures": answer.siblings,
        "power-limits": answer.limits,
        "power-curves": answer.curves,
    }
    return Section(KEY, TITLE, _gist(answer), sentence(answer), tuple(parts), tables)


def _figure(
    cards: pd.DataFrame, limits: pd.DataFrame, curves: pd.DataFrame, level: float
) -> Figure:
    return uncautioned(power_figure(cards, limits, curves, level))


def _measured(answer: Power) -> pd.DataFrame:
    """Give the measured cards of the first platform with some, the most efficient first."""
    rows = answer.cards[(answer.cards["resolution"] == ALL) & answer.cards["position"].notna()]
    rows = rows[rows["basis"] == MEASURED]
    return rows[rows["platform"] == rows["platform"].iloc[0]] if len(rows) else rows


def sentence(answer: Power) -> str:
    """Say what the most efficient card gives, and which are out of line with their architecture."""
    here = _measured(answer)
    if here.empty:
        return _gist(answer)
    first = here.iloc[0]
    span = f"{efficiency_words(first['lower'])} to {efficiency_words(first['upper'])}"
    words = (
        f"On {first['platform']} {first['card']} gives the most for its power of "
        f"{count_words(len(here), 'card')}: {efficiency_words(first['frames_per_joule'])} frames "
        f"per joule ({span})"
    )
    odd = answer.siblings[answer.siblings["platform"] == first["platform"]]
    counts = [int((odd["verdict"] == verdict).sum()) for verdict in (MORE, LESS)]
    more, less = counts
    if more + less:
        words += f". Clearly above their architecture: {more}, clearly below: {less}"
    return f"{words}."


def _gist(answer: Power) -> str:
    """Name the most and the least efficient measured card of the first platform with some."""
    here = _measured(answer)
    if here.empty:
        return "Not known: no chart with power compares cards."
    first, last = here.iloc[0], here.iloc[-1]
    words = (
        f"{first['card']} the most, {efficiency_words(first['frames_per_joule'])} frames per joule"
    )
    if len(here) > 1:
        words += f"; {last['card']} the least, {efficiency_words(last['frames_per_joule'])}"
    several = answer.cards["platform"].nunique() > 1
    return f"{words}, on {here['platform'].iloc[0]}." if several else f"{words}."


def _cards(answer: Power, platform: str, cards: pd.DataFrame) -> Table:
    own = answer.siblings[answer.siblings["platform"] == platform].set_index("card")
    columns = [
        Column("card", named),
        Column("frames per joule", _efficiency, number=True),
        Column("range", _range, number=True),
        Column("over next", lambda row: chance(row.p_more_efficient), number=True),
        Column("fps", lambda row: number(row.rate, rate_words(row.rate)), number=True),
        Column("W", lambda row: number(row.power_w, f"{row.power_w:.0f}"), number=True),
        Column("against its architecture", lambda row: _against(own, row.card), number=True),
        Column("rests on", rests_on),
    ]
    caption = (
        f"Every card on {platform}, over the charts that compare cards: frames per joule with "
        f"{level_words(answer.level)} ranges if other games like these were tested, and the "
        "probability of being truly above the next card. ◇ predicted; ▲ ▼ surely "
        f"{MARGIN:.0%} or more above or below the others of its architecture. "
        f"{upscaled_words(cards)}".rstrip()
    )
    here = cards[cards["resolution"] == ALL]
    words = f"All {count_words(len(here), 'card')} on {platform} by frames per joule"
    return table(caption, columns, here, folded=folded_if_long(here, words))


def _efficiency(row: Any) -> Cell:
    return number(row.frames_per_joule, efficiency_words(row.frames_per_joule), strong=True)


def _range(row: Any) -> Cell:
    return number(row.lower, f"{efficiency_words(row.lower)} to {efficiency_words(row.upper)}")


def _against(own: pd.DataFrame, card: str) -> Cell:
    if card not in own.index:
        return Cell("–")
    row = next(rows_of(own.loc[[card]]))
    words = lead_words(row.against_siblings)
    return number(row.against_siblings, words, sign=SIGNS.get(row.verdict, ""))


def _limits(answer: Power) -> Table:
    columns = [
        Column("card", lambda row: str(row.card)),
        Column("limit, W", lambda row: f"{row.power_limit_w:g}", number=True),
        Column("platform", lambda row: str(row.platform)),
        Column("drawn, W", lambda row: number(row.power_w, f"{row.power_w:.0f}"), number=True),
        Column("of its rate", lambda row: number(row.rate_ratio, f"{row.rate_ratio:.1%}"), True),
        Column("range", _limit_range, number=True),
        Column("frames per joule", _limit_gain, number=True),
        Column("rests on", rests_on),
    ]
    caption = (
        "Cards tested at other power limits: what they show on the same charts against their own "
        f"limit, with {level_words(answer.level)} ranges."
    )
    return table(caption, columns, answer.limits, heads=2)


def _limit_range(row: Any) -> Cell:
    return number(row.lower, f"{row.lower:.1%} to {row.upper:.1%}")


def _limit_gain(row: Any) -> Cell:
    gain = row.frames_per_joule_ratio - 1
    return number(gain, lead_words(gain))
