"""Many like pieces of work at once: on the cores of this machine, or on a Dask cluster.

Every piece gets the same two arguments wherever it runs and answers in the order asked, so that
the answer does not depend on who worked.
"""

import os
import re
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from multiprocessing import resource_tracker
from types import TracebackType
from typing import Any, Protocol, TypeVar

from joblib import Parallel, cpu_count, delayed
from joblib.externals.loky.backend import resource_tracker as loky_tracker

from scalemodel.data.store import code_digest
from scalemodel.errors import ScalemodelError

Shared = TypeVar("Shared")
Item = TypeVar("Item")
Answer = TypeVar("Answer")

_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(?P<host>\[[0-9a-fA-F:]+\]|[\w.-]+):(?P<port>\d+)")
LAST_PORT = 65535

#: Seconds within which a cluster has to answer, and to have a worker.
PATIENCE_S = 5


def nobody_waits() -> None:
    """Tell nobody that a piece of work is done."""


class Workers(Protocol):
    """Whoever does the work."""

    def map(
        self,
        function: Callable[[Shared, Item], Answer],
        shared: Shared,
        items: Sequence[Item],
        done: Callable[[], None] = nobody_waits,
    ) -> list[Answer]:
        """Return function(shared, item) of every item, in order; call `done` after each."""
        ...


class Cores:
    """Processes on this machine."""

    def __init__(self, jobs: int | None = None) -> None:
        """Take the number of processes; without, as many as there are cores."""
        self.jobs = jobs or cpu_count()

    def map(
        self,
        function: Callable[[Shared, Item], Answer],
        shared: Shared,
        items: Sequence[Item],
        done: Callable[[], None] = nobody_waits,
    ) -> list[Answer]:
        """Return function(shared, item) of every item, in order."""
        jobs = min(self.jobs, len(items))
        # Arrays are copied, not mapped to files: nothing is left behind.
        parallel = Parallel(n_jobs=jobs, return_as="generator", batch_size=1, max_nbytes=None)
        answers = []
        with _quiet_children():
            coming = parallel(delayed(function)(shared, item) for item in items)
        for answer in coming:
            answers.append(answer)
            done()
        return answers


@contextmanager
def _quiet_children() -> Iterator[None]:
    """Start processes that do not hear Ctrl-C, which is for this one to hear and to end them.

    Nor does the one that clears up behind them complain of what it has to clear up.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = os.environ.get("PYTHONWARNINGS")
    os.environ["PYTHONWARNINGS"] = ",".join([*filter(None, [before]), "ignore:resource_tracker"])
    for tracker in resource_tracker, loky_tracker:  # starting, they let signals through again
        tracker.ensure_running()
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        os.environ.pop("PYTHONWARNINGS")
        if before is not None:
            os.environ["PYTHONWARNINGS"] = before


class Cluster(AbstractContextManager["Cluster"]):
    """Workers of a Dask cluster that is running already."""

    def __init__(self, address: str) -> None:
        """Connect to the scheduler at an address such as "tcp://10.0.0.5:8786".

        Raises:
            ScalemodelError: Dask is not installed, nothing answers there, no worker is connected,
                or the workers have another version of the program.
        """
        try:
            import distributed  # noqa: PLC0415 - an extra
        except ImportError:
            raise ScalemodelError(
                "Workers elsewhere need Dask, which is not installed. "
                "Fix: pip install 'scalemodel[dask]'"
            ) from None
        self.address = address
        self._gone = (distributed.scheduler.KilledWorker, distributed.CancelledError)
        try:
            self._check_address()
            self.client: Any = distributed.Client(address, timeout=PATIENCE_S, set_as_default=False)
        except (OSError, TimeoutError):
            raise ScalemodelError(
                f'No Dask scheduler answers at "{address}". Allowed: an address such as '
                "tcp://10.0.0.5:8786. Fix: start one with `dask scheduler` and `dask worker`, or "
                "correct the address."
            ) from None
        try:
            self._check_workers()
        except BaseException:
            self.client.close()
            raise

    def _check_address(self) -> None:
        """Knock, so that a wrong address is told at once.

        Raises:
            OSError: it is no address, or no scheduler listens there.
        """
        found = _ADDRESS.fullmatch(self.address)
        if not found:
            raise OSError("not an address")
        port = int(found["port"])
        if port > LAST_PORT:
            raise OSError("not a port")
        with socket.create_connection((found["host"].strip("[]"), port), PATIENCE_S) as line:
            # A scheduler greets whoever calls, unless the line is to be encrypted first.
            if not self.address.startswith("tls") and not line.recv(1):
                raise OSError("nobody greets")

    def _check_workers(self) -> None:
        try:
            self.client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError:
            raise ScalemodelError(
                f'The Dask scheduler at "{self.address}" has no workers. '
                f"Fix: start some with `dask worker {self.address}`."
            ) from None
        try:
            theirs = set(self.client.run(code_digest).values())
        except Exception:  # whatever keeps a worker from importing the program
            theirs = {""}
        if theirs != {code_digest()}:
            raise ScalemodelError(
                f'The workers at "{self.address}" do not run this version of scalemodel. '
                "Fix: install the same version for every worker."
            )

    def map(
        self,
        function: Callable[[Shared, Item], Answer],
        shared: Shared,
        items: Sequence[Item],
        done: Callable[[], None] = nobody_waits,
    ) -> list[Answer]:
        """Return function(shared, item) of every item, in order.

        Raises:
            ScalemodelError: the cluster went away.
        """
        try:
            there = self.client.scatter(shared, broadcast=True, hash=False)
            futures = [self.client.submit(function, there, item, pure=False) for item in items]
            answers = []
            for future in futures:
                answers.append(future.result())
                done()
        except (OSError, TimeoutError, *self._gone) as error:
            raise ScalemodelError(
                f'The Dask cluster at "{self.address}" stopped working ({error}). '
                "Fix: look at its log, or leave the workers out."
            ) from None
        return answers

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.client.close()
