"""One case: what it was, what came of it, how long it took."""

import contextlib
import json
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random

from scalemodel.errors import ScalemodelError
from tests.fuzz.commands import TARGETS as COMMANDS
from tests.fuzz.targets import READERS

TARGETS = {**READERS, **COMMANDS}
LONGEST_S = 10
FINE = ("accepted", "refused")


class SlowError(BaseException):
    """A case takes too long; not an Exception, so that nothing takes it for one of its own."""


@dataclass(frozen=True)
class Outcome:
    """What came of a case.

    Attributes:
        target: what was mutated.
        number: of the case.
        ending: accepted, refused, or what went wrong: crash, slow, memory, litter, wordless.
        seconds: of the processor.
        detail: the first line of a refusal, or the trace of what went wrong.
    """

    target: str
    number: int
    ending: str
    seconds: float
    detail: str

    def line(self) -> str:
        """Write it as a line of JSON."""
        return json.dumps(asdict(self))


@contextlib.contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """Raise SlowError in a block that takes longer, in time of the processor."""

    def late(*_: object) -> None:
        raise SlowError

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def run_case(target: str, number: int, folder: Path | None = None) -> Outcome:
    """Make the case of this number and see what becomes of it; a folder keeps its files."""
    rng = Random(f"{target} {number}")
    with contextlib.ExitStack() as stack:
        place = folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        read = TARGETS[target](rng, place)
        begun = time.process_time()
        ending, detail = "accepted", ""
        try:
            with warnings.catch_warnings(), at_most(LONGEST_S):
                warnings.simplefilter("error")
                read()
        except ScalemodelError as error:
            ending, detail = _refusal(str(error))
        except SlowError:
            ending, detail = "slow", traceback.format_exc()
        except MemoryError:
            ending, detail = "memory", traceback.format_exc()
        except Exception:
            ending, detail = "crash", traceback.format_exc()
        taken = time.process_time() - begun
        if any(place.rglob("*.tmp")):
            ending = "litter"
        return Outcome(target, number, ending, taken, detail)


def _refusal(message: str) -> tuple[str, str]:
    """A refusal says what is wrong in printable words, whatever the file holds."""
    odd = [c for c in message if not c.isprintable() and c != "\n"]
    if odd or len(message) < 20:
        return "wordless", message
    return "refused", message.partition("\n")[0][:200]
