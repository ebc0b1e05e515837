"""The columns of a bench, declared once: reading, messages and the template derive from this."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["id", "text", "number", "flag", "resolution", "date", "choice"]


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Attributes:
        name: as in the header.
        kind: how a cell is read. Ids and texts stay text; an id must not hold control characters.
        meaning: one phrase for the user.
        example: a legal cell.
        unit: unit of a number, in words or symbols.
        required: the column must be there and its cells filled.
        low: smallest number allowed.
        low_open: the smallest number itself is not allowed.
        high: largest number allowed.
        unless: a flag column that excuses an empty cell.
        choices: what a cell of kind "choice" may hold.
    """

    name: str
    kind: Kind
    meaning: str
    example: str
    unit: str = ""
    required: bool = False
    low: float = 0.0
    low_open: bool = True
    high: float = float("inf")
    unless: str = ""
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """Say in words what a cell may hold."""
        match self.kind:
            case "number":
                words = f"a number {'above' if self.low_open else 'from'} {self.low:,.12g}"
                words += f" {'and ' if self.low_open else ''}up to {self.high:,.12g}"
                words += f" ({self.unit})" if self.unit else ""
            case "flag":
                words = "yes, no, true, false, 1, 0, on or off"
            case "resolution":
                words = "width x height in pixels, such as 1920x1080"
            case "date":
                words = "a date such as 2026-03-14, 2026-03 or 2026"
            case "id":
                words = "text in one line"
            case "choice":
                words = f"{', '.join(self.choices[:-1])} or {self.choices[-1]}"
            case _:
                words = "any text"
        return words if self.required or self.kind == "text" else f"{words}, or nothing"


@dataclass(frozen=True)
class Table:
    """One table of a bench: the name of its file and its columns."""

    name: str
    meaning: str
    required: bool
    columns: tuple[Column, ...]

    def names(self) -> tuple[str, ...]:
        """Give the column names in order."""
        return tuple(column.name for column in self.columns)


def _id(name: str, meaning: str, example: str) -> Column:
    return Column(name, "id", meaning, example, required=True)


def _number(
    name: str, meaning: str, example: str, unit: str, high: float, *, required: bool = False
) -> Column:
    return Column(name, "number", meaning, example, unit, required, high=high)


def _count(name: str, meaning: str, example: str, high: float) -> Column:
    return Column(name, "number", meaning, example, low_open=False, high=high)


def _seconds(name: str, meaning: str, example: str, *, low_open: bool) -> Column:
    return Column(name, "number", meaning, example, "s", low_open=low_open, high=1e6)


def _text(name: str, meaning: str, example: str) -> Column:
    return Column(name, "text", meaning, example)


BANDWIDTH_COLUMNS = ("memory_bandwidth_gbs", "memory_bus_bits", "memory_rate_gbps")
"""The bandwidth itself, or bus width and data rate: one of the two forms must be given."""

CARDS = Table(
    "cards",
    "one row a card: its spec sheet",
    True,
    (
        _id("card", "name of the card, as in results.csv", "Example 60"),
        _id("vendor", "who designs the chip", "Example vendor"),
        _id("architecture", "chip generation of that vendor", "Example gen 2"),
        _number("shaders", "number of shader units", "4096", "", 1e6, required=True),
        _number("boost_clock_mhz", "boost clock", "2400", "MHz", 1e5, required=True),
        _number("memory_gb", "memory size", "16", "GB", 1e4, required=True),
        _number("memory_bandwidth_gbs", "memory bandwidth", "640", "GB/s", 1e6),
        _number("memory_bus_bits", "width of the memory bus", "256", "bits", 1e5),
        _number("memory_rate_gbps", "data rate of one memory pin", "20", "Gb/s", 1e3),
        Column("cache_mb", "number", "last-level cache", "48", "MB", low_open=False, high=1e5),
        _number("rops", "number of raster output units", "128", "", 1e5),
        _count("tmus", "number of texture units", "256", 1e6),
        _count("rt_units", "number of ray tracing units", "64", 1e6),
        _number("board_power_w", "board power", "250", "W", 1e4),
        _number("price", "price at launch", "499", "", 1e9),
        _text("currency", "currency of the price", "EUR"),
        Column("release_date", "date", "day, month or year of release", "2026-03-14"),
    ),
)

PLATFORMS = Table(
    "platforms",
    "one row a platform: the rest of the bench",
    False,
    (
        _id("platform", "name of the platform, as in results.csv", "Example bench"),
        _text("cpu", "processor", "Example CPU, 8 cores"),
        _text("memory", "main memory", "32 GB"),
        _text("os", "operating system", "Example OS 1"),
    ),
)

