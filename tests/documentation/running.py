"""Run the steps of a document in a folder, commands with a terminal as their output."""

import contextlib
import io
import os
import pty
import re
import subprocess
import sys
import textwrap
import threading
from dataclasses import dataclass, field
from pathlib import Path

from tests.documentation.blocks import Step

_STYLE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
LIMIT_S = 300
WIDTH = "100"
TEXT_WIDTH = 96


class DocumentError(AssertionError):
    """A step of a document does not run as the document says."""


@dataclass
class Session:
    """One document being followed: where, and what its snippets have defined so far."""

    folder: Path
    names: dict[str, object] = field(default_factory=dict)

    def run(self, step: Step) -> list[str]:
        """Run a step and return the lines it printed; those of a snippet are wrapped to fit."""
        if step.kind == "shell":
            return self._command(step)
        stream = io.StringIO()
        with contextlib.chdir(self.folder), contextlib.redirect_stdout(stream):
            exec(compile(step.code, "<document>", "exec"), self.names)
        lines = stream.getvalue().splitlines()
        return [part for line in lines for part in _wrapped(line)]

    def _command(self, step: Step) -> list[str]:
        status, out, err = _run_in_terminal(step.code, self.folder)
        if status != step.status:
            raise DocumentError(
                f"$ {step.code}\nexit status {status}, expected {step.status}\n{out}{err}"
            )
        return [*out.splitlines(), *err.splitlines()]


def _wrapped(line: str) -> list[str]:
    return [line] if len(line) <= TEXT_WIDTH else textwrap.wrap(line, TEXT_WIDTH)


def _run_in_terminal(code: str, folder: Path) -> tuple[int, str, str]:
    """Run a shell script with a terminal as its standard output and a pipe for its errors."""
    here = Path(sys.executable).parent
    path = f"{here}{os.pathsep}{os.environ.get('PATH', '')}"
    env = {**os.environ, "PATH": path, "COLUMNS": WIDTH, "TERM": "xterm", "NO_COLOR": "1"}
    reader, writer = pty.openpty()
    process = subprocess.Popen(
        ["bash", "-e", "-c", code],
        cwd=folder,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=writer,
        stderr=subprocess.PIPE,
    )
    os.close(writer)
    chunks: list[bytes] = []
    reading = threading.Thread(target=_drain, args=(reader, chunks))
    reading.start()
    _, errors = process.communicate(timeout=LIMIT_S)
    reading.join()
    os.close(reader)
    out = _STYLE.sub("", b"".join(chunks).decode("utf-8")).replace("\r\n", "\n")
    return process.returncode, out, errors.decode("utf-8")


def _drain(reader: int, chunks: list[bytes]) -> None:
    """Read until the last writer has closed the terminal, which Linux reports as an error."""
    with contextlib.suppress(OSError):
        while chunk := os.read(reader, 65536):
            chunks.append(chunk)
