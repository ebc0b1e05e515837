"""Prices of cards: a file of the user's beside the bench."""

import os
from pathlib import Path

import pandas as pd

from scalemodel.data import schema
from scalemodel.data.checks import check_listed_once
from scalemodel.data.problems import BenchError, ProblemLog
from scalemodel.data.tables import read_table


def read_prices(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read a file with the columns card, price, currency and date.

    Raises:
        BenchError: it cannot be used; lists every problem found.
    """
    log = ProblemLog()
    table = read_table(Path(path), schema.PRICES, log)
    if table is not None:
        check_listed_once(table.frame, "card", table.reading.name, log)
    if table is None or log.errors():
        raise BenchError(os.fspath(path), log.problems(), (log.errors(), log.warnings()))
    return table.frame[list(schema.PRICES.names())]
