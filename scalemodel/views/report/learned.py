"""What the model learned, and everything that determines the numbers of the report."""

from typing import Any

import pandas as pd

from scalemodel.answers.report import Report
from scalemodel.views.report.parts import Cell, Column, Heading, Section, Table, table
from scalemodel.views.words import resolution_order

SHARE = "share of a frame: "


def section(report: Report) -> Section:
    """Show the learned quantities, then settings, versions and digests."""
    learned = report.fit.table
    settings = pd.DataFrame(
        {"setting": list(report.settings), "value": [str(v) for v in report.settings.values()]}
    )
    return Section(
        key="learned",
        title="What did the model learn?",
        gist=_gist(learned, list(report.fit.labels.charts["resolution"])),
        words=str(report.fit),
        parts=(_quantities(learned), Heading("Made with"), _settings(settings)),
        tables={"fit": learned, "settings": settings},
    )


def _gist(learned: pd.DataFrame, resolutions: list[str]) -> str:
    """Name the shares of a frame at the resolution in the middle."""
    sizes = resolution_order(resolutions)
    size = sizes[len(sizes) // 2]
    rows = learned[learned["of"].str.endswith(f" at {size}")]
    rows = rows[rows["quantity"].str.startswith(SHARE)]
    shares = [
        f"{quantity.removeprefix(SHARE)} {value:.0%}"
        for quantity, value in zip(rows["quantity"], rows["value"], strict=True)
    ]
    return f"A frame of a typical card at {size}: {', '.join(shares)}."


def _quantities(learned: pd.DataFrame) -> Table:
    columns = [
        Column("quantity", lambda row: row.quantity, choose=True),
        Column("of", lambda row: row.of),
        Column("value", lambda row: Cell(_number(row.value)), number=True),
        Column("80% range", _range, number=True),
        Column("unit", lambda row: row.unit),
    ]
    caption = (
        "Shares of the time of a frame on a typical card, what architectures do beyond their "
        "sheets, and how much everything differs, with 80% ranges."
    )
    return table(caption, columns, learned, heads=2)


def _range(row: Any) -> str:
    return f"{_number(row.lower)} to {_number(row.upper)}"


def _number(value: float) -> str:
    digits = f"{value:.3f}" if abs(value) < 1 else f"{value:.3g}"
    return digits.replace("-", "−")


def _settings(settings: pd.DataFrame) -> Table:
    columns = [Column("setting", lambda row: row.setting), Column("value", lambda row: row.value)]
    return table("The same of all of these give the same report.", columns, settings)
