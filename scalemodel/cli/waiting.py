"""A sign of life while the user waits."""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

PATIENCE_S = 2.0
"""Seconds after which a wait is worth a word."""


@contextmanager
def waiting(words: str) -> Iterator[None]:
    """Show words and a moving sign on the error stream while the block runs.

    Only on a terminal, and only once it has taken two seconds.
    """
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn("line"), TextColumn("{task.description}", markup=False))
    progress = Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True)
    progress.add_task(words, total=None)
    timer = threading.Timer(PATIENCE_S, progress.start)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        progress.stop()


@contextmanager
def counting(words: str) -> Iterator[Callable[[int, int], None]]:
    """Show words and a bar on the error stream; gives what is told how many of how many are done.

    Only on a terminal.
    """
    if not sys.stderr.isatty():
        yield lambda *_: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    text = TextColumn("{task.description}", markup=False)
    columns = (text, BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(words, total=None)
        yield lambda done, of: progress.update(task, completed=done, total=of)
