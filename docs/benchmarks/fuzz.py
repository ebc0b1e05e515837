"""Mutated benches, workbooks, sheets, logs and kept files by the thousand: is each read or refused?

Run from the root of the repository: ``python docs/benchmarks/fuzz.py OUT.jsonl --count 20000``.
Every case follows from its target and number (`tests.fuzz`), and has a line in OUT; what has one
is not run again, so a long run can be cut into slices: ``--minutes 9`` stops after that time. Cases
run in a process of their own with a limit of memory, ten seconds each; one that dies or stands
still is a finding, and the next one goes on behind it. ``--report`` writes the tables of fuzz.md,
which is beside this file.
"""

import argparse
import json
import multiprocessing
import os
import resource
import sys
import time
from collections import Counter
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.fuzz import sound  # noqa: E402
from tests.fuzz.running import FINE, LONGEST_S, TARGETS, Outcome, run_case  # noqa: E402

MEMORY = 4 << 30
"""Bytes of addresses that the working process may use; what it loads takes a good part of them."""

COMMANDS_SHARE = 10
"""One case in so many is a command."""

Case = tuple[str, int]


def cases(count: int) -> list[Case]:
    """Give target and number of every case, the targets taking turns."""
    readers = [name for name in TARGETS if name != "command"]
    found = []
    for number in range(count):
        if number % COMMANDS_SHARE == 0:
            found.append(("command", number))
        else:
            found.append((readers[number % len(readers)], number))
    return found


def work(line: Connection) -> None:
    """Run the cases that come over the line, and send back what became of them."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    while (case := line.recv()) is not None:
        line.send(run_case(*case))


class Worker:
    """A process that runs cases and may die of them."""

    def __init__(self) -> None:
        self.line, theirs = multiprocessing.Pipe()
        self.process = multiprocessing.Process(target=work, args=(theirs,), daemon=True)
        self.process.start()
        theirs.close()

    def run(self, case: Case) -> Outcome | None:
        """Run a case; None if the process dies of it or stands still."""
        self.line.send(case)
        try:
            if self.line.poll(20 * LONGEST_S):
                outcome: Outcome = self.line.recv()
                return outcome
        except EOFError:
            pass
        self.process.kill()
        self.process.join()
        return None

    def most_memory(self) -> int:
        """Give the most memory that the process held so far, in MiB."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0]) >> 10


def run(out: Path, todo: list[Case], minutes: float) -> None:
    """Run cases until they or the time are used up; every outcome is a line of a file."""
    sound.kept()
    sound.whole_fit()
    end = time.monotonic() + 60 * minutes
    worker, most = Worker(), 0
    with out.open("a") as stream:
        for case in todo:
            if time.monotonic() > end:
                break
            outcome = worker.run(case)
            if outcome is None:
                outcome = Outcome(*case, "died", 0.0, "the process died or stood still")
                worker = Worker()
            most = max(most, worker.most_memory())
            stream.write(outcome.line() + "\n")
    print(f"most memory held by the working process: {most} MiB")


def known(out: Path) -> list[Outcome]:
    """Read what became of the cases so far."""
    if not out.exists():
        return []
    return [Outcome(**json.loads(line)) for line in out.read_text().splitlines()]


def report(outcomes: list[Outcome]) -> str:
    """Write the table of counts by target and outcome, and what went wrong."""
    bad = sorted({one.ending for one in outcomes} - set(FINE))
    counts = Counter((one.target, one.ending) for one in outcomes)
    lines = [
        f"| target | {' | '.join((*FINE, *bad))} | slowest, s |",
        "|---" * (3 + len(bad) + 1) + "|",
    ]
    for target in [*TARGETS, "all"]:
        those = [one for one in outcomes if target in (one.target, "all")]
        numbers = [
            sum(counts[one, e] for one in TARGETS if target in (one, "all")) for e in (*FINE, *bad)
        ]
        slowest = max((one.seconds for one in those), default=0.0)
        lines.append(f"| {target} | {' | '.join(f'{n:,}' for n in numbers)} | {slowest:.1f} |")
    for one in outcomes:
        if one.ending in bad:
            lines.append(f"\n{one.ending}: {one.target} {one.number}\n{one.detail}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--minutes", type=float, default=1e6)
    parser.add_argument("--report", action="store_true")
    given = parser.parse_args()
    if given.report:
        print(report(known(given.out)))
        return
    done = {(one.target, one.number) for one in known(given.out)}
    todo = [case for case in cases(given.first + given.count)[given.first :] if case not in done]
    run(given.out, todo, given.minutes)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
