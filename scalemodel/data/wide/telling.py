"""Say how a wide sheet was read."""

from collections.abc import Iterator, Sequence

from scalemodel.data.problems import shown
from scalemodel.data.wide.roles import Reading
from scalemodel.data.wide.shape import Shape
from scalemodel.data.wide.unpivot import Unpivoted
from scalemodel.data.wide.words import AVERAGE, MEASURED


def told(shape: Shape, reading: Reading, found: Unpivoted) -> str:
    """Say in a sentence where cards, charts and their names were found, and what was set aside."""
    return f"{shape.grid.name}: {'; '.join(_parts(shape, reading, found))}"


def placed(shape: Shape) -> str:
    """Say where cards and rates stand."""
    lines = shape.grid.line_words(*(line for line, _ in shape.cards))
    return f"cards in {lines}, rates in {shape.grid.column_words(*shape.charts)}"


def _parts(shape: Shape, reading: Reading, found: Unpivoted) -> Iterator[str]:
    down, across = ("across", "down") if shape.grid.across else ("down", "across")
    cards = len({card for _, card in shape.cards})
    yield (
        f"{_count(cards, 'card')} {down}, {_count(found.charts, 'chart')} {across} "
        f"({placed(shape)})"
    )
    sources: dict[str, list[str]] = {}
    for name, source in reading.sources.items():
        sources.setdefault(source, []).append(name)
    for source, names in sources.items():
        yield f"{_listed(names)} from {source}"
    metrics = {chart.metric for chart in reading.charts.values()}
    if metrics != {AVERAGE}:
        yield f"rates are {_listed([name for name in MEASURED if name in metrics])}"
    if found.passes > 1:
        yield f"up to {found.passes} runs a chart"
    if reading.named:
        words = [f"{shown(word)} as {size}" for word, size in reading.named.items()]
        yield f"{_listed(words)}"
    marked = f" ({found.marked} of them marked as not tested)" if found.marked else ""
    yield f"{_count(found.rates, 'rate')}, {found.empty:,} empty{marked}"
    if shape.aside:
        yield f"set aside: {', '.join(shape.aside)}"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _listed(names: Sequence[str]) -> str:
    *some, last = names
    return f"{', '.join(some)} and {last}" if some else last
