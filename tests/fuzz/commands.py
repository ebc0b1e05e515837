"""Commands asked about mutated benches, in this process."""

from collections.abc import Callable
from pathlib import Path
from random import Random

from click.testing import CliRunner

from scalemodel.cli.main import run
from scalemodel.data.bench import BenchError, check_bench
from tests.fuzz import sound
from tests.fuzz.mutations import mutated_bytes, mutated_rows, written
from tests.fuzz.targets import Read

ENDINGS = {0, 1, 2}
QUICK = ("check", "export", "reduce", "repeat", "lows", "latency")
"""Commands that need no fit, or hardly one."""

FITTED = (
    "fit", "ceilings", "predict", "lead", "standings", "power", "value", "explain", "order", "plan",
    "report", "figure",
)  # fmt: skip


class CommandError(Exception):
    """A command ended as none should."""


def words_of(rng: Random, name: str, folder: Path) -> list[str]:
    """Give the words of a command line."""
    bench, out = str(folder / "bench"), str(folder / "out")
    sheet = ["--specs", str(folder / "specs.csv")]
    a, b = rng.choice((("Mirel 10", "Halvor A"), ("Mirel 10", "nobody")))
    lines = {
        "export": ["export", bench, "--to", f"{out}.xlsx" if rng.random() < 0.5 else out],
        "latency": ["latency", bench, "--format", "csv"],
        "predict": ["predict", bench, *sheet, "--ranks", "--format", "json"],
        "lead": ["lead", bench, a, b, "-o", f"{out}.csv"],
        "standings": ["lead", bench, "--format", "table"],
        "value": ["value", bench, "--prices", str(folder / "prices.csv")],
        "explain": ["explain", bench, a, b],
        "order": ["explain", bench, "--order"],
        "plan": ["plan", bench, "--hours", "3", *sheet, "--in-hand"],
        "report": ["report", bench, *sheet, "-o", f"{out}.html"],
        "figure": ["ceilings", bench, "--figure", f"{out}.{rng.choice(('png', 'svg', 'pdf'))}"],
    }
    return lines.get(name, [name, bench, "--format", rng.choice(("table", "csv", "json"))])


def command(rng: Random, folder: Path) -> Read:
    """A command on a bench with a few cells changed; what needs a fit only if check lets it."""
    bench = sound.write_bench(folder / "bench")
    inputs = {
        "specs": (folder / "specs.csv", sound.specs()),
        "prices": (folder / "prices.csv", sound.prices()),
        **{name: (bench / f"{name}.csv", rows) for name, rows in sound.tables().items()},
    }
    spoilt = rng.sample(sorted(inputs), rng.choice((1, 1, 2)))
    for name, (path, rows) in inputs.items():
        changed = mutated_rows(rng, rows) if name in spoilt else rows
        content = written(rng, changed) if name in spoilt else sound.plain(rows)
        damaged = name in spoilt and rng.random() < 0.1
        path.write_bytes(mutated_bytes(rng, content) if damaged else content)
    return lambda: _ask(words_of(rng, rng.choice((*QUICK, *FITTED)), folder), folder)


def _ask(words: list[str], folder: Path) -> object:
    """Ask; a refusal becomes a BenchError, so that it counts as one."""
    asked = words[0] in QUICK or check_bench(folder / "bench").ok
    before = {path for path in folder.rglob("*") if path.is_file()}
    result = CliRunner().invoke(run, words if asked else ["check", words[1]])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise CommandError(words) from result.exception
    said = result.stderr
    _expect(result.exit_code in ENDINGS, words, f"exit status {result.exit_code}")
    _expect("Traceback" not in said, words, "a traceback")
    new = {path for path in folder.rglob("*") if path.is_file()} - before
    _expect(not any(path.suffix == ".tmp" for path in new), words, "a temporary file is left")
    if result.exit_code == 2:
        _expect(len(said.strip()) > 20, words, "no message")
        _expect(not any(path.name.startswith("out") for path in new), words, "a file is left")
        raise BenchError(words[1], (), (1, 0))
    return result.exit_code


def _expect(holds: bool, words: list[str], what: str) -> None:
    if not holds:
        raise CommandError(words, what)


TARGETS: dict[str, Callable[[Random, Path], Read]] = {"command": command}
