"""Addresses of databases, whose passwords are neither shown nor kept."""

import os
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from scalemodel.errors import ScalemodelError

if TYPE_CHECKING:
    from sqlalchemy import URL

SQLITE, POSTGRESQL = "sqlite", "postgresql"

EXAMPLES = "sqlite:///lab.db or postgresql+psycopg://user@host/database"

HARMLESS = ("host", "port", "service", "sslmode", "sslrootcert", "connect_timeout")
"""What of the part after ? is shown; the rest is between the user and the driver."""

_URL = re.compile(r"([A-Za-z][A-Za-z0-9_.+-]*)://")


class AddressError(ScalemodelError):
    """What looks like the address of a database is none."""


@dataclass(frozen=True)
class DatabaseUrl:
    """Where a database is, and how to get into it.

    Attributes:
        url: all of it, without the schema; hidden from ``repr``.
        schema: the schema that has the tables, or None for the usual one.
    """

    url: "URL" = field(repr=False)
    schema: str | None

    @staticmethod
    def of(text: str) -> "DatabaseUrl":
        """Read an address, as SQLAlchemy writes them; ``?schema=`` names a schema.

        Raises:
            AddressError: it is none, or there is no such kind of database.
        """
        from sqlalchemy import make_url  # noqa: PLC0415 - only those who have a database pay
        from sqlalchemy.exc import ArgumentError  # noqa: PLC0415

        try:
            url = make_url(text)
        except (ArgumentError, ValueError):
            raise _refused(text, "cannot be taken apart") from None
        if url.drivername == POSTGRESQL:  # the usual driver differs between SQLAlchemy's versions
            url = url.set(drivername="postgresql+psycopg")
        if url.get_backend_name() == SQLITE:
            _check_file(text, url)
        elif "@" in (url.host or "") + (url.database or ""):
            raise _refused(text, "has an @ too many", "write @ as %40, / as %2F and : as %3A")
        _check_kind(text, url)
        schema = url.query.get("schema") or None
        if not isinstance(schema, str | None):
            raise _refused(text, "names two schemas")
        return DatabaseUrl(url.difference_update_query(["schema"]), schema)

    @property
    def kind(self) -> str:
        """The kind of database, such as "sqlite"."""
        return self.url.get_backend_name()

    @property
    def file(self) -> Path | None:
        """The file of an embedded database; None for one on a server."""
        return Path(self.url.database or "") if self.kind == SQLITE else None

    @property
    def name(self) -> str:
        """What messages call the database."""
        return self.file.name if self.file else self.url.database or "database"

    def __str__(self) -> str:
        """Give the address without what lets one in."""
        query = {key: value for key, value in self.url.query.items() if key in HARMLESS}
        if self.schema:
            query["schema"] = self.schema
        known = {name: getattr(self.url, name) for name in ("username", "host", "port", "database")}
        return type(self.url).create(self.url.drivername, **known, query=query).render_as_string()

    def without_secrets(self, text: str) -> str:
        """Take what lets one in out of a text of somebody else's."""
        values = [value for key, value in self.url.query.items() if key not in HARMLESS]
        listed = [one for value in values for one in ([value] if isinstance(value, str) else value)]
        for secret in (str(self.url.password or ""), *listed):
            if secret:
                text = text.replace(secret, "***")
        return text


BenchPath = str | os.PathLike[str] | DatabaseUrl
"""What names a bench: a folder, a workbook, or a database by its address."""


def is_url(text: str) -> bool:
    """Say whether a text is meant as an address and not as a path."""
    return _URL.match(text) is not None


def place_of(path: BenchPath) -> Path | DatabaseUrl:
    """Tell addresses from paths.

    Raises:
        AddressError: it looks like an address and is none.
    """
    if isinstance(path, DatabaseUrl):
        return path
    return DatabaseUrl.of(path) if isinstance(path, str) and is_url(path) else Path(path)


def shown_place(path: BenchPath) -> str:
    """Give the text by which a bench is called: as it was given, without a password."""
    if isinstance(path, str) and is_url(path):
        path = DatabaseUrl.of(path)
    return str(path) if isinstance(path, DatabaseUrl) else os.fspath(path)


def _check_file(text: str, url: "URL") -> None:
    if url.host or url.username or url.password or url.port or not url.database:
        fix = "write three slashes before a name, four before a whole path"
        raise _refused(text, "names no file", fix)
    if url.query or url.database.startswith(("file:", ":")):
        raise _refused(text, "has more than the path of a file", "name the file alone")


def _check_kind(text: str, url: "URL") -> None:
    from sqlalchemy.exc import NoSuchModuleError  # noqa: PLC0415

    try:
        dialect = url.get_dialect()
    except NoSuchModuleError:
        raise _refused(text, "is of a kind of database that is not known here") from None
    if dialect.is_async:
        raise _refused(text, "names an asynchronous driver", "name another driver")


def _refused(text: str, what: str, fix: str = "correct the address") -> AddressError:
    """Word an error that shows nothing of the address but its beginning."""
    kind = "".join(_URL.findall(text)[:1])
    return AddressError(
        f"{kind}://...: this address of a database {what}. Allowed: {EXAMPLES}. Fix: {fix}."
    )
