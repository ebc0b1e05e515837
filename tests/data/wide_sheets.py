"""Wide sheets made of long results, in the shapes that people keep."""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pandas as pd

SHORT = {"3840x2160": "2160p", "2560x1440": "1440p", "1920x1080": "1080p"}
METRICS = {"avg_fps": "avg", "low_1pct_fps": "1% low"}

CARDS = """\
card,vendor,architecture,shaders,boost_clock_mhz,memory_gb,memory_bandwidth_gbs
Ostra 4,Ostra,Reef,2048,2400,12,400
Ostra 6,Ostra,Reef,4096,2300,16,640
007,Ostra,Reef,6144,2300,16,800
Ostra X,Ostra,Reef,8192,2200,24,960
"""

Rows = list[list[object]]


@dataclass(frozen=True)
class Form:
    """How a wide sheet looks.

    Attributes:
        levels: what each row of headers holds, outermost first; one row may hold several.
        across: cards are across.
        merged: a header that says the same as the one to its left is left blank, if all outer
            ones say the same too.
        sheets: one sheet or file a game.
        short: resolutions by their height.
        named: the corner says what each row of headers holds.
        title: lines above the block.
        footer: lines below the block.
    """

    levels: tuple[tuple[str, ...], ...]
    across: bool = False
    merged: bool = True
    sheets: bool = False
    short: bool = True
    named: bool = False
    title: bool = False
    footer: bool = False


def wide_rows(
    runs: pd.DataFrame, cards: list[str], form: Form, metrics: list[str], passes: list[str]
) -> Rows:
    """Give the rows of one sheet: every run of a chart has a column for each metric."""
    keys = runs[["game", "preset", "resolution"]].drop_duplicates().itertuples(index=False)
    columns = [(*key, metric, run) for key in keys for run in passes for metric in metrics]
    names = ("game", "preset", "resolution", "metric", "run")
    at = {
        (row.card, row.game, row.preset, row.resolution, metric, row.run): getattr(row, metric)
        for row in runs.itertuples(index=False)
        for metric in metrics
    }
    rows: Rows = []
    for n, level in enumerate(form.levels):
        corner = level[0] if form.named and len(level) == 1 else ""
        rows.append([corner, *_headers(columns, names, form, n)])
    if not form.named:
        rows[-1][0] = "card"
    for card in cards:
        rows.append([card, *(at.get((card, *column)) for column in columns)])
    width = len(rows[0])
    if form.footer:
        rows += [["Average", *[100.5] * (width - 1)], [None] * width]
        rows += [["All with the same driver", *[None] * (width - 1)]]
    if form.title:
        rows = [["Spring tests", *[None] * (width - 1)], [None] * width, *rows]
    return [list(row) for row in zip(*rows, strict=True)] if form.across else rows


def _headers(
    columns: list[tuple[str, ...]], names: tuple[str, ...], form: Form, n: int
) -> list[str | None]:
    found: list[str | None] = []
    last = None
    for column in columns:
        said = dict(zip(names, column, strict=True))
        said["metric"] = METRICS[said["metric"]]
        said["run"] = f"run {said['run']}"
        if form.short:
            said["resolution"] = SHORT[said["resolution"]]
        outer = tuple(tuple(said[name] for name in level) for level in form.levels[: n + 1])
        repeated = outer == last and form.merged and n + 1 < len(form.levels)
        found.append(None if repeated else " ".join(outer[-1]))
        last = outer
    return found


def csv_text(rows: Rows, delimiter: str = ",", decimal: str = ".") -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter)
    for row in rows:
        writer.writerow(
            repr(cell).replace(".", decimal) if isinstance(cell, float) else cell for cell in row
        )
    return stream.getvalue()


def add_sheet(book: openpyxl.Workbook, title: str, rows: Rows) -> None:
    sheet = book.create_sheet(title)
    for row in rows:
        sheet.append(row)


def write_csv(folder: Path, sheets: dict[str, str], cards: str = CARDS, layout: str = "") -> Path:
    """Write a folder of CSV files with cards.csv, and layout.toml if it is given."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cards.csv").write_text(cards)
    for name, text in sheets.items():
        (folder / f"{name}.csv").write_text(text)
    if layout:
        (folder / "layout.toml").write_text(layout)
    return folder


def write_book(folder: Path, sheets: dict[str, Rows], cards: str = CARDS, layout: str = "") -> Path:
    """Write a workbook with a sheet of cards, and layout.toml beside it if it is given."""
    folder.mkdir(parents=True, exist_ok=True)
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    add_sheet(book, "cards", [list(row) for row in csv.reader(io.StringIO(cards))])
    for name, rows in sheets.items():
        add_sheet(book, name, rows)
    book.save(folder / "lab.xlsx")
    if layout:
        (folder / "layout.toml").write_text(layout)
    return folder / "lab.xlsx"
