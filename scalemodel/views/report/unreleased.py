"""Where cards land that nobody has tested: overall, and chart by chart."""

from functools import partial
from shlex import quote
from typing import Any

import pandas as pd

from scalemodel.answers.landing import Landing
from scalemodel.answers.lead import ALL
from scalemodel.answers.predict import Prediction
from scalemodel.answers.report import Report
from scalemodel.views.figures.prediction import prediction_figure
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
    uncautioned,
)
from scalemodel.views.style import Figure
from scalemodel.views.tables import rows_of
from scalemodel.views.words import (
    AT_CEILING,
    CAUTION,
    count_words,
    lead_words,
    level_words,
    probability_words,
    rate_words,
    resolution_order,
    scene_words,
    short_range_words,
    upscaled_words,
)

KEY, TITLE = "unreleased", "Where will the unreleased cards land?"
NEAREST = 4
"""Measured cards that a predicted one is compared with: the nearest overall."""


def section(report: Report) -> Section:
    """Show places and leads overall, then the ranges chart by chart."""
    prediction, landing = report.prediction, report.landing
    if prediction is None or landing is None:
        how = f"scalemodel report {quote(report.fit.bench.source)} --specs FILE -o FILE.html"
        words = f"Nothing was predicted: {report.missing['prediction']}. To have it: {how}"
        return Section(KEY, TITLE, "Nothing was predicted: no spec sheets were given.", words)
    sizes = resolution_order(report.fit.labels.charts["resolution"])
    leads = _nearest_leads(landing)
    parts: list[Part] = [
        *_card_words(landing),
        _places(landing, [ALL, *sizes]),
        _leads(leads, [ALL, *sizes], report.level),
        *_figures(prediction),
        Words(str(prediction), quiet=True),
        _ranges(prediction.table, report.level),
    ]
    return Section(
        key=KEY,
        title=TITLE,
        gist=_gist(landing),
        words=CAUTION,
        parts=tuple(parts),
        tables={
            "predict": prediction.table,
            "predict-places": landing.places,
            "predict-leads": landing.table,
        },
    )


def _gist(landing: Landing) -> str:
    """Say of each card its place and whom it passes, on the first platform it has one on."""
    words = []
    for card, rows in _overall(landing).groupby("card", sort=False):
        known = rows[rows["reason"] == ""]
        words.append(f"{card} {_where(landing, next(rows_of(rows if known.empty else known)), 1)}")
    return f"Estimated from spec sheets: {'; '.join(words)}."


def _card_words(landing: Landing) -> list[Part]:
    """Say of each card its place and its nearest neighbours on every platform, card by card."""
    return [
        Words(f"{card}: {'; '.join(_where(landing, row, 2) for row in rows_of(rows))}.")
        for card, rows in _overall(landing).groupby("card", sort=False)
    ]


def _overall(landing: Landing) -> pd.DataFrame:
    return landing.places[landing.places["resolution"] == ALL]


def _where(landing: Landing, row: Any, most: int) -> str:
    """Say the place of a card on a platform and its leads over so many neighbours."""
    where = f" on {row.platform}" if landing.places["platform"].nunique() > 1 else ""
    if row.reason:
        return f"no place{where}, {row.reason}"
    place = f"place {row.place} of {row.cards}{where}"
    if row.place_lower < row.place_upper:
        place += f" ({row.place_lower} to {row.place_upper})"
    beside = [
        f"{lead_words(one['lead_median'])} against {one['against']}"
        f" ({short_range_words(one['lead_lower'], one['lead_upper'])}%)"
        for one in landing.around(row.card, row.platform)[:most]
    ]
    return ", ".join([place, *beside])


def _nearest_leads(landing: Landing) -> pd.DataFrame:
    """Return the leads over the nearest measured cards, all resolutions of a pair together."""
    parts = []
    for card, platform in (
        landing.places[["card", "platform"]].drop_duplicates().itertuples(index=False)
    ):
        rows = landing.table[(landing.table["card"] == card)]
        rows = rows[rows["platform"] == platform]
        for other in landing.nearest(card, platform, NEAREST):
            parts.append(rows[rows["against"] == other])
    return pd.concat(parts, ignore_index=True) if parts else landing.table.iloc[:0]


