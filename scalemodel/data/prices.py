"""Prices of cards: a file of the user's beside the bench."""

import pandas as pd

from scalemodel.data import schema
from scalemodel.data.checks import check_listed_once
from scalemodel.data.places import read_alone
from scalemodel.data.problems import BenchError, ProblemLog
from scalemodel.data.urls import BenchPath, shown_place


def read_prices(path: BenchPath) -> pd.DataFrame:
    """Read a file, or the table prices of a database: card, price, currency and date.

    Raises:
        BenchError: it cannot be used; lists every problem found.
    """
    log = ProblemLog()
    table = read_alone(path, schema.PRICES, log)
    if table is not None:
        check_listed_once(table.frame, "card", table.reading.name, log)
    if table is None or log.errors():
        raise BenchError(shown_place(path), log.problems(), (log.errors(), log.warnings()))
    return table.frame[list(schema.PRICES.names())]
