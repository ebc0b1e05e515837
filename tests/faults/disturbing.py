"""A full disk, a folder that may not be written to, a bench edited meanwhile, readers that go."""

import contextlib
import os
import resource
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random

from scalemodel.data.bench import BenchError, read_bench
from tests.faults.asking import SHAPES, Files, ask, found, leftovers, started

LONGEST_S = 1.0
"""Within which Ctrl-C ends a command."""

FULL = "No space left on device"


def full_disk(name: str, room: int, place: Path) -> list[str]:
    """Ask where files can have so many bytes only; give what is not as it should be."""
    before = found(place)

    def narrow() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    status, said = ask(SHAPES[name], place, narrow)
    wrong = []
    if status not in (0, 2) or "Traceback" in said:
        wrong.append(f"{name}, {room} bytes: status {status}: {said[-200:]}")
    if half := _half_written(before, found(place)):
        wrong.append(f"{name}, {room} bytes: {half}")
    if leftovers(place):
        wrong.append(f"{name}, {room} bytes: temporary files are left")
    return wrong


@contextlib.contextmanager
def small_disk(size: int, place: Path) -> Iterator[Path]:
    """Mount a file system in memory of so many bytes; only root can."""
    place.mkdir()
    how = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    subprocess.run(how, check=True, capture_output=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@contextlib.contextmanager
def read_only(bench: Path) -> Iterator[None]:
    """Let nobody write into a bench, root neither."""
    if os.geteuid() == 0:
        files = found(bench)
        with small_disk(8 << 20, bench.with_name("mounted")) as disk:
            for name, content in files.items():
                (disk / name).parent.mkdir(exist_ok=True)
                (disk / name).write_bytes(content)
            subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
            bench.rename(bench.with_name("set aside"))
            bench.symlink_to(disk)
            yield
            bench.unlink()
        return
    for path in (bench, *bench.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        yield
    finally:
        for path in (bench, *bench.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)


def edited(times: int, rng: Random, bench: Path) -> tuple[int, int, list[str]]:
    """Read a bench while its results change back and forth.

    Gives how often it was read and refused, and readings whose digest is not that of their rows.
    """
    results = bench / "results.csv"
    one = results.read_bytes()
    other = b"".join(one.splitlines(keepends=True)[:-3]).replace(b",1.2,", b",1.3,")
    digests = {}
    for content in (one, other):
        results.write_bytes(content)
        digests[read_bench(bench).digest] = len(content.splitlines()) - 1
    stop = threading.Event()

    def edit() -> None:
        new = results.with_name("results.new")
        while not stop.is_set():
            content = rng.choice((one, other))
            if rng.random() < 0.5:
                results.write_bytes(content)
            else:
                new.write_bytes(content)
                new.replace(results)
            time.sleep(rng.uniform(0, 0.02))

    editor = threading.Thread(target=edit)
    editor.start()
    read, refused, wrong = 0, 0, []
    for _ in range(times):
        try:
            found_bench = read_bench(bench)
        except BenchError:
            refused += 1
            continue
        read += 1
        if digests.get(found_bench.digest) != len(found_bench.results):
            wrong.append("the digest is not that of what was read")
    stop.set()
    editor.join()
    return read, refused, wrong


def interrupt(name: str, after: float, place: Path) -> tuple[int, float, list[str]]:
    """Press Ctrl-C after some seconds; give the status, the seconds it took, what is wrong."""
    before = found(place)
    with started(SHAPES[name], place) as process:
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(after)
        begun = time.monotonic()
        over = process.poll() is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGINT)
        process.wait()
        taken = time.monotonic() - begun
        said = process.communicate()[1].decode()
    status = 128 - process.returncode if process.returncode < 0 else process.returncode
    wrong = []
    if "Traceback" in said or "Exception ignored" in said:
        wrong.append(f"{name} after {after:.2f} s: {said[-300:]}")
    if not over and status not in (0, 130):
        wrong.append(f"{name} after {after:.2f} s: status {status}: {said[-300:]}")
    if leftovers(place):
        wrong.append(f"{name} after {after:.2f} s: temporary files are left")
    if half := _half_written(before, found(place)):
        wrong.append(f"{name} after {after:.2f} s: {half}")
    return status, taken, wrong


def _half_written(before: Files, now: Files) -> str:
    ends = {".csv": b"\n", ".json": b"}\n", ".html": b"</html>\n", ".png": b"IEND\xaeB`\x82"}
    for path, content in now.items():
        if path not in before and not content.endswith(ends.get(Path(path).suffix, b"")):
            return f"{path} is half written"
    return ""


def gone_reader(words: tuple[str | Path, ...], place: Path, *, lines: int) -> tuple[int, str]:
    """Read a few lines of what a command prints and go away; give its status and its complaints."""
    with started(words, place) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        for _ in range(lines):
            process.stdout.readline()
        process.stdout.close()
        said = process.stderr.read().decode()
        process.wait()
    return process.returncode, said


def together(name: str, count: int, place: Path) -> list[str]:
    """Ask the same several times at once; all must end well and write the same."""
    made = []
    for number in range(count):
        words = [str(word).replace("new", f"new{number}") for word in SHAPES[name]]
        made.append(started(words, place))
    wrong = []
    for process in made:
        said = process.communicate()[1].decode()
        if process.returncode != 0:
            wrong.append(f"{name}: status {process.returncode}: {said[-200:]}")
    written = {content for path, content in found(place).items() if path.startswith("new")}
    if len(written) != 1:
        wrong.append(f"{name}: {len(written)} different answers")
    if leftovers(place):
        wrong.append(f"{name}: temporary files are left")
    return wrong
