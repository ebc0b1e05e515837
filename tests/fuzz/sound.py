"""The sound files that are mutated."""

import functools
import json
import tempfile
from pathlib import Path
from random import Random

from scalemodel.answers.fitting import Fit, fit_cached
from scalemodel.data.bench import read_bench
from scalemodel.data.logs.kept import save_kept
from scalemodel.data.schema import CARDS, FRAMES, LATENCY, PLATFORMS, PRICES, TABLES
from scalemodel.data.store import FOLDER
from tests.answers.small_lab import Settings, sheets, simulate
from tests.fuzz.mutations import Rows

QUICK = Settings(ceilings={"Game 1": 150.0}, resolutions=("2560x1440",), runs=2)
UNTESTED = "Mirel 45"
CHART = ["Bench", "Game 1", "High", "2560x1440"]
LOG = "log.csv"
LOG_KEY = "0" * 32


@functools.cache
def _texts() -> dict[str, str]:
    lab = simulate(QUICK)
    results = lab.results[lab.results["card"] != UNTESTED].assign(driver="1.2", date="2026-03-20")
    return {"cards": lab.cards.to_csv(index=False), "results": results.to_csv(index=False)}


def tables() -> dict[str, Rows]:
    """Give the header and rows of every table of a bench that can be fitted."""
    rows = {name: [line.split(",") for line in text.split()] for name, text in _spaced().items()}
    tables = {
        name: [[cell.replace("~", " ") for cell in row] for row in table]
        for name, table in rows.items()
    }
    tables["platforms"] = [list(PLATFORMS.names()), ["Bench", "a CPU", "32 GB", "an OS"]]
    log = [LOG, "Mirel 10", *CHART, "3", "", "", "0", ""]
    tables["frames"] = [list(FRAMES.names()), log]
    shots = [
        [card, *CHART, str(shot), f"{30 + shot / 7:.2f}", "240", "2026-03-20", "no", ""]
        for card in ("Mirel 10", "Halvor A")
        for shot in range(1, 6)
    ]
    tables["latency"] = [list(LATENCY.names()), *shots]
    return {table.name: tables[table.name] for table in TABLES}


def _spaced() -> dict[str, str]:
    return {name: text.replace(" ", "~") for name, text in _texts().items()}


def specs() -> Rows:
    """Give a spec sheet of the card that nobody tested, and of one like it."""
    table = sheets()
    one = table[table["card"] == UNTESTED].iloc[0]
    given = {str(name): str(value) for name, value in one.items()}
    row = [given.get(name, "") for name in CARDS.names()]
    return [list(CARDS.names()), row, ["Mirel 46", *row[1:]]]


def prices() -> Rows:
    """Give a list of prices."""
    cards = ("Mirel 10", "Mirel 20", "Halvor A")
    rows = [[card, str(199 + 50 * i), "EUR", "2026-03-20"] for i, card in enumerate(cards)]
    return [list(PRICES.names()), *rows]


def log_rows() -> Rows:
    """Give a frame-time log of 400 frames, with a clock."""
    rng, clock = Random(1), 0.0
    rows = [["time", "frame time", "name"]]
    for _ in range(400):
        ms = rng.lognormvariate(2.8, 0.1)
        clock += ms
        rows.append([f"{clock / 1000:.6f}", f"{ms:.4f}", "game"])
    return rows


def write_bench(folder: Path) -> Path:
    """Write the sound bench with its log."""
    (folder / "frames").mkdir(parents=True)
    for name, rows in tables().items():
        (folder / f"{name}.csv").write_bytes(plain(rows))
    (folder / "frames" / LOG).write_bytes(plain(log_rows()))
    return folder


def plain(rows: Rows) -> bytes:
    """Write rows whose cells need no quotes."""
    return "".join(",".join(row) + "\n" for row in rows).encode()


@functools.cache
def kept() -> dict[str, bytes]:
    """Give the files that commands keep beside the sound bench, and a sealed forecast."""
    from click.testing import CliRunner

    from scalemodel.cli.main import run

    with tempfile.TemporaryDirectory() as name:
        folder = write_bench(Path(name) / "bench")
        sheet = Path(name) / "specs.csv"
        sheet.write_bytes(plain(specs()))
        forecast = Path(name) / "forecast.json"
        runner = CliRunner()
        for words in (
            ("predict", str(folder), "--specs", str(sheet), "--save", str(forecast)),
            ("score", str(folder), "--jobs", "1"),
        ):
            result = runner.invoke(run, words, catch_exceptions=False)
            assert result.exit_code == 0, result.output
        save_kept(folder, LOG_KEY, "digest", {"row": {"file": LOG}, "problems": []})
        files = {path.name: path.read_bytes() for path in (folder / FOLDER).glob("*.*")}
        files[f"{LOG_KEY}.json"] = (folder / FOLDER / "logs" / f"{LOG_KEY}.json").read_bytes()
        files["forecast.json"] = forecast.read_bytes()
        json.loads(files["forecast.json"])
    return files


@functools.cache
def whole_fit() -> Fit:
    """Give the fit of the sound bench."""
    with tempfile.TemporaryDirectory() as name:
        return fit_cached(read_bench(write_bench(Path(name) / "bench")))
