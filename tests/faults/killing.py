"""A command killed in the middle of its work: the old file, or the new one, and nothing else."""

import os
import shutil
import signal
import time
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from scalemodel.data.store import FOLDER, load_arrays
from tests.faults.asking import SHAPES, Files, ask, ended, fork, found, leftovers, make_place

OLD = b"what was here before\n"


@dataclass
class Killed:
    """How a number of kills ended.

    Attributes:
        name: of the command line.
        killed: kills that came before the command had ended.
        old, new, some: places left as they were, with all that is new, with some of the new files.
        left: temporary files that remained.
        wrong: what must not be.
    """

    name: str
    killed: int = 0
    old: int = 0
    new: int = 0
    some: int = 0
    left: int = 0
    wrong: list[str] = field(default_factory=list)


def kill(name: str, times: int, rng: Random, folder: Path) -> Killed:
    """Kill a command at random moments; then see what is there, and ask again."""
    answer = Killed(name)
    before, after, seconds = _undisturbed(name, folder / "whole")
    for number in range(times):
        place = _place(name, folder / "killed")
        child = fork(SHAPES[name], place)
        time.sleep(rng.uniform(0, 1.1) * seconds)
        os.kill(child, signal.SIGKILL)
        answer.killed += ended(child) < 0
        _judge(answer, place, before, after)
        if number % 10 == 0:
            _ask_again(answer, place, after)
        shutil.rmtree(place)
    return answer


def _place(name: str, folder: Path) -> Path:
    """Make a place; where a command writes over a file, that file is there."""
    make_place(folder)
    for word in SHAPES[name]:
        path = Path(word)
        if path.stem == "new" and path.suffix not in ("", ".xlsx"):
            (folder / path).write_bytes(OLD)
    return folder


def _undisturbed(name: str, folder: Path) -> tuple[Files, Files, float]:
    place = _place(name, folder)
    before = found(place)
    ask(SHAPES[name], _place(name, folder.with_name("warm")))  # modules that load on first use
    begun = time.monotonic()
    status, said = ask(SHAPES[name], place)
    assert status == 0, said
    return before, found(place), time.monotonic() - begun


def _judge(answer: Killed, place: Path, before: Files, after: Files) -> None:
    now = found(place)
    answer.left += len(leftovers(place))
    answer.old += now == before
    answer.new += now == after
    answer.some += now not in (before, after)
    for path, content in now.items():
        if content not in (before.get(path), after.get(path)):
            answer.wrong.append(f"{path} is neither the old nor the new one")
    for path in set(before) - set(now):
        answer.wrong.append(f"{path} is gone")
    if answer.name in ("start", "export, folder", "export, Parquet") and now not in (before, after):
        answer.wrong.append("a new folder is half there")
    for kept in (place / "bench" / FOLDER).glob("*.fit"):
        if load_arrays(place / "bench", kept.stem) is None:
            answer.wrong.append("the kept fit is damaged")


def _ask_again(answer: Killed, place: Path, after: Files) -> None:
    """The same command again ends with the new files, or finds its folder taken by all of them."""
    whole = found(place) == after
    status, said = ask(SHAPES[answer.name], place)
    taken = whole and status == 2 and ("already" in said)
    if found(place) != after or not (status == 0 or taken):
        answer.wrong.append(f"asked again: status {status}: {said[-200:]}")
