"""Who does the work of a benchmark: this process, several here, or a Dask cluster.

Shared by the benchmarks that repeat one piece of work many times; every piece has its own seed, so
the figures are the same whoever works. Workers elsewhere have to find this folder: start them in
the root of the repository with ``PYTHONPATH=.:docs/benchmarks``.
"""

import argparse
from contextlib import AbstractContextManager, nullcontext

from scalemodel.answers.workers import Cluster, Cores, Workers


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add --jobs and --workers, of which one may be given."""
    one = parser.add_mutually_exclusive_group()
    one.add_argument("--jobs", type=int, default=1, help="processes on this machine")
    one.add_argument("--workers", metavar="ADDRESS", help="that of a Dask scheduler")


def crew(chosen: argparse.Namespace) -> AbstractContextManager[Workers]:
    """Return those who do the work."""
    return Cluster(chosen.workers) if chosen.workers else nullcontext(Cores(chosen.jobs))
