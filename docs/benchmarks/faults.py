"""Commands killed, interrupted, without disk or rights, disturbed: what do they leave behind?

Run from the root of the repository: ``python docs/benchmarks/faults.py PART``, one of kill, full,
readonly, edited, together, interrupt and pipe. Every part prints the rows of its table in faults.md
beside this file, and what went wrong, if anything. What is random follows from ``--seed``. Needs
POSIX; as root, the disk that is full is a real one of a few hundred kilobytes in memory.
"""

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path
from random import Random

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
os.environ["PYTHONPATH"] = str(ROOT)
os.environ.setdefault("OMP_NUM_THREADS", "1")

from scalemodel.cli.main import COMMANDS  # noqa: E402
from tests.faults.asking import SHAPES, ask, make_place, started  # noqa: E402
from tests.faults.disturbing import (  # noqa: E402
    LONGEST_S,
    edited,
    full_disk,
    gone_reader,
    interrupt,
    read_only,
    small_disk,
    together,
)
from tests.faults.killing import kill  # noqa: E402

SLOW = ("figure", "forecast", "report")
"""What takes seconds even in a process with all its modules; it is killed less often."""

PRINTING: dict[str, tuple[str, ...]] = {
    "predict": ("--specs", "specs.csv"),
    "lead": ("Mirel 10", "Halvor A"),
    "explain": ("Mirel 10", "Halvor A"),
    "value": ("--prices", "prices.csv"),
    "plan": ("--hours", "3"),
    "export": ("--to", "new"),
    "report": ("-o", "new.html"),
    "score": ("--jobs", "1"),
}


def killing(times: int, rng: Random, folder: Path) -> list[str]:
    """Kill every command that writes at random moments."""
    print("| command | killed in time | old | all new | some new | temporary files left |")
    print("|---|---|---|---|---|---|")
    wrong = []
    for name in SHAPES:
        count = max(1, times // 4) if name in SLOW else times
        found = kill(name, count, rng, Path(tempfile.mkdtemp(dir=folder)))
        numbers = (found.old, found.new, found.some, found.left)
        print(
            f"| {name} | {found.killed} of {count} | {' | '.join(map(str, numbers))} |", flush=True
        )
        wrong += found.wrong
    return wrong


def filling(times: int, rng: Random, folder: Path) -> list[str]:
    """Write where there is less and less room."""
    wrong, asked = [], 0
    for name in SHAPES:
        for _ in range(max(1, times // (20 if name in SLOW else 5))):
            place = make_place(Path(tempfile.mkdtemp(dir=folder)) / "place")
            room = int(10 ** rng.uniform(0, 5.5))
            wrong += full_disk(name, room, place)
            asked += 1
    print(f"{asked} commands with files limited to 1 to 300,000 bytes")
    if os.geteuid() == 0:
        wrong += _small_disks(folder)
    return wrong


def _small_disks(folder: Path) -> list[str]:
    wrong, statuses = [], []
    for name in SHAPES:
        for room in (4096 * 16, 4096 * 40):
            with small_disk(room, Path(tempfile.mkdtemp(dir=folder)) / "disk") as disk:
                place = make_place(disk / "place")
                status, said = ask(SHAPES[name], place)
            statuses.append(status)
            if status not in (0, 2) or "Traceback" in said:
                wrong.append(f"{name} on {room} bytes: status {status}: {said[-200:]}")
    print(f"{len(statuses)} commands on disks of 64 and 160 KiB: {statuses.count(2)} refused")
    return wrong


def without_rights(_times: int, _rng: Random, folder: Path) -> list[str]:
    """Ask where nothing may be written."""
    wrong = []
    for name in SHAPES:
        place = make_place(Path(tempfile.mkdtemp(dir=folder)) / "place")
        with read_only(place / "bench"):
            status, said = ask(SHAPES[name], place)
        print(f"| {name} | {status} | {said.strip()} |")
        if status not in (0, 2) or "Traceback" in said:
            wrong.append(f"{name}: status {status}: {said[-300:]}")
    return wrong


def editing(times: int, rng: Random, folder: Path) -> list[str]:
    """Read a bench that changes."""
    bench = make_place(folder / "place") / "bench"
    read, refused, wrong = edited(times, rng, bench)
    print(f"read {read} times, refused {refused} times as changed meanwhile or half written")
    return wrong


def at_once(times: int, _rng: Random, folder: Path) -> list[str]:
    """Ask the same at the same time."""
    wrong = []
    for name in ("fit", "report", "reduce", "forecast"):
        for _ in range(max(1, times // 40)):
            place = make_place(Path(tempfile.mkdtemp(dir=folder)) / "place")
            wrong += together(name, 3, place)
        print(f"{name}: {max(1, times // 40)} times three at once", flush=True)
    return wrong


def interrupting(times: int, rng: Random, folder: Path) -> list[str]:
    """Press Ctrl-C at random moments, while modules are loaded too."""
    wrong, statuses, longest = [], [], 0.0
    places = {name: make_place(folder / f"place{n}") for n, name in enumerate(SHAPES)}
    length = {}
    for name, place in places.items():
        begun = time.monotonic()
        started(SHAPES[name], place).communicate()
        length[name] = time.monotonic() - begun
    for number in range(times):
        name = list(SHAPES)[number % len(SHAPES)]
        place = make_place(Path(tempfile.mkdtemp(dir=folder)) / "place")
        after = rng.uniform(0.1, 1.0) * length[name]
        status, taken, bad = interrupt(name, after, place)
        statuses.append(status)
        longest = max(longest, taken)
        wrong += bad
        if taken > LONGEST_S:
            wrong.append(f"{name} after {after:.2f} s took {taken:.2f} s to end")
    print(
        f"{times} interrupts: {statuses.count(130)} with status 130, {statuses.count(0)} had done; "
        f"the slowest took {longest:.2f} s to end"
    )
    return wrong


def piping(_times: int, _rng: Random, folder: Path) -> list[str]:
    """Read one line of what every command prints, and no more."""
    wrong = []
    lines = [(name, "bench", *PRINTING.get(name, ())) for name in COMMANDS if name != "tour"]
    lines += [("tour", "new-tour"), ("--help",), ("lead", "--help")]
    lines[0] = ("start", "new-bench")
    for words in lines:
        for count in (0, 1):
            place = make_place(Path(tempfile.mkdtemp(dir=folder)) / "place")
            status, said = gone_reader(words, place, lines=count)
            if status not in (0, 1, 2, 141) or "Traceback" in said or "Exception" in said:
                wrong.append(f"{' '.join(words)}: status {status}: {said[-300:]}")
            print(f"| {words[0]} | {count} | {status} | {said.strip()[-80:]} |", flush=True)
    return wrong


PARTS = {
    "kill": killing,
    "full": filling,
    "readonly": without_rights,
    "edited": editing,
    "together": at_once,
    "interrupt": interrupting,
    "pipe": piping,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=PARTS)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        wrong = PARTS[given.part](given.times, Random(given.seed), Path(folder))
    print(f"wrong: {len(wrong)}")
    for words in wrong:
        print(words)


if __name__ == "__main__":
    main()
