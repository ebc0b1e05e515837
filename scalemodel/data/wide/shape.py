"""The shape of a wide sheet, found from where the names of the cards stand in it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from scalemodel.data.cells import parse_id
from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.schema import CARDS, RESULTS
from scalemodel.data.wide.grid import Grid
from scalemodel.data.wide.layout import Layout
from scalemodel.data.wide.words import (
    HEIGHTS,
    MEASURED,
    Label,
    is_mark,
    is_number,
    is_summary,
    label_of,
    labels_of,
    loose,
)

KEYS = {
    **{loose(c.name): c.name for c in RESULTS.columns if c.name not in ("card", *MEASURED)},
    "pass": "run",
}
"""Columns beside the rates that say something of a whole line, by their name in the sheet."""

_SPECS = frozenset(loose(name) for name in CARDS.names())


@dataclass(frozen=True)
class Level:
    """One row of headers, or one column of them where cards are across.

    Attributes:
        line: where it stands; None for the name of the sheet.
        name: what the sheet itself calls it, in the column of the cards; mostly empty.
        texts: by column, left-blank cells filled from the left; empty where it says nothing.
        origin: by column, where that text stands.
        labels: by column, the text taken apart.
    """

    line: int | None
    name: str
    texts: tuple[str, ...]
    origin: tuple[int, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True)
class Shape:
    """What stands where.

    Attributes:
        grid: the sheet, cards down.
        label: column of the cards' names.
        cards: lines with rates, and the card of each: as in the table of cards if it is there.
        levels: headers of the columns, the outermost first; the name of the sheet is not among
            them.
        charts: columns of rates.
        sides: columns that name something of a whole line, and what.
        aside: in words, rows and columns that are neither.
        unclear: texts over columns of numbers that name no resolution where others do.
    """

    grid: Grid
    label: int
    cards: tuple[tuple[int, str], ...]
    levels: tuple[Level, ...]
    charts: tuple[int, ...]
    sides: tuple[tuple[int, str], ...]
    aside: tuple[str, ...]
    unclear: tuple[str, ...]


def card_matches(grid: Grid, known: Mapping[str, str]) -> int:
    """Count the cards that one row or one column of a sheet names."""
    return max(_label_column(grid, known)[1], _label_column(grid.turned(), known)[1])


def find_shape(
    grid: Grid, known: Mapping[str, str], layout: Layout, log: ProblemLog
) -> Shape | None:
    """Find where cards, headers and rates stand; None if the sheet is not wide.

    Args:
        grid: the sheet.
        known: cards by their `loose` names.
        layout: what the user says.
        log: takes what is wrong; the shape then must not be used.
    """
    forms = sorted((grid, grid.turned()), key=lambda one: -_label_column(one, known)[1])
    shapes = (_find_shape(form, known, layout, log) for form in forms)
    return next((shape for shape in shapes if shape), None)


def _find_shape(
    grid: Grid, known: Mapping[str, str], layout: Layout, log: ProblemLog
) -> Shape | None:
    """Find the shape of a sheet with cards down."""
    label, count = _label_column(grid, known)
    if not count:
        return None
    found = [i for i, line in enumerate(grid.cells) if loose(line[label]) in known]
    tested = [
        i for i in found if sum(map(is_number, grid.cells[i])) > is_number(grid.cells[i][label])
    ]
    columns = _Columns(grid, label, tested or found, layout.resolutions)
    levels = list(_levels(columns, layout))
    if not levels:
        return None
    again = _blocks_beside(columns, known, _ignored(levels, layout), log)
    kinds = _Kinds(columns, levels, again, layout)
    if not kinds.charts:
        return None
    lines = _Lines(columns, kinds.charts, known, levels[-1].line or 0, layout)
    lines.check(log)
    return Shape(
        grid,
        label,
        tuple(lines.cards),
        tuple(level for level in levels if any(level.texts[j] for j in kinds.charts)),
        tuple(kinds.charts),
        tuple(kinds.sides),
        (*kinds.aside, *lines.aside),
        tuple(dict.fromkeys(kinds.unclear)),
    )


def _label_column(grid: Grid, known: Mapping[str, str]) -> tuple[int, int]:
    """Return the column that names most cards, and how many of them."""
    counts = [
        len({loose(cell) for cell in column} & known.keys()) for column in grid.turned().cells
    ]
    best = max(counts, default=0)
    return (counts.index(best) if best else 0), best


class _Columns:
    """What the lines that name a card hold in each column."""

    def __init__(
        self, grid: Grid, label: int, lines: Sequence[int], given: Mapping[str, str]
    ) -> None:
        self.grid, self.label, self.lines = grid, label, lines
        self.down = grid.turned().cells
        self.numbers = [0] * grid.width
        texts = [0] * grid.width
        for i in lines:
            for j, cell in enumerate(grid.cells[i]):
                self.numbers[j] += is_number(cell)
                texts[j] += bool(cell) and not is_number(cell) and not is_mark(cell)
        self.wordy = [
            t > n and not any(label_of(cell, given).resolution for cell in column[: lines[0]])
            for t, n, column in zip(texts, self.numbers, self.down, strict=True)
        ]

    def holds_rates(self, i: int) -> bool:
        """Say whether a line without a known card looks like one of a card all the same."""
        line = self.grid.cells[i]
        cells = [line[j] for j in range(len(line)) if j != self.label and self.numbers[j]]
        numbers = [cell for cell in cells if is_number(cell)]
        named = bool(line[self.label]) and loose(line[self.label]) not in {*KEYS, "card", "metric"}
        texts = any(cell and not is_number(cell) and not is_mark(cell) for cell in cells)
        return named and bool(numbers) and not texts and not HEIGHTS.issuperset(numbers)


def _levels(columns: _Columns, layout: Layout) -> Iterator[Level]:
    """Give the headers right above the first card, the outermost first."""
    grid = columns.grid
    line = columns.lines[0] - 1
    while line >= 0 and (not any(grid.cells[line]) or columns.holds_rates(line)):
        line -= 1
    found = []
    while line >= 0 and any(grid.cells[line]):
        found.append(line)
        line -= 1
    breaks: set[int] = set()
    for i in reversed(found):
        level = _level(columns, i, breaks, layout)
        starts = [j for j, origin in enumerate(level.origin) if origin == j]
        if starts:
            yield level
        if sum(bool(level.labels[j].text) for j in starts) * 2 > len(starts) > 0:
            breaks |= set(starts)


def _level(columns: _Columns, line: int, breaks: set[int], layout: Layout) -> Level:
    """Read a line of headers; blank cells say what stands to their left.

    That ends where a header further out begins anew, unless the line says one thing for all.
    """
    cells = columns.grid.cells[line]
    own = [bool(c) and j != columns.label and not columns.wordy[j] for j, c in enumerate(cells)]
    ends = breaks if sum(own) > 1 else set()
    texts, origin = [], []
    text, start = "", -1
    for j, cell in enumerate(cells):
        if j == columns.label or columns.wordy[j]:
            texts.append(cell if j != columns.label else "")
            origin.append(j if own[j] else -1)
            text, start = ("", -1) if j == columns.label else (text, start)
            continue
        if cell:
            text, start = cell, j
        elif j in ends:
            text, start = "", -1
        texts.append(text)
        origin.append(start)
    labels = labels_of(
        [t if o >= 0 else "" for t, o in zip(texts, origin, strict=True)], layout.resolutions
    )
    return Level(line, cells[columns.label], tuple(texts), tuple(origin), tuple(labels))


def _ignored(levels: Sequence[Level], layout: Layout) -> set[int]:
    """Return the columns with a header that the user says to ignore."""
    names = {loose(text) for text in layout.ignore}
    return {j for v in levels for j, text in enumerate(v.texts) if text and loose(text) in names}


def _blocks_beside(
    columns: _Columns, known: Mapping[str, str], ignored: set[int], log: ProblemLog
) -> set[int]:
    """Return columns that repeat the names of the cards; note a block of its own beside."""
    grid, repeated = columns.grid, set()
    own = {i: loose(grid.cells[i][columns.label]) for i in columns.lines}
    fewest = max(2, len(set(own.values())) / 2)
    for j in range(grid.width):
        names = {i: loose(line[j]) for i, line in enumerate(grid.cells) if loose(line[j]) in known}
        filled = sum(map(bool, columns.down[j][columns.lines[0] :]))
        few = len(set(names.values())) < fewest or 2 * len(names) < filled
        if j in {columns.label, *ignored} or few:
            continue
        if all(own.get(i) == name for i, name in names.items()):
            repeated.add(j)
            continue
        place = min(names)
        _note_second_block(grid, place, j, log)
    return repeated


def _note_second_block(grid: Grid, line: int, column: int, log: ProblemLog) -> None:
    row, letter = grid.at(line, column)
    log.error(
        grid.name,
        "a second block begins here",
        "one block of cards and charts in a sheet",
        "move it to a sheet or file of its own, or name it in ignore in layout.toml",
        row=row,
        column=letter,
        value=grid.cells[line][column],
    )


class _Kinds:
    """Which columns hold rates, and what the others are."""

    def __init__(
        self, columns: _Columns, levels: Sequence[Level], again: set[int], layout: Layout
    ) -> None:
        self.charts: list[int] = []
        self.sides: list[tuple[int, str]] = []
        self.aside: list[str] = []
        self.unclear: list[str] = []
        self._columns, self._levels = columns, levels
        ignored = _ignored(levels, layout)
        bare = []
        for j in range(columns.grid.width):
            if j == columns.label:
                continue
            if j in again:
                self._set_aside(j, "the cards again")
            elif j in ignored:
                self._set_aside(j)
            elif key := KEYS.get(loose(self._own(j))):
                self.sides.append((j, key))
            elif any(level.labels[j].resolution for level in levels):
                self.charts.append(j)
            elif not columns.numbers[j] or columns.wordy[j] or loose(self._own(j)) in _SPECS:
                if any(columns.down[j]):
                    self._set_aside(j)
            else:
                bare.append(j)
        self._sort_bare(bare, resolution="resolution" in layout.names)

    def _own(self, j: int) -> str:
        """Return the innermost text that stands over a column itself."""
        wordy = self._columns.wordy[j]
        own = (v.texts[j] for v in reversed(self._levels) if wordy or v.origin[j] == j)
        return next((text for text in own if text), "")

    def _set_aside(self, j: int, what: str = "") -> None:
        words = what or (shown(self._own(j)) if self._own(j) else "no header")
        self.aside.append(f"{self._columns.grid.column_words(j)} ({words})")

    def _sort_bare(self, bare: Sequence[int], *, resolution: bool) -> None:
        """Say of columns of numbers that name no resolution what they are."""
        said = bool(self.charts) and not resolution
        worded = {j for j in bare if any(level.labels[j].text for level in self._levels)}
        for j in bare:
            blank = not any(level.texts[j] for level in self._levels)
            apart = said or (worded and j not in worded)
            if blank or (apart and is_summary(self._own(j))):
                self._set_aside(j)
            elif said:
                self.unclear.append(self._own(j) or self._levels[-1].texts[j])
            else:
                self.charts.append(j)
        self.charts.sort()


class _Lines:
    """Which lines hold the rates of a card, and what the others are."""

    def __init__(
        self,
        columns: _Columns,
        charts: Sequence[int],
        known: Mapping[str, str],
        headers: int,
        layout: Layout,
    ) -> None:
        self.cards: list[tuple[int, str]] = []
        self.aside: list[str] = []
        self._grid, self._label, self._charts = columns.grid, columns.label, charts
        self._last = columns.lines[-1]
        self._respelt: list[tuple[int, str]] = []
        self._nameless: list[int] = []
        self._headings: list[int] = []
        ignored = {loose(text) for text in layout.ignore}
        for i in range(headers + 1, len(self._grid.cells)):
            name = self._grid.cells[i][self._label]
            if loose(name) in ignored and name:
                self._set_aside(i)
            elif card := known.get(name) or known.get(loose(name)):
                self.cards.append((i, card))
                if card != parse_id(name):
                    self._respelt.append((i, card))
            elif any(self._grid.cells[i]):
                self._sort(i)

    def _sort(self, i: int) -> None:
        """Say what a line is that names none of the cards."""
        line = self._grid.cells[i]
        cells = [line[j] for j in self._charts]
        numbers = sum(map(is_number, cells))
        words = sum(bool(c) and not is_number(c) and not is_mark(c) for c in cells)
        if words > numbers and 2 * words >= len(cells) and i < self._last:
            self._headings.append(i)
        elif not numbers or is_summary(line[self._label]):
            self._set_aside(i)
        elif line[self._label]:
            self.cards.append((i, line[self._label]))
        else:
            self._nameless.append(i)

    def _set_aside(self, i: int) -> None:
        text = next((cell for cell in self._grid.cells[i] if cell), "")
        self.aside.append(f"{self._grid.line_words(i)} ({shown(text, 30)})")

    def check(self, log: ProblemLog) -> None:
        """Note second blocks, rates without a card, and cards that are spelt in another way."""
        grid = self._grid
        for i in self._headings[:1]:
            column = next(j for j, cell in enumerate(grid.cells[i]) if cell)
            _note_second_block(grid, i, column, log)
        for i in self._nameless:
            row, letter = grid.at(i, self._label)
            what = "there are rates here, but no card is named"
            fix = "name the card, name it average if it is one, or delete the cells"
            log.error(
                grid.name, what, "a card for every rate", fix, row=row, column=letter, value=""
            )
        for i, card in self._respelt:
            row, letter = grid.at(i, self._label)
            name = grid.cells[i][self._label]
            what = f"{shown(name)} is read as the card {shown(card)}"
            allowed, fix = "names as in the table of cards", "write both alike"
            log.warning(grid.name, what, allowed, fix, row=row, column=letter, value=name)
