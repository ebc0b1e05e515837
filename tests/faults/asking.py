"""Commands in processes of their own: warm ones that can be killed, and whole ones."""

import os
import signal
import subprocess
import sys
import traceback
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path

from scalemodel.cli.main import run
from scalemodel.data.store import FOLDER
from tests.fuzz import sound

COMMAND = [sys.executable, "-c", "from scalemodel.cli.entry import run; run()"]

Words = Sequence[str | Path]
Files = dict[str, bytes]

SHAPES: dict[str, tuple[str | Path, ...]] = {
    "start": ("start", "new"),
    "export, folder": ("export", "bench", "--to", "new"),
    "export, Parquet": ("export", "bench", "--to", "new", "--parquet"),
    "export, workbook": ("export", "bench", "--to", "new.xlsx"),
    "reduce": ("reduce", "bench", "-o", "new.csv"),
    "fit": ("fit", "bench", "-o", "new.csv"),
    "figure": ("ceilings", "bench", "-o", "new.csv", "--figure", "new.png"),
    "forecast": ("predict", "bench", "--specs", "specs.csv", "--save", "new.json"),
    "report": ("report", "bench", "-o", "new.html"),
}
"""Command lines that write, in the folder that `make_place` makes."""


def make_place(folder: Path) -> Path:
    """Make a folder with a bench, a spec sheet and a list of prices."""
    folder.mkdir()
    sound.write_bench(folder / "bench")
    (folder / "specs.csv").write_bytes(sound.plain(sound.specs()))
    (folder / "prices.csv").write_bytes(sound.plain(sound.prices()))
    return folder


def fork(
    words: Words, folder: Path, first: Callable[[], object] = lambda: None, said: int | None = None
) -> int:
    """Run a command in a copy of this process, with all its modules; give its number.

    What it prints goes to the open file `said`, or nowhere.
    """
    said = os.open(os.devnull, os.O_WRONLY) if said is None else said
    child = os.fork()
    if child:
        os.close(said)
        return child
    status = 1
    try:
        os.chdir(folder)
        os.dup2(said, 1)
        os.dup2(said, 2)
        sys.stdout, sys.stderr = (os.fdopen(n, "w", encoding="utf-8") for n in (1, 2))
        first()
        run.main([str(word) for word in words], prog_name="scalemodel", standalone_mode=True)
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 1
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def ended(child: int) -> int:
    """Wait for a copy; give its status, negative if a signal ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def ask(words: Words, folder: Path, first: Callable[[], object] = lambda: None) -> tuple[int, str]:
    """Run a command in a copy to its end; give its status and what it said."""
    reader, writer = os.pipe()
    child = fork(words, folder, first, writer)
    with open(reader, encoding="utf-8") as stream:  # noqa: PTH123
        said = stream.read()
    return ended(child), said


def started(words: Words, folder: Path, **how: int) -> "subprocess.Popen[bytes]":
    """Start a command as a shell does, in a process group of its own."""
    return subprocess.Popen(
        [*COMMAND, *map(str, words)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **how},
    )


def found(folder: Path) -> Files:
    """Give the files of a folder that a person sees: neither kept fits nor temporary ones."""
    return {
        path.relative_to(folder).as_posix(): _content(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not _is_hidden(path.relative_to(folder))
    }


def _content(path: Path) -> bytes:
    """Give the bytes of a file; of a workbook, which says when it was made, those of its parts."""
    if path.suffix != ".xlsx":
        return path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        return b"".join(archive.read(n) for n in archive.namelist() if "docProps" not in n)


def _is_hidden(path: Path) -> bool:
    return FOLDER in path.parts or any(part.startswith(".") for part in path.parts)


def leftovers(folder: Path) -> list[str]:
    """Name the temporary files and folders that are left."""
    return [path.name for path in folder.rglob("*.tmp")]
