"""What if a card had this sheet? All that moving an imagined card takes, away from the fit."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scalemodel.answers.labels import NEXT_GENERATION
from scalemodel.answers.levels import check_level, counted
from scalemodel.answers.sheets import complete_sheets, kin_words, memory_needed, tested_sheets
from scalemodel.data.schema import CHART_COLUMNS
from scalemodel.model.imagined import Imagined, imagine

if TYPE_CHECKING:
    from scalemodel.answers.fitting import Fit

#: Specs that can be moved, if the fit uses them.
SPECS = ("shaders", "boost_clock_mhz", "bandwidth_gbs", "cache_mb", "memory_gb", "rops")
#: How far beyond the tested cards a spec can be moved: this factor, and these years.
STRETCH, STRETCH_YEARS = 2.0, 3.0
RELEASE = "release_year"


@dataclass(frozen=True)
class WhatIf:
    """What it takes to place an imagined card: an estimate from its sheet, not a measurement.

    Attributes:
        imagined: the joint draws, cut down.
        charts: one row a chart, in the order of the draws: platform, game, preset, resolution,
            needs_more_than_gb, ceiling_rate, ceiling_low, ceiling_high (fps).
        specs: one row a spec that can be moved: spec, low, high, tested_low, tested_high.
        spans: the same of the speeds that decide what is beyond the tested cards: shader_rate,
            bandwidth_gbs.
        kinds: one row an architecture to choose: architecture, vendor (names, "" for a new one),
            architecture_index, vendor_index (-1 for a new one), release_year, basis.
        starts: one row a sheet to start from: card, measured, kind (row of `kinds`), the specs,
            release_year, gaps (specs that its sheet leaves open, taken as usual).
        start: row of `starts` to begin with.
        measured: card, platform, game, preset, resolution, rate (fps).
        metric: the metric that was fitted.
        level: level of the ranges.
    """

    imagined: Imagined
    charts: pd.DataFrame
    specs: pd.DataFrame
    spans: pd.DataFrame
    kinds: pd.DataFrame
    starts: pd.DataFrame
    start: int
    measured: pd.DataFrame
    metric: str
    level: float

    def __str__(self) -> str:
        return (
            f"Where a card would land on {counted(len(self.charts), 'chart')} if its sheet were "
            f"another one: move the specs, starting from {self.starts['card'].iloc[self.start]}, "
            "from another card, or from an architecture that is not out yet."
        )


def what_if(fit: "Fit", specs: pd.DataFrame | None, level: float) -> WhatIf:
    """Gather all that placing an imagined card takes.

    Args:
        fit: the fit.
        specs: sheets of unreleased cards to start from.
        level: level of the ranges.

    Raises:
        ScalemodelError: the level is not in (0, 1).
    """
    check_level(level)
    rows = fit.labels.rows(fit.labels.charts, np.zeros(len(fit.labels.charts), dtype=np.intp))
    starts = _starts(fit, specs)
    kinds = _kinds(fit, starts)
    names = list(zip(kinds["architecture"], kinds["vendor"], strict=True))
    starts["kind"] = [
        names.index(kind) for kind in zip(starts["architecture"], starts["vendor"], strict=True)
    ]
    released = starts.index[~starts["measured"]]
    usual = starts["shader_rate"].sort_values().index[len(starts) // 2]
    return WhatIf(
        imagined=imagine(fit.model, rows, fit.seed),
        charts=_charts(fit, level),
        specs=_specs(fit),
        spans=_span(tested_sheets(fit), ["shader_rate", "bandwidth_gbs"]),
        kinds=kinds,
        starts=starts,
        start=int(released[0] if len(released) else usual),
        measured=fit.cells.table[["card", *CHART_COLUMNS, "rate"]],
        metric=fit.metric,
        level=level,
    )


def _charts(fit: "Fit", level: float) -> pd.DataFrame:
    ceilings = fit.ceilings(level).charts[
        [*CHART_COLUMNS, "ceiling_rate", "ceiling_low", "ceiling_high"]
    ]
    charts = fit.labels.charts[list(CHART_COLUMNS)].assign(needs_more_than_gb=memory_needed(fit))
    return charts.merge(ceilings, on=list(CHART_COLUMNS), how="left", validate="one_to_one")


def _specs(fit: "Fit") -> pd.DataFrame:
    unused = {
        "cache_mb": not fit.labels.uses_cache,
        "rops": "raster" not in fit.labels.stages,
    }
    moved = [spec for spec in SPECS if not unused.get(spec, False)]
    table = _span(tested_sheets(fit), moved)
    low = np.where(table["spec"] == "cache_mb", 0.0, table["tested_low"] / STRETCH)
    table = table.assign(low=low, high=table["tested_high"] * STRETCH)
    if fit.labels.releases:
        years = np.array(fit.labels.releases)
        own = {"tested_low": years.min(), "tested_high": years.max(), "low": years.min()}
        last = {"spec": RELEASE, **own, "high": years.max() + STRETCH_YEARS}
        table = pd.concat([table, pd.DataFrame([last])], ignore_index=True)
    return table


def _span(tested: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    lows, highs = tested[columns].min(), tested[columns].max()
    return pd.DataFrame(
        {"spec": columns, "tested_low": lows.to_numpy(), "tested_high": highs.to_numpy()}
    )


def _starts(fit: "Fit", specs: pd.DataFrame | None) -> pd.DataFrame:
    """Return the sheets to start from, those of unreleased cards first."""
    tested = tested_sheets(fit)
    parts = [tested.assign(measured=True)]
    if specs is not None:
        own = complete_sheets(fit, specs).table
        parts.insert(0, own.assign(measured=own["card"].isin(fit.labels.cards)))
    # A card that has been measured is there with the sheet of the bench.
    sheets = pd.concat([p for p in parts if len(p)]).drop_duplicates("card", keep="last")
    sheets = sheets.reset_index(drop=True)
    asked = {} if specs is None else {str(s["card"]): s for _, s in specs.iterrows()}
    sheets["gaps"] = [
        tuple(fit.labels.gaps(asked[card])) if card in asked and not measured else ()
        for card, measured in zip(sheets["card"], sheets["measured"], strict=True)
    ]
    known = sheets["architecture"].isin(fit.labels.architectures)
    sheets["architecture"] = sheets["architecture"].where(known, "")
    sheets["vendor"] = sheets["vendor"].where(sheets["vendor"].isin(fit.labels.vendors), "")
    columns = ["card", "measured", "architecture", "vendor", *SPECS, RELEASE, "shader_rate", "gaps"]
    return sheets[columns]


def _kinds(fit: "Fit", starts: pd.DataFrame) -> pd.DataFrame:
    """Return every architecture and vendor to choose: the tested, new ones, and the sheets'."""
    labels = fit.labels
    pairs = sorted(set(zip(starts["architecture"], starts["vendor"], strict=True)))
    fresh = [("", vendor) for vendor in (*labels.vendors, "")]
    kinds = [pair for pair in pairs if pair not in fresh] + fresh
    release = dict(zip(labels.architectures, labels.releases, strict=False))
    following = max(labels.releases, default=0.0) + NEXT_GENERATION
    rows = [
        {
            "architecture": architecture,
            "vendor": vendor,
            "architecture_index": _index(architecture, labels.architectures),
            "vendor_index": _index(vendor, labels.vendors),
            RELEASE: release.get(architecture, following),
            "basis": kin_words(fit, architecture, vendor),
        }
        for architecture, vendor in kinds
    ]
    return pd.DataFrame(rows)


def _index(name: str, known: tuple[str, ...]) -> int:
    return known.index(name) if name in known else -1
