"""What the model learned, and everything that determines the numbers of the report."""

from functools import partial
from typing import Any

import pandas as pd

from scalemodel.answers.report import Report
from scalemodel.views.figures.shares import shares_figure
from scalemodel.views.report.parts import Cell, Column, Heading, Section, Table, drawing, table
from scalemodel.views.tables import rows_of
from scalemodel.views.words import resolution_order, scene_words

SHARE = "share of a frame: "


def section(report: Report) -> Section:
    """Show the learned quantities, then settings, versions and digests."""
    learned, shares = report.fit.table, report.fit.learned_scenes
    settings = pd.DataFrame(
        {"setting": list(report.settings), "value": [str(v) for v in report.settings.values()]}
    )
    return Section(
        key="learned",
        title="What did the model learn?",
        gist=_gist(learned, list(report.fit.labels.charts["resolution"])),
        words=str(report.fit),
        parts=(
            _quantities(learned),
            Heading("What a frame is made of, scene by scene"),
            drawing(
                lambda: shares_figure(shares),
                "What a frame is made of",
                "The share of each stage in the frame of a typical card, with its range: a panel "
                "a stage, a row a scene. The numbers are in the table below.",
            ),
            _shares(shares),
            Heading("Made with"),
            _settings(settings),
        ),
        tables={"fit": learned, "fit-scenes": shares, "settings": settings},
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


def _shares(shares: pd.DataFrame) -> Table:
    stages = list(dict.fromkeys(shares["stage"]))
    columns = [
        Column("scene", lambda rows: scene_words(rows["game"].iloc[0], rows["preset"].iloc[0])),
        Column("resolution", lambda rows: str(rows["resolution"].iloc[0]), choose=True),
        *(Column(stage, partial(_share, stage=stage), number=True) for stage in stages),
    ]
    caption = "Share of each stage in the frame of a typical card, with 80% ranges."
    groups = [rows for _, rows in shares.groupby(["game", "preset", "resolution"], sort=False)]
    count = len(groups)
    return table(
        caption, columns, groups, heads=2, tools=True, folded=f"All {count} scenes and resolutions"
    )


def _share(rows: pd.DataFrame, stage: str) -> Cell:
    row = next(rows_of(rows[rows["stage"] == stage]))
    return Cell(f"{row.share:.0%}", small=f"{100 * row.lower:.0f}…{100 * row.upper:.0f}")


def _range(row: Any) -> str:
    return f"{_number(row.lower)} to {_number(row.upper)}"


def _number(value: float) -> str:
    digits = f"{value:.3f}" if abs(value) < 1 else f"{value:.3g}"
    return digits.replace("-", "−")


def _settings(settings: pd.DataFrame) -> Table:
    columns = [Column("setting", lambda row: row.setting), Column("value", lambda row: row.value)]
    return table("The same of all of these give the same report.", columns, settings)
