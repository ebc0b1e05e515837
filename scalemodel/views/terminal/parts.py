"""What all terminal views are made of: headings, sentences, tables, one cell a chart."""

import io
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd
from rich.box import Box
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from scalemodel.views.signs import harmless
from scalemodel.views.tables import rows_of
from scalemodel.views.words import count_words, resolution_order, scene_words

WIDTH = 100
"""Columns of text that goes to a file or a pipe, and the most used on a terminal."""

MOST_COLUMNS = 4
"""Resolutions side by side at most; with more of them every chart has a row of its own."""

MOST_REASONS = 8
"""Different reasons written out; the rest are counted."""

_RULE = Box("    \n    \n ── \n    \n    \n    \n    \n    \n")
"""One thin line under the names of the columns, nothing else."""


def heading(name: str, about: str) -> Text:
    """Write what is shown, and of what."""
    return Text.assemble(("▍", "magenta"), (name, "bold"), "  ", (about, "dim"))


def sentence(words: str) -> RenderableType:
    """Set a paragraph in from the edge, with a blank line around it."""
    return Padding(Text(words), (1, 2))


def note(words: str) -> RenderableType:
    """Set small print in from the edge."""
    return Padding(Text(words, style="dim"), (0, 2))


def remark(words: str) -> list[RenderableType]:
    """Set small print with a blank line after it, if there is something to say."""
    return [note(words), Text()] if words else []


def grid(
    columns: Sequence[str], rows: Sequence[Sequence[str | Text]], empty: str
) -> RenderableType:
    """Lay out a table; a column whose name starts with ">" is set to the right.

    Args:
        columns: names of the columns.
        rows: texts, as many a row as there are columns.
        empty: what to say where there are no rows.
    """
    if not rows:
        return note(empty)
    table = Table(
        box=_RULE, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim", show_edge=False
    )
    for name in columns:
        table.add_column(
            Text(name.removeprefix(">")), justify="right" if name.startswith(">") else "left"
        )
    for row in rows:
        table.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in row))
    return Padding(table, (0, 2))


def by_scene(
    charts: pd.DataFrame,
    words: Callable[[Any], Text],
    *,
    empty: str,
    beside: Mapping[str, Callable[[pd.DataFrame], str]] | None = None,
) -> RenderableType:
    """Lay out one row a scene and one column a resolution.

    Args:
        charts: game, preset and resolution, one row a chart, and what ``words`` needs.
        words: writes the cell of one chart.
        empty: what to say where there are no charts.
        beside: further columns after the scene: name, and how to write it from its charts.
    """
    extra = dict(beside or {})
    resolutions = resolution_order(charts["resolution"])
    if len(resolutions) > MOST_COLUMNS:
        rows = [
            [
                scene_words(chart.game, chart.preset),
                *(write(charts.iloc[[n]]) for write in extra.values()),
                chart.resolution,
                words(chart),
            ]
            for n, chart in enumerate(rows_of(charts))
        ]
        return grid(["scene", *extra, "resolution", ""], rows, empty)
    rows = []
    for (game, preset), scene in charts.groupby(["game", "preset"], sort=False):
        cells = {chart.resolution: words(chart) for chart in rows_of(scene)}
        rows.append(
            [
                scene_words(str(game), str(preset)),
                *(write(scene) for write in extra.values()),
                *(cells.get(one, Text("–", style="dim")) for one in resolutions),
            ]
        )
    return grid(["scene", *extra, *resolutions], rows, empty)


def reasons(found: "pd.Series[Any]", noun: str) -> list[RenderableType]:
    """Count reasons, the commonest first: "3 charts: the reason"."""
    counts = found.value_counts(sort=False).sort_values(ascending=False, kind="stable")
    lines = [note(f"{count_words(int(n), noun)}: {why}") for why, n in counts.items()]
    if len(lines) <= MOST_REASONS:
        return lines
    rest = int(counts.iloc[MOST_REASONS:].sum())
    words = f"{count_words(rest, noun)} for other reasons: see --format csv"
    return [*lines[:MOST_REASONS], note(words)]


def named_reasons(named: pd.DataFrame) -> list[RenderableType]:
    """Say which cards have no place and why, one line a reason: "the reason: A, B".

    Args:
        named: card and reason.
    """
    lines = [
        note(f"{why!s}: {', '.join(cards)}")
        for why, cards in named.groupby("reason", sort=False)["card"]
        if why
    ]
    return [*lines, Text()] if lines else []


class Harmless:
    """A view whose texts can do nothing to a terminal, whatever a bench holds.

    Control characters and those that turn the direction of writing are shown as signs.
    """

    def __init__(self, view: RenderableType) -> None:
        """Take what is to be shown."""
        self._view = view

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for segment in console.render(self._view, options):
            if segment.control:
                yield segment
            else:
                yield Segment(harmless(segment.text), segment.style)


def as_text(view: RenderableType, width: int = WIDTH) -> str:
    """Write a view as plain text without colour."""
    stream = io.StringIO()
    console = Console(
        file=stream, width=width, color_system=None, markup=False, highlight=False, emoji=False
    )
    console.print(Harmless(view))
    return "".join(f"{line.rstrip()}\n" for line in stream.getvalue().splitlines())


def stack(*views: RenderableType) -> Group:
    """Put views below each other."""
    return Group(*views)
