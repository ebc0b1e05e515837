"""Where the program begins: from here on Ctrl-C ends it within a second, and quietly.

A KeyboardInterrupt alone would not do. It is printed if it arrives while a module is loaded, lost
if it arrives where Python can only ignore it, and late while a library computes.
"""

import os
import signal
import sys

TYPE_CHECKING = False  # as in typing, which takes long to load

if TYPE_CHECKING:
    from sys import UnraisableHookArgs
    from types import FrameType

INTERRUPTED = 130
"""What shells report for a program stopped from the keyboard."""

PATIENCE_S = 0.5
"""Seconds that a command has to put down what it is writing."""


def run() -> None:
    """Run the command line; where Ctrl-C is ignored, as in the background, it stays so."""
    heard = signal.getsignal(signal.SIGINT) != signal.SIG_IGN
    if heard:
        signal.signal(signal.SIGINT, _leave)
    from scalemodel.cli.main import run as run_command

    interrupted = False

    def interrupt(_number: int, _frame: "FrameType | None") -> None:
        nonlocal interrupted
        interrupted = True
        raise KeyboardInterrupt

    if heard:
        sys.unraisablehook = _tell_of_faults
        if os.name == "posix":
            _watch()
        signal.signal(signal.SIGINT, interrupt)
    try:
        run_command()
    finally:
        if interrupted:
            _leave()


def _leave(*_: object) -> None:
    """Leave without a word, and without waiting for threads that still work."""
    os._exit(INTERRUPTED)


def _tell_of_faults(fault: "UnraisableHookArgs") -> None:
    if not issubclass(fault.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(fault)


def _watch() -> None:
    """Start a thread that ends the program if it is still there a while after Ctrl-C.

    The system itself wakes the thread, so that it matters not what the program is doing.
    """
    import threading
    import time

    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)

    def wait() -> None:
        while signal.SIGINT not in os.read(reader, 1):
            pass
        time.sleep(PATIENCE_S)
        _leave()

    threading.Thread(target=wait, daemon=True).start()
