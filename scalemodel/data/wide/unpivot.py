"""A wide sheet as the rows of results.csv, each of which knows the cell it came from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.schema import CHART_COLUMNS, ID_COLUMNS
from scalemodel.data.wide.roles import Reading
from scalemodel.data.wide.shape import Shape
from scalemodel.data.wide.words import AVERAGE, MEASURED, is_mark, label_of


@dataclass
class Row:
    """A run.

    Attributes:
        cells: by column of results.
        places: by column of results, row and column letter of the cell it stands in.
    """

    cells: dict[str, str] = field(default_factory=dict)
    places: dict[str, tuple[int, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Unpivoted:
    """The runs of a sheet.

    Attributes:
        rows: in the order of the sheet.
        charts: number of charts.
        passes: number of runs that are told apart.
        rates: cells with something in them.
        empty: cells without, those with a mark for "not tested" among them.
        marked: cells with such a mark.
    """

    rows: list[Row]
    charts: int
    passes: int
    rates: int
    empty: int
    marked: int


@dataclass(frozen=True)
class _Run:
    """The columns of one run of a chart, by metric."""

    number: str
    columns: Mapping[str, int]

    @property
    def first(self) -> int:
        return self.columns[AVERAGE]


def unpivot(
    shape: Shape,
    reading: Reading,
    resolutions: Mapping[str, str],
    seen: dict[tuple[str, ...], str],
    log: ProblemLog,
) -> Unpivoted:
    """Make a row of every run.

    Args:
        shape: the sheet.
        reading: what its columns are of.
        resolutions: the user's own words for resolutions.
        seen: where runs stand that were found in other sheets; those of this sheet are added.
        log: takes what is wrong.
    """
    runs = _runs(shape, reading, log)
    rows: list[Row] = []
    empty, marked = 0, 0
    for line, card in shape.cards:
        found = []
        for run in runs:
            row = _row(shape, reading, line, card, run, resolutions)
            marked += _note_marks(shape, row, log)
            empty += sum(not row.cells[metric] for metric in run.columns)
            if row.cells[AVERAGE] or row.cells.get("exclude"):
                found.append(row)
            else:
                _note_alone(shape, row, run, log)
        _note_again(shape, line, found, seen, log)
        rows += found
    every = len(shape.cards) * len(shape.charts)
    charts = {tuple(row.cells[name] for name in CHART_COLUMNS) for row in rows}
    passes = len({row.cells["run"] for row in rows})
    return Unpivoted(rows, len(charts), passes, every - empty, empty, marked)


def _runs(shape: Shape, reading: Reading, log: ProblemLog) -> list[_Run]:
    """Group the columns by run of a chart: several columns of one chart and metric are runs."""
    order: dict[tuple[str, ...], dict[str, list[int]]] = {}
    for j in shape.charts:
        chart = reading.charts[j]
        key = (*(chart.names.get(name, "") for name in CHART_COLUMNS), chart.run)
        order.setdefault(key, {}).setdefault(chart.metric, []).append(j)
    runs = []
    numbered = any(name == "run" for _, name in shape.sides)
    for key, metrics in order.items():
        counts = {metric: len(columns) for metric, columns in metrics.items()}
        if len(set(counts.values())) > 1 or AVERAGE not in counts:
            _note_uneven(shape, metrics, log)
        elif counts[AVERAGE] > 1 and (key[-1] or numbered):
            _note_double(shape, metrics[AVERAGE], log)
        else:
            runs += [
                _Run(key[-1] or str(number), dict(zip(metrics, columns, strict=True)))
                for number, columns in enumerate(zip(*metrics.values(), strict=True), start=1)
            ]
    return runs


def _note_uneven(shape: Shape, metrics: Mapping[str, list[int]], log: ProblemLog) -> None:
    counts = {AVERAGE: 0} | {metric: len(columns) for metric, columns in metrics.items()}
    listed = ", ".join(f"{count} of {name}" for name, count in counts.items())
    what = f"the columns of a chart do not go together: {listed}"
    allowed = f"as many columns of each metric as of {AVERAGE}"
    fix = 'name the run of each in the headers ("run 1"), or which of them to ignore in layout.toml'
    _note_header(shape, min(map(min, metrics.values())), what, allowed, fix, log)


def _note_double(shape: Shape, columns: Sequence[int], log: ProblemLog) -> None:
    what = f"the same run of the chart is in {shape.grid.column_words(columns[0])} already"
    fix = "number the runs 1, 2, 3, or take one out"
    _note_header(shape, columns[1], what, "each run of a chart once", fix, log)


def _note_header(shape: Shape, j: int, what: str, allowed: str, fix: str, log: ProblemLog) -> None:
    """Note something of a column, at its innermost header."""
    line = shape.levels[-1].line or 0
    row, letter = shape.grid.at(line, j)
    text = shape.levels[-1].texts[j]
    log.error(shape.grid.name, what, allowed, fix, row=row, column=letter, value=text)


def _row(
    shape: Shape,
    reading: Reading,
    line: int,
    card: str,
    run: _Run,
    resolutions: Mapping[str, str],
) -> Row:
    """Say of which run these columns are on this line."""
    grid, chart = shape.grid, reading.charts[run.first]
    here = grid.at(line, run.first)
    row = Row({"card": card, "run": run.number}, {"card": grid.at(line, shape.label), "run": here})
    for name, text in chart.names.items():
        origin = chart.origin[name]
        row.cells[name], row.places[name] = text, grid.at(*origin) if origin else here
    for j, name in shape.sides:
        text = grid.cells[line][j]
        if name == "resolution":
            text = label_of(text, resolutions).resolution or text
        row.cells[name], row.places[name] = text, grid.at(line, j)
    for metric, j in run.columns.items():
        row.cells[metric], row.places[metric] = grid.cells[line][j], grid.at(line, j)
    return row


def _note_marks(shape: Shape, row: Row, log: ProblemLog) -> int:
    """Empty cells that say "not tested" in a word or a sign; count them."""
    count = 0
    for name in MEASURED:
        cell = row.cells.get(name, "")
        if is_mark(cell):
            place, letter = row.places[name]
            what = f"{shown(cell)} stands where a rate would; it is read as not tested"
            allowed, fix = "a rate, or nothing", "test it, or leave the cell empty"
            log.warning(shape.grid.name, what, allowed, fix, row=place, column=letter, value=cell)
            row.cells[name] = ""
            count += 1
    return count


def _note_alone(shape: Shape, row: Row, run: _Run, log: ProblemLog) -> None:
    """Note a low, or another metric, without the average of its run."""
    others = [metric for metric in run.columns if row.cells[metric]]
    if others:
        place, letter = row.places[AVERAGE]
        what = f"{AVERAGE} is empty, but {others[0]} of the run is there"
        allowed, fix = "an average beside every other metric", "add it, or empty the others"
        log.error(shape.grid.name, what, allowed, fix, row=place, column=letter, value="")


def _note_again(
    shape: Shape,
    line: int,
    rows: Sequence[Row],
    seen: dict[tuple[str, ...], str],
    log: ProblemLog,
) -> None:
    """Note, once, a line of which another one has the runs already."""
    here = f"{shape.grid.line_words(line)} of {shape.grid.name}"
    earlier = ""
    for row in rows:
        key = tuple(row.cells.get(name, "") for name in (*ID_COLUMNS, "power_limit_w"))
        earlier = earlier or seen.get(key, "")
        seen.setdefault(key, here)
    if earlier:
        place, letter = shape.grid.at(line, shape.label)
        card = rows[0].cells["card"]
        log.error(
            shape.grid.name,
            f"runs of the card {shown(card)} are in {earlier} already",
            "each card once, or a column named run that tells its runs apart",
            "take one out, or add such a column",
            row=place,
            column=letter,
            value=card,
        )
