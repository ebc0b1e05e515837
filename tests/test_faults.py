"""Commands killed, interrupted, out of disk: quick versions of docs/benchmarks/faults.py."""

import os
import signal
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from tests.faults.asking import COMMAND, SHAPES, ask, leftovers, make_place, started
from tests.faults.disturbing import edited, full_disk, gone_reader, interrupt, together
from tests.faults.killing import kill

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="needs processes and limits as Linux has them"
)


@pytest.mark.parametrize("name", ["start", "export, folder", "export, workbook", "reduce", "fit"])
def test_what_is_killed_leaves_the_old_or_the_new(tmp_path: Path, name: str) -> None:
    answer = kill(name, 6, Random(1), tmp_path)
    assert answer.wrong == []
    assert answer.old + answer.new == 6


@pytest.mark.parametrize("name", ["export, folder", "export, workbook", "figure"])
@pytest.mark.parametrize("room", [1, 3000])
def test_a_full_disk_is_one_message_and_no_file(tmp_path: Path, name: str, room: int) -> None:
    assert full_disk(name, room, make_place(tmp_path / "place")) == []


def test_standard_output_on_a_full_disk_is_one_message(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("needs the device that is always full")
    place = make_place(tmp_path / "place")
    with Path("/dev/full").open("w") as full, started(["check", "bench"], place, stdout=full) as it:
        said = it.communicate()[1].decode()
    assert it.returncode == 2
    assert said == (
        "The answer cannot be written (No space left on device). Fix: make room, or name another "
        "place with -o FILE.\n"
    )


def test_a_fit_that_cannot_be_kept_is_said_in_one_line(tmp_path: Path) -> None:
    place = make_place(tmp_path / "place")
    (place / "bench" / ".scalemodel").touch()
    status, said = ask(SHAPES["fit"], place)
    assert status == 0
    assert said == (
        "The fit is not kept: bench/.scalemodel cannot be written to. The next question fits "
        "again.\nWrote new.csv\n"
    )


def test_a_bench_that_changes_is_read_in_one_state_or_refused(tmp_path: Path) -> None:
    read, refused, wrong = edited(12, Random(1), make_place(tmp_path / "place") / "bench")
    assert wrong == []
    assert read + refused == 12


def test_the_same_question_twice_at_once(tmp_path: Path) -> None:
    assert together("fit", 2, make_place(tmp_path / "place")) == []


@pytest.mark.parametrize("after", [0.15, 0.6, 1.5])
def test_ctrl_c_ends_quietly_with_status_130(tmp_path: Path, after: float) -> None:
    status, _, wrong = interrupt("report", after, make_place(tmp_path / "place"))
    assert wrong == []
    assert status == 130


def test_ctrl_c_while_other_processes_work(tmp_path: Path) -> None:
    place = make_place(tmp_path / "place")
    with started(["score", "bench", "--jobs", "2"], place) as process:
        while process.poll() is None and len(members(process.pid)) < 4:
            pass
        os.killpg(process.pid, signal.SIGINT)
        said = process.communicate()[1].decode()
    assert process.returncode == 130
    assert said == ""
    assert leftovers(place) == []


def members(session: int) -> list[int]:
    """Give the processes of a session."""
    numbers = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            fields = (path / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session:
            numbers.append(int(path.name))
    return numbers


def test_ctrl_c_that_is_not_heard_stays_so(tmp_path: Path) -> None:
    place = make_place(tmp_path / "place")
    deaf = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN); "
    command = [COMMAND[0], "-c", deaf + COMMAND[2], "start", "new"]
    with subprocess.Popen(command, cwd=place, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(signal.SIGINT)
        process.communicate()
    assert process.returncode == 0


@pytest.mark.parametrize("words", [("fit", "bench"), ("start", "new"), ("lead", "--help")])
def test_a_reader_that_goes_away_after_a_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    status, said = gone_reader(words, make_place(tmp_path / "place"), lines=1)
    assert status in (0, 141)
    assert said == ""
