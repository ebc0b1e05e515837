"""A PostgreSQL server to test against, named by an environment variable that `.ci/run` sets."""

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from sqlalchemy import NullPool, create_engine, make_url, text

VARIABLE = "SCALEMODEL_POSTGRESQL"
"""Holds the address of a server, of a user with a password who may make databases."""

_numbers = itertools.count()


@contextmanager
def database() -> Iterator[str]:
    """Make an empty database and give its address, password included.

    Without a server the test is skipped, but fails where CI is set.
    """
    given = os.environ.get(VARIABLE)
    if not given:
        if os.environ.get("CI"):
            pytest.fail(f"{VARIABLE} is not set")
        pytest.skip(f"{VARIABLE} is not set")
    name = f"lab_{os.getpid()}_{next(_numbers)}"
    engine = create_engine(given, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    try:
        yield make_url(given).set(database=name).render_as_string(hide_password=False)
    finally:
        with engine.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))


def execute(url: str, *statements: str) -> None:
    """Run statements and commit them."""
    engine = create_engine(url, poolclass=NullPool)
    with engine.begin() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
