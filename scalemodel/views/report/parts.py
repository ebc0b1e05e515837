"""What sections of the report are made of; templates/parts.html turns them into HTML."""

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import pandas as pd
from markupsafe import Markup

from scalemodel.views.figures.layout import FigureError
from scalemodel.views.style import Figure, inline_svg
from scalemodel.views.tables import rows_of, to_csv
from scalemodel.views.words import CAUTION, PRICE_CAUTION

_FALLBACK = re.compile(r"var\((--[a-z]+), #[0-9a-f]{6}\)")
"""A colour of the palette with its fallback; the page has the whole palette."""


LONG = 30
"""Characters from which a text in a table may be broken into lines."""

MOST_OPEN = 12
"""Rows of a table that is open; of a longer one there is a line to unfold it."""


@dataclass(frozen=True)
class Cell:
    """One cell of a table.

    Attributes:
        text: what it says.
        sign: a sign before it that says the same; not read aloud.
        small: more, in small print.
        strong: whether it stands out.
    """

    text: str
    sign: str = ""
    small: str = ""
    strong: bool = False

    @property
    def long(self) -> bool:
        """Whether its text may be broken into lines."""
        return len(self.text) >= LONG


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes:
        heading: its name.
        write: gives the cell of a row, whose attributes are the columns of the data.
        number: whether it is set to the right, and sorted by the number in its text.
        choose: whether its few different texts can be chosen from.
    """

    heading: str
    write: Callable[[Any], Cell | str]
    number: bool = False
    choose: bool = False


@dataclass(frozen=True)
class Table:
    """A table.

    Attributes:
        caption: what it shows.
        columns: its columns.
        rows: cells, as many a row as there are columns.
        heads: cells at the begin of a row that name it.
        tools: whether it can be sorted and filtered.
        look: "", or "grid" or "matrix" for cells that do not break.
        folded: what stands for it until it is unfolded; "": it is open.
        kind: "table"; for the template.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    heads: int = 1
    tools: bool = False
    look: str = ""
    folded: str = ""
    kind: str = "table"

    @property
    def classes(self) -> str:
        """Give its classes: whether it has tools, its look; n3: the third column has numbers."""
        numbers = [f"n{n}" for n, column in enumerate(self.columns, 1) if column.number]
        names = ["tools" if self.tools else "", self.look, *(numbers if not self.look else [])]
        return " ".join(filter(None, names))


@dataclass(frozen=True)
class Drawing:
    """A figure, as an svg element."""

    title: str
    markup: Markup
    folded: str = ""
    kind: str = "drawing"


@dataclass(frozen=True)
class Words:
    """A paragraph; quiet ones are small print. Folded: what stands for it until it is unfolded."""

    text: str
    quiet: bool = False
    folded: str = ""
    kind: str = "words"


@dataclass(frozen=True)
class Heading:
    """The heading of a part of a section."""

    text: str
    kind: str = "heading"


@dataclass(frozen=True)
class Live:
    """Markup of the program's own that a script brings to life; trusted as it is."""

    markup: Markup
    kind: str = "live"


Part = Table | Drawing | Words | Heading | Live


@dataclass(frozen=True)
class Section:
    """A section of the report.

    Attributes:
        key: its anchor; ids of its parts begin with it.
        title: one question.
        gist: the answer in one sentence, for the list at the top.
        words: the answer in a paragraph.
        parts: what there is to look at, in order.
        tables: every number of the section: file name without its ending, and table.
        style: style rules that the section brings, or "".
        script: JavaScript that it brings, or "".
        data: what that script reads: id of its element, and JSON.
    """

    key: str
    title: str
    gist: str
    words: str
    parts: tuple[Part, ...] = ()
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    style: str = ""
    script: str = ""
    data: Mapping[str, str] = field(default_factory=dict)

    @property
    def downloads(self) -> list[tuple[str, str]]:
        """Give the name and the address of each table as CSV."""
        return [(f"{name}.csv", csv_address(table)) for name, table in self.tables.items()]


def csv_address(table: pd.DataFrame) -> str:
    """Give a table as an address that holds the whole file."""
    return "data:text/csv;charset=utf-8," + quote(to_csv(table), safe=",;:/?@$-_.!~*'()|+=")


def table(
    caption: str,
    columns: Sequence[Column],
    data: pd.DataFrame | Iterable[Any],
    *,
    heads: int = 1,
    tools: bool = False,
    look: str = "",
    folded: str = "",
) -> Table:
    """Write a table, one row for each of the data."""
    rows = rows_of(data) if isinstance(data, pd.DataFrame) else data
    cells = tuple(tuple(_cell(column.write(row)) for column in columns) for row in rows)
    return Table(caption, tuple(columns), cells, heads, tools, look, folded)


def folded_if_long(rows: pd.DataFrame, words: str) -> str:
    """Give the words that stand for a table until it is unfolded; none for a short one."""
    return words if len(rows) > MOST_OPEN else ""


def detail(name: str, text: str) -> Words:
    """Give a paragraph to be unfolded by those who want to know more."""
    return Words(text, folded=name)


def _cell(written: Cell | str) -> Cell:
    return written if isinstance(written, Cell) else Cell(written)


def number(value: float, words: str, **more: Any) -> Cell:
    """Give a cell with a number in words; a dash where it is missing."""
    return Cell("–") if math.isnan(value) else Cell(words, **more)


def drawing(
    draw: Callable[[], Figure], title: str, described: str, *, folded: str = ""
) -> Drawing | Words:
    """Draw a figure; where there is nothing to draw, say so instead."""
    try:
        figure = draw()
    except FigureError as error:
        return Words(f"{title}: {error}", quiet=True)
    markup = _FALLBACK.sub(r"var(\1)", inline_svg(figure, title, described))
    return Drawing(title, Markup(markup), folded)


def uncautioned(figure: Figure) -> Figure:
    """Take the cautions out of a figure whose section gives them once."""
    for text in figure.texts:
        words = text.get_text().replace(PRICE_CAUTION, "").replace(CAUTION, "")
        text.set_text(words.strip())
    return figure
