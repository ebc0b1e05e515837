"""On a real terminal: tables instead of CSV, a sign of life on the error stream, closed pipes."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from scalemodel.cli import waiting as waiting_module
from tests.cli.fakes import write_bench

pty = pytest.importorskip("pty", reason="pseudo-terminals exist on POSIX only")

COMMAND = [sys.executable, "-c", "from scalemodel.cli.main import run; run()"]


def on_a_terminal(code: list[str], environment: dict[str, str]) -> str:
    leader, follower = pty.openpty()
    with subprocess.Popen(code, stdout=follower, stderr=follower, env=environment) as process:
        os.close(follower)
        found = bytearray()
        while True:
            try:
                part = os.read(leader, 4096)
            except OSError:  # Linux says so when the other end has closed
                break
            if not part:
                break
            found += part
        process.wait()
    os.close(leader)
    return found.decode("utf-8", errors="replace")


def test_a_terminal_gets_the_table(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench")
    text = on_a_terminal([*COMMAND, "check", str(bench)], {**os.environ, "COLUMNS": "100"})
    assert "Sound: 1 card" in text
    assert "separated by" in text
    assert "severity" not in text


def test_a_terminal_of_another_encoding_does_not_stop_the_table(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii:strict", "COLUMNS": "100"}
    text = on_a_terminal([*COMMAND, "check", str(bench)], environment)
    assert "Sound: 1 card" in text
    assert "Traceback" not in text


def test_a_long_wait_shows_a_sign_of_life_and_a_short_one_does_not() -> None:
    code = """
import time
from scalemodel.cli import waiting
waiting.PATIENCE_S = 0.05
for seconds, words in ((0.0, "short wait"), (0.5, "long wait [x]")):
    with waiting.waiting(words):
        time.sleep(seconds)
"""
    text = on_a_terminal([sys.executable, "-c", code], {**os.environ, "TERM": "xterm"})
    assert "long wait [x]" in text
    assert "short wait" not in text


def test_nothing_is_shown_where_nobody_watches(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waiting_module, "PATIENCE_S", 0.0)
    with waiting_module.waiting("words"):
        time.sleep(0.05)
    assert capsys.readouterr() == ("", "")


def test_a_reader_that_goes_away_is_not_an_error(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench")
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [*COMMAND, "check", str(bench)], stdout=writer, stderr=subprocess.PIPE, check=False
    )
    os.close(writer)
    assert done.returncode == 141
    assert done.stderr == b""
