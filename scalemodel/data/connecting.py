"""Connections to databases: one state of all tables to read from, one transaction to write in."""

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, NullPool, create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from scalemodel.data.problems import shown
from scalemodel.data.rows import UnreadableError
from scalemodel.data.urls import POSTGRESQL, SQLITE, DatabaseUrl

WAIT_S = 10
"""Seconds to wait for a server to answer, or for somebody else's lock."""

LONGEST_ROW = 4 << 20
"""Bytes in a row of an embedded database beyond which it is not read."""

ONE_STATE = ("SNAPSHOT", "REPEATABLE READ", "SERIALIZABLE")
"""Levels of isolation at which all tables are read as of one moment, the mildest first."""

A_DATABASE = "a database that you may read"


@contextmanager
def reading(address: DatabaseUrl) -> Iterator[Connection]:
    """Open a database for reading only, as it is at one moment.

    Raises:
        UnreadableError: it cannot be opened.
    """
    with _engine(address, "ro") as engine, _opened(engine, address) as connection:
        try:
            _begin_reading(connection)
        except SQLAlchemyError as error:
            raise refused(error, address) from None
        try:
            yield connection
        finally:
            with contextlib.suppress(SQLAlchemyError):
                connection.rollback()


@contextmanager
def writing(address: DatabaseUrl, file: Path | None) -> Iterator[Connection]:
    """Open a database to write all or nothing; an error takes back what was written.

    Args:
        address: of the database.
        file: where to write an embedded one, made if need be.

    Raises:
        UnreadableError: it cannot be opened.
    """
    with _engine(address, "rwc", file) as engine, _opened(engine, address) as connection:
        if address.kind == SQLITE:
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        yield connection
        connection.commit()


@contextmanager
def _engine(address: DatabaseUrl, mode: str, file: Path | None = None) -> Iterator[Engine]:
    at = file or address.file
    try:
        if at is not None:
            if mode == "ro":
                _check_file(at)
            engine = create_engine("sqlite://", creator=lambda: _connected(at, mode), **_OPTIONS)
        else:
            engine = create_engine(address.url, connect_args=_connect_args(address), **_OPTIONS)
    except ImportError as error:
        package = error.name or address.url.get_driver_name()
        what, allowed = f"the driver {package} is not installed", "an installed driver"
        name = "'scalemodel[postgresql]'" if package == "psycopg" else package
        raise UnreadableError(what, allowed, f"pip install {name}") from None
    try:
        yield engine
    finally:
        engine.dispose()
        if at is not None and mode == "ro":
            _tidy(at)


_OPTIONS = {"poolclass": NullPool, "hide_parameters": True}


def _connect_args(address: DatabaseUrl) -> dict[str, object]:
    given = "connect_timeout" in address.url.query or "PGCONNECT_TIMEOUT" in os.environ
    timed = address.kind == POSTGRESQL and not given
    return {"connect_timeout": WAIT_S} if timed else {}


def _connected(file: Path, mode: str) -> sqlite3.Connection:
    """Open a file that is not trusted; every transaction is begun by hand."""
    where = f"file:{quote(str(file.absolute()))}?mode={mode}"
    connection = sqlite3.connect(where, uri=True, isolation_level=None, timeout=WAIT_S)
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_ROW)
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    return connection


def _check_file(file: Path) -> None:
    fix = "correct the path"
    try:
        kind = file.stat().st_mode
    except FileNotFoundError:
        what = "there is no such file; none was made"
        raise UnreadableError(what, A_DATABASE, fix) from None
    except OSError as error:
        what = f"the database cannot be used ({error.strerror})"
        raise UnreadableError(what, A_DATABASE, "check the file and the path") from None
    if stat.S_ISDIR(kind):
        raise UnreadableError("this is a folder, not a file", A_DATABASE, fix)


def _tidy(file: Path) -> None:
    """Let the library remove the files beside a database that reading left there, and only those.

    Reading a database that keeps a log of what was written makes that log, empty, if there is none.
    """
    log = file.with_name(f"{file.name}-wal")
    with contextlib.suppress(OSError, sqlite3.Error):
        if log.exists() and log.stat().st_size == 0:
            last = sqlite3.connect(f"file:{quote(str(file.absolute()))}?mode=rw", uri=True)
            last.execute("PRAGMA schema_version")
            last.close()


@contextmanager
def _opened(engine: Engine, address: DatabaseUrl) -> Iterator[Connection]:
    try:
        connection = engine.connect()
    except SQLAlchemyError as error:
        raise refused(error, address) from None
    with connection:
        yield connection


def _begin_reading(connection: Connection) -> None:
    if connection.dialect.name == SQLITE:
        connection.exec_driver_sql("BEGIN")
        return
    raw = connection.connection.dbapi_connection
    levels = connection.dialect.get_isolation_level_values(raw) if raw is not None else ()
    level = next((level for level in ONE_STATE if level in levels), None)
    if level is None:
        what = "this kind of database cannot show all tables as of one moment"
        raise UnreadableError(what, "SQLite or PostgreSQL", "export its tables to CSV")
    more = {"postgresql_readonly": True} if connection.dialect.name == POSTGRESQL else {}
    connection.execution_options(isolation_level=level, **more)
    if connection.dialect.name == POSTGRESQL:
        connection.execute(text(f"SET LOCAL lock_timeout = '{WAIT_S}s'"))


def refused(error: SQLAlchemyError, address: DatabaseUrl) -> UnreadableError:
    """Word what a driver complains of, without what lets one in."""
    origin = getattr(error, "orig", None)
    code = getattr(origin, "sqlite_errorname", None) or getattr(origin, "sqlstate", None) or ""
    if code == "SQLITE_NOTADB":
        what = "the file is not a SQLite database, or encrypted"
        return UnreadableError(what, A_DATABASE, "correct the path")
    if code == "SQLITE_READONLY_ROLLBACK":
        what = "a program that wrote to the database was stopped midway"
        fix = (
            "open it once with a program that may write to it, which takes back what was half done"
        )
        return UnreadableError(what, "a database at rest", fix)
    if code == "SQLITE_READONLY_DIRECTORY":
        what = "the database keeps a log that can only be read in a folder you may write to"
        fix = 'copy it into a folder of yours, or run "PRAGMA journal_mode = DELETE" on it'
        return UnreadableError(what, A_DATABASE, fix)
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) or code == "55P03":
        what = f"another program has locked the database for more than {WAIT_S} seconds"
        return UnreadableError(what, "a database at rest", "wait until it is done and try again")
    reason = _reason(address.without_secrets(str(origin or type(error).__name__)))
    if code == "42501":
        what = f"you lack a permission in the database ({reason})"
        return UnreadableError(what, A_DATABASE, "have it granted")
    what = f"the database cannot be used ({reason})"
    if address.file is not None:
        return UnreadableError(what, A_DATABASE, "check the file and the path")
    fix = "check that the server runs, and host, port, user and database of the address"
    fix += "; a password goes into PGPASSWORD or .pgpass" if address.kind == POSTGRESQL else ""
    return UnreadableError(what, A_DATABASE, fix)


def _reason(text: str) -> str:
    line = text.splitlines()[0] if text else "no reason given"
    return shown(line.removeprefix("connection failed: "), 200)[1:-1]
