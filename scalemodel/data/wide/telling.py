"""Say how wide sheets were read."""

from collections.abc import Iterator, Sequence

from scalemodel.data.problems import shown
from scalemodel.data.wide.roles import Reading
from scalemodel.data.wide.shape import Shape
from scalemodel.data.wide.unpivot import Unpivoted
from scalemodel.data.wide.words import AVERAGE, MEASURED

MOST_NAMES = 20
"""Games, or presets, named at most."""

Told = tuple[Shape, Reading, Unpivoted]


def told(read: Sequence[Told]) -> list[str]:
    """Say where cards, charts and their names were found, and what was set aside.

    Gives a sentence a sheet, after what holds for all where there are several, then the games
    and presets that were found.
    """
    alike = [tuple(_alike(reading)) for _, reading, _ in read]
    shared = len(read) > 1 and len(set(alike)) == 1
    lines = [f"In each of these sheets: {'; '.join(alike[0])}"] if shared else []
    for one, same in zip(read, alike, strict=True):
        shape, _, found = one
        parts = [_block(shape, found), *(() if shared else same), *_cells(found), *_aside(shape)]
        lines.append(f"{shape.grid.name}: {'; '.join(parts)}")
    rows = [row.cells for _, _, found in read for row in found.rows]
    names = {noun: list(dict.fromkeys(row[noun] for row in rows)) for noun in ("game", "preset")}
    return lines + [f"{_count(len(n), noun)}: {_in_short(n)}" for noun, n in names.items() if n]


def placed(shape: Shape) -> str:
    """Say where cards and rates stand."""
    lines = shape.grid.line_words(*(line for line, _ in shape.cards))
    return f"cards in {lines}, rates in {shape.grid.column_words(*shape.charts)}"


def _block(shape: Shape, found: Unpivoted) -> str:
    down, across = ("across", "down") if shape.grid.across else ("down", "across")
    cards = _count(len({card for _, card in shape.cards}), "card")
    return f"{cards} {down}, {_count(found.charts, 'chart')} {across} ({placed(shape)})"


def _alike(reading: Reading) -> Iterator[str]:
    """Say what the headers were read as."""
    sources: dict[str, list[str]] = {}
    for name, source in reading.sources.items():
        sources.setdefault(source, []).append(name)
    for source, names in sources.items():
        yield f"{_listed(names)} from {source}"
    metrics = {chart.metric for chart in reading.charts.values()}
    if metrics != {AVERAGE}:
        yield f"rates are {_listed([name for name in MEASURED if name in metrics])}"
    if reading.named:
        yield _listed([f"{shown(word)} as {size}" for word, size in reading.named.items()])


def _cells(found: Unpivoted) -> Iterator[str]:
    if found.passes > 1:
        yield f"up to {found.passes} runs a chart"
    marked = f" ({found.marked} of them marked as not tested)" if found.marked else ""
    yield f"{_count(found.rates, 'rate')}, {found.empty:,} empty{marked}"


def _aside(shape: Shape) -> Iterator[str]:
    if shape.aside:
        yield f"set aside: {', '.join(shape.aside)}"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _in_short(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMES
    return _listed([*names[:MOST_NAMES], f"{more:,} more"] if more > 0 else names)


def _listed(names: Sequence[str]) -> str:
    *some, last = names
    return f"{', '.join(some)} and {last}" if some else last