def _places(landing: Landing, sizes: list[str]) -> Table:
    columns = [
        Column("card", lambda rows: str(rows["card"].iloc[0])),
        Column("platform", lambda rows: str(rows["platform"].iloc[0])),
        *(Column(_size(size), partial(_place, size=size)) for size in sizes),
    ]
    caption = (
        "Place among the measured cards, 1 the fastest, with its probability and "
        f"{level_words(landing.level)} range. Of each pair only the charts count on which both "
        f"stay below the ceiling. {upscaled_words(landing.places)}".rstrip()
    )
    groups = (rows for _, rows in landing.places.groupby(["card", "platform"], sort=False))
    return table(caption, columns, groups, heads=2)


def _size(size: str) -> str:
    return "all resolutions" if size == ALL else size


def _place(rows: pd.DataFrame, size: str) -> Cell:
    found = rows[rows["resolution"] == size]
    if found.empty:
        return Cell("–", small="not tested")
    row = next(rows_of(found))
    if row.reason:
        return Cell("–", small=row.reason)
    small = f"probability {probability_words(row.probability)}"
    if row.place_lower < row.place_upper:
        small += f", {row.place_lower} to {row.place_upper}"
    return Cell(f"{row.place} of {row.cards}", small=small, strong=size == ALL)


def _leads(leads: pd.DataFrame, sizes: list[str], level: float) -> Table:
    columns = [
        Column("card", lambda rows: str(rows["card"].iloc[0])),
        Column("against", lambda rows: str(rows["against"].iloc[0])),
        Column("platform", lambda rows: str(rows["platform"].iloc[0])),
        *(Column(_size(size), partial(_lead, size=size)) for size in sizes),
    ]
    caption = (
        f"Lead over the {NEAREST} nearest measured cards (geometric mean), with its "
        f"{level_words(level)} range in percent and the probability of being the faster one."
    )
    groups = (rows for _, rows in leads.groupby(["card", "platform", "against"], sort=False))
    return table(caption, columns, groups, heads=2)


def _lead(rows: pd.DataFrame, size: str) -> Cell:
    found = rows[rows["resolution"] == size]
    if found.empty:
        return Cell("–", small="not tested")
    row = next(rows_of(found))
    if row.reason:
        return Cell("–", small=row.reason)
    small = f"{short_range_words(row.lead_lower, row.lead_upper)}; "
    small += f"faster {probability_words(row.p_faster)}"
    return Cell(lead_words(row.lead_median), small=small, strong=size == ALL)


def _figures(prediction: Prediction) -> list[Part]:
    parts: list[Part] = []
    near = prediction.neighbours
    for card, charts in prediction.table.groupby("card", sort=False):
        parts.append(Heading(f"{card}, chart by chart"))
        for n, (platform, rows) in enumerate(charts.groupby("platform", sort=False)):
            measured = near[near["platform"] == platform]
            title = f"{card} on {platform}"
            parts.append(
                drawing(
                    partial(_figure, rows, measured),
                    title,
                    "For each scene and resolution the predicted range among the rates of the "
                    "nearest measured cards. The numbers are in the table below.",
                    folded=f"{title} (figure)" if n else "",
                )
            )
    return parts


def _figure(charts: pd.DataFrame, measured: pd.DataFrame) -> Figure:
    return uncautioned(prediction_figure(charts, measured))


def _ranges(predicted: pd.DataFrame, level: float) -> Table:
    columns = [
        Column("card", lambda row: row.card, choose=True),
        Column("platform", lambda row: row.platform, choose=True),
        Column("scene", lambda row: scene_words(row.game, row.preset), choose=True),
        Column("resolution", lambda row: row.resolution, choose=True),
        Column("median", lambda row: number(row.median, rate_words(row.median)), number=True),
        Column("range", _range, number=True),
        Column("at the ceiling", _at_ceiling, number=True),
        Column("rests on", lambda row: row.reason or row.basis),
    ]
    caption = (
        f"Predicted rates in frames per second with their {level_words(level)} range, and the "
        "probability of sitting at the ceiling."
    )
    count = count_words(len(predicted), "predicted chart")
    return table(caption, columns, predicted, tools=True, folded=f"All {count}, to filter and sort")


def _range(row: Any) -> Cell:
    return number(row.lower, f"{rate_words(row.lower)}–{rate_words(row.upper)}")


def _at_ceiling(row: Any) -> Cell:
    sign = "○" if row.p_ceiling >= AT_CEILING else ""
    return number(row.p_ceiling, probability_words(row.p_ceiling), sign=sign)
