"""What the headers of a wide sheet name: which of them is the game, the preset, the platform."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from scalemodel.data.problems import ProblemLog, shown
from scalemodel.data.wide.layout import FILE, NAMES, ROLES, Asked, Layout
from scalemodel.data.wide.shape import Level, Shape
from scalemodel.data.wide.words import AVERAGE, MEASURED, label_of, loose, split_preset

GAME, PRESET, PLATFORM = "game", "preset", "platform"
BOTH = "game and preset"
TEXT = ""
"""A header with words of which it is not known what they are."""

NO_TEXT = "no text"
"""A header with resolutions, metrics and runs only."""

_SHEET = "the name of the sheet"
_EXAMPLES = 3


@dataclass(frozen=True)
class Chart:
    """What the headers say of one column of rates.

    Attributes:
        names: platform, game, preset and resolution, as far as they are named.
        origin: where such a name stands: line and column; None if in no cell.
        metric: the column of results that the rates are for.
        run: number of the pass, empty if it is not named.
    """

    names: Mapping[str, str]
    origin: Mapping[str, tuple[int, int] | None]
    metric: str
    run: str


@dataclass(frozen=True)
class Reading:
    """What every column of rates is of.

    Attributes:
        charts: by column.
        sources: for what runs are named by, where that was read: "row 1", "layout.toml".
        named: resolutions by the words they were read from.
        asked: what is open; the charts must not be used before it is answered.
    """

    charts: Mapping[int, Chart]
    sources: Mapping[str, str]
    named: Mapping[str, str]
    asked: Asked


def read_headers(
    shape: Shape, layout: Layout, platforms: Sequence[str], log: ProblemLog, *, alone: bool
) -> Reading:
    """Say what every column of rates is of.

    Args:
        shape: the sheet.
        layout: what the user says.
        platforms: those of the table of platforms.
        log: takes what is wrong.
        alone: the sheet is named results, so its name says nothing.
    """
    levels = list(shape.levels) if alone else [_of_the_sheet(shape, layout), *shape.levels]
    names = _words(shape, levels)
    roles, asked = _roles(shape, levels, layout, platforms, log)
    _check_metrics(shape, levels, roles, log)
    found = _Charts(shape, levels, names, roles, layout, platforms)
    _check_once(shape, found, log)
    sure = (PLATFORM, "resolution") if asked.headers or asked.sheets else NAMES
    open_names = {name: why for name, why in found.open.items() if name in sure}
    told = Asked(open_names, asked.headers, asked.sheets, shape.unclear)
    return Reading(found.charts, found.sources, found.named, told)


def _check_once(shape: Shape, found: "_Charts", log: ProblemLog) -> None:
    """Note what is named by a header and by a column beside the rates."""
    beside = {key for _, key in shape.sides}
    for name in NAMES:
        if name in beside and any(name in chart.names for chart in found.charts.values()):
            what = f"the {name} is named twice: by {found.sources[name]}"
            fix = f"take one of them out, or put it into ignore in {FILE}"
            log.error(shape.grid.name, what, f"one place for the {name}", fix)


def _of_the_sheet(shape: Shape, layout: Layout) -> Level:
    width, title = shape.grid.width, shape.grid.title
    label = label_of(title, layout.resolutions)
    return Level(None, "", (title,) * width, (-1,) * width, (label,) * width)


def _words(shape: Shape, levels: Sequence[Level]) -> list[str]:
    return [_SHEET if v.line is None else shape.grid.line_words(v.line) for v in levels]


def _roles(
    shape: Shape, levels: Sequence[Level], layout: Layout, platforms: Sequence[str], log: ProblemLog
) -> tuple[list[str], Asked]:
    """Return what the words of every level are, and what has to be asked."""
    texts = [_texts(level, shape.charts) for level in levels]
    own = [level for level in levels if level.line is not None]
    if layout.headers and len(layout.headers) != len(own):
        words = ", ".join(_words(shape, own))
        what = f"headers has {len(layout.headers)} entries, but {shape.grid.name} has {words}"
        log.error(FILE, what, "one entry for each of them", "correct the list")
    given = iter(layout.headers)
    said = [layout.sheets if level.line is None else next(given, "") for level in levels]
    roles = [
        one or _role(level, words, layout, platforms)
        for one, level, words in zip(said, levels, texts, strict=True)
    ]
    beside = {key for _, key in shape.sides}
    if PRESET in roles:  # so a game may end in a word for one
        roles = [TEXT if r == BOTH and not one else r for r, one in zip(roles, said, strict=True)]
    _drop_repeated(shape, levels, texts, roles)
    unknown = [k for k, role in enumerate(roles) if role == TEXT and texts[k]]
    if len(unknown) == 1 and not {GAME, BOTH} & {*roles, *beside, *layout.names}:
        roles[unknown[0]] = GAME
        unknown = []
    return roles, _asked(shape, levels, texts, roles) if unknown else Asked()


def _texts(level: Level, charts: Sequence[int]) -> list[str]:
    return list(dict.fromkeys(level.labels[j].text for j in charts if level.labels[j].text))


def _role(level: Level, texts: Sequence[str], layout: Layout, platforms: Sequence[str]) -> str:
    """Say what the words of a level are, as far as they tell themselves."""
    if level.name.lower() in ROLES:
        return level.name.lower()
    if not texts:
        return NO_TEXT
    if all(text in platforms for text in texts):
        return PLATFORM
    split = [split_preset(text, layout.presets) for text in texts]
    if all(preset and not before for before, preset in split):
        return PRESET
    return BOTH if any(preset and before for before, preset in split) else TEXT


def _check_metrics(
    shape: Shape, levels: Sequence[Level], roles: Sequence[str], log: ProblemLog
) -> None:
    """Note what stands among metrics and is none."""
    for level, role in zip(levels, roles, strict=True):
        firsts = {level.origin[j]: j for j in reversed(shape.charts)} if role == "metric" else {}
        for j in sorted(firsts.values()):
            text = level.texts[j]
            if text and not level.labels[j].metric and level.line is not None:
                row, letter = shape.grid.at(level.line, level.origin[j])
                what = f"{shown(text)} is no metric"
                allowed = f"average, 1% low, 0.1% low, or one of {', '.join(MEASURED)}"
                fix = f"rename it, or add it to ignore in {FILE}"
                name = shape.grid.name
                log.error(name, what, allowed, fix, row=row, column=letter, value=text)


def _drop_repeated(
    shape: Shape, levels: Sequence[Level], texts: Sequence[Sequence[str]], roles: list[str]
) -> None:
    """Leave out a header that only says the name of the sheet again."""
    if levels and levels[0].line is None:
        for k in range(1, len(levels)):
            if roles[k] == TEXT and [loose(t) for t in texts[k]] == [loose(shape.grid.title)]:
                roles[k] = "nothing"


def _asked(
    shape: Shape, levels: Sequence[Level], texts: Sequence[Sequence[str]], roles: Sequence[str]
) -> Asked:
    headers, sheets = [], ""
    for words, level, found, role in zip(_words(shape, levels), levels, texts, roles, strict=True):
        some = ", ".join(shown(text, 30) for text in found[:_EXAMPLES])
        more = f" and {len(found) - _EXAMPLES} more" if len(found) > _EXAMPLES else ""
        if level.line is not None:
            what = role if role not in (TEXT, NO_TEXT) else _in_short(level, shape.charts)
            headers.append((what, f"{words}: {some}{more}" if some else f"{words}: {what}"))
        elif role == TEXT:
            sheets = f"{words}: {some}"
    return Asked(headers=tuple(headers), sheets=sheets)


def _in_short(level: Level, charts: Sequence[int]) -> str:
    """Name what a level without words holds; empty for one with words of unknown meaning."""
    labels = [level.labels[j] for j in charts]
    if any(label.text for label in labels):
        return ""
    kinds = Counter[str]()
    for label in labels:
        kinds += Counter(resolution=bool(label.resolution), run=bool(label.run))
        kinds += Counter(metric=bool(label.metric))
    return kinds.most_common(1)[0][0] if kinds else "nothing"


class _Charts:
    """Puts together what the levels say of every column."""

    def __init__(
        self,
        shape: Shape,
        levels: Sequence[Level],
        words: Sequence[str],
        roles: Sequence[str],
        layout: Layout,
        platforms: Sequence[str],
    ) -> None:
        self.charts: dict[int, Chart] = {}
        self.named: dict[str, str] = {}
        self.open: dict[str, str] = {}
        self._shape, self._layout, self._roles = shape, layout, roles
        self._levels, self._words, self._platforms = levels, words, platforms
        self._from: dict[str, dict[str, None]] = {name: {} for name in NAMES}
        for column, key in shape.sides:
            self._from.setdefault(key, {})[shape.grid.column_words(column)] = None
            if key == "resolution":
                self._note_named(column)
        for j in shape.charts:
            self.charts[j] = self._chart(j)

    def _note_named(self, column: int) -> None:
        """Note the resolutions that a column beside the rates names by a word."""
        for line, _ in self._shape.cards:
            text = self._shape.grid.cells[line][column]
            label = label_of(text, self._layout.resolutions)
            if label.named:
                self.named[label.named] = label.resolution

    @property
    def sources(self) -> dict[str, str]:
        """Where the names were read."""
        return {name: " and ".join(places) for name, places in self._from.items() if places}

    def _chart(self, j: int) -> Chart:
        names: dict[str, str] = {}
        origin: dict[str, tuple[int, int] | None] = {}
        metric = run = ""
        for level, role, words in zip(self._levels, self._roles, self._words, strict=True):
            label = level.labels[j]
            if role == "nothing":
                continue
            metric = label.metric or metric
            run = label.run or (label.text if role == "run" else run)
            if label.named:
                self.named[label.named] = label.resolution
            for name, text in self._named(label.text, role, label.resolution):
                names[name] = text
                origin[name] = None if level.line is None else (level.line, level.origin[j])
                self._from[name][words] = None
        self._fill(j, names, origin)
        return Chart(names, origin, metric or AVERAGE, run)

    def _named(self, text: str, role: str, resolution: str) -> Iterator[tuple[str, str]]:
        if resolution:
            yield "resolution", resolution
        if text and role == BOTH:
            before, preset = split_preset(text, self._layout.presets)
            yield from ((key, part) for key, part in ((GAME, before), (PRESET, preset)) if part)
        elif text and role in NAMES:
            yield role, text

    def _fill(
        self, j: int, names: dict[str, str], origin: dict[str, tuple[int, int] | None]
    ) -> None:
        """Add what no header says, or note that it is open."""
        beside = {key for _, key in self._shape.sides}
        for name in NAMES:
            if name in names or name in beside:
                continue
            only = self._platforms[0] if name == PLATFORM and len(self._platforms) == 1 else ""
            names[name] = self._layout.names.get(name, only)
            origin[name] = None
            if names[name]:
                source = FILE if name in self._layout.names else "the table of platforms"
                self._from[name][source] = None
            elif name not in self.open:
                self.open[name] = self._why(j, name)

    def _why(self, j: int, name: str) -> str:
        label = next((v.texts[j] for v in reversed(self._levels) if v.texts[j]), "")
        where = self._shape.grid.column_words(j)
        if name == PLATFORM:
            return "the test system; no header names it"
        return f"{where} ({shown(label, 30)}) names no {name}"