RESULTS = Table(
    "results",
    "one row a run: one pass of one card through one scene",
    True,
    (
        _id("card", "name of the card, as in cards.csv", "Example 60"),
        _id("platform", "name of the platform", "Example bench"),
        _id("game", "name of the game", "Example game"),
        _id("preset", "settings; upscaling and ray tracing are part of them", "High"),
        Column("resolution", "resolution", "width x height", "2560x1440", required=True),
        _id("run", "number of the pass within its cell", "1"),
        Column(
            "avg_fps",
            "number",
            "average rate of the run; may be empty in a row marked exclude",
            "92.4",
            "frames per second",
            required=True,
            high=1e5,
            unless="exclude",
        ),
        _number("low_1pct_fps", "1% low", "71.8", "frames per second", 1e5),
        _number("low_01pct_fps", "0.1% low", "60.2", "frames per second", 1e5),
        _number("power_w", "mean board power over the run", "231", "W", 1e4),
        _number(
            "power_limit_w",
            "power limit set by hand; empty, or board_power_w of the sheet: the card's own",
            "250",
            "W",
            1e4,
        ),
        _number("latency_ms", "mean latency over the run", "28.5", "ms", 1e5),
        _text("driver", "driver version", "1.2.3"),
        _text("game_version", "game version", "1.0.4"),
        Column("date", "date", "day of the test", "2026-03-20"),
        Column("frame_generation", "flag", "frame generation was on", "no"),
        _text("upscaling", "upscaling used", "off"),
        _text("ray_tracing", "ray tracing used", "off"),
        Column("exclude", "flag", "leave this run out of everything", "no"),
        _text("note", "anything worth knowing about the run", "example row: delete it"),
    ),
)

UNITS = ("s", "ms", "us", "ns")
"""Units of frame times; "s stamp" and so on: time stamps in that unit."""

FRAMES = Table(
    "frames",
    "one row a run that is still a log of its frames: which file in the folder frames it is in",
    False,
    (
        _id("file", "log in the folder frames beside this file", "example-60-run-1.csv"),
        _id("card", "name of the card, as in cards.csv", "Example 60"),
        _id("platform", "name of the platform", "Example bench"),
        _id("game", "name of the game", "Example game"),
        _id("preset", "settings; upscaling and ray tracing are part of them", "High"),
        Column("resolution", "resolution", "width x height", "2560x1440", required=True),
        _id("run", "number of the pass within its cell", "2"),
        _text("column", "which column of the log to use; empty: found from the numbers", "frame"),
        Column(
            "unit",
            "choice",
            "unit of that column; empty: found from the numbers",
            "ms",
            choices=(*UNITS, *(f"{unit} stamp" for unit in UNITS)),
        ),
        _seconds("skip_s", "left out at the begin of the log, as warm-up", "5", low_open=False),
        _seconds("length_s", "used after that; empty: up to the end", "60", low_open=True),
    ),
)

LATENCY = Table(
    "latency",
    "one row a shot: the time from one click to the change on the screen",
    False,
    (
        _id("card", "name of the card, as in cards.csv", "Example 60"),
        _id("platform", "name of the platform", "Example bench"),
        _id("game", "name of the game", "Example game"),
        _id("preset", "settings; upscaling and ray tracing are part of them", "High"),
        Column("resolution", "resolution", "width x height", "2560x1440", required=True),
        _id("shot", "number of the shot within its cell and date", "1"),
        Column(
            "latency_ms",
            "number",
            "from click to photon; may be empty in a row marked exclude",
            "31.5",
            "ms",
            required=True,
            high=1e5,
            unless="exclude",
        ),
        _number("refresh_hz", "refresh rate of the screen", "240", "Hz", 1e4),
        Column("date", "date", "day of the test", "2026-03-20"),
        Column("exclude", "flag", "leave this shot out of everything", "no"),
        _text("note", "anything worth knowing about the shot", "example row: delete it"),
    ),
)

TABLES = (CARDS, PLATFORMS, RESULTS, FRAMES, LATENCY)

PRICES = Table(
    "prices",
    "one row a card: what it costs, in one currency",
    False,
    (
        _id("card", "name of the card, as in cards.csv or in the spec sheets", "Example 60"),
        _number("price", "what it costs", "489", "", 1e9, required=True),
        _text("currency", "currency of the price, the same in every row", "EUR"),
        Column("date", "date", "day the price was seen", "2026-03-20"),
    ),
)
"""Not a table of the bench: a file of the user's, given beside it."""

DERIVED = {
    "cards": ("row", "bandwidth_gbs", "shader_rate", "raster_rate"),
    "platforms": ("row",),
    "results": ("row", "scene", "width", "height", "pixels"),
    "frames": ("row",),
    "latency": ("row", "reason"),
    "prices": ("row",),
}
"""Columns the reader works out itself; a file cannot bring its own."""

ID_COLUMNS = ("card", "platform", "game", "preset", "resolution", "run")
"""What names a run."""

CHART_COLUMNS = ("platform", "game", "preset", "resolution")
"""What names a chart."""

CELL_COLUMNS = ("card", *CHART_COLUMNS)
"""What names a cell."""

SESSION_COLUMNS = ("game_version", "driver", "date")
"""What, beside the cell, says which runs were made together."""
