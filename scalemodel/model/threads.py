"""Independent climbs on several threads: the same answer, sooner.

Each climb is worked out by one thread, with one thread of linear algebra, so nothing depends on how
many there are. Numpy lets go of Python's lock while it works on arrays; of small benches it hardly
does, and the climbs take turns on one thread.
"""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from multiprocessing import cpu_count
from typing import TypeVar

Item = TypeVar("Item")
Answer = TypeVar("Answer")

#: More threads hold more climbs in memory at once, and wait for each other.
MOST_THREADS = 2
#: Cells from which a second thread is worth its while.
FEWEST_CELLS = 20_000


def each(function: Callable[[Item], Answer], items: Iterable[Item], cells: int) -> list[Answer]:
    """Return function(item) of every item, in order.

    Args:
        function: changes nothing but what is its own.
        items: what to work on.
        cells: cells that each item is worked out from.
    """
    threads = min(MOST_THREADS, cpu_count())
    if threads < 2 or cells < FEWEST_CELLS:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        waiting = [pool.submit(copy_context().run, function, item) for item in items]
        return [one.result() for one in waiting]
