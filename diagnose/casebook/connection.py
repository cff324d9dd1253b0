"""A PostgreSQL server: its address, a transaction on it, and the version of its tables."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import DiagnoseError, fail

if TYPE_CHECKING:
    from sqlalchemy import URL, Connection, Engine

EXAMPLE = "postgresql+psycopg://user@host:5432/database"
DRIVERS = ("postgresql", "postgresql+psycopg")
VERSIONS = ("0001", "0002")
"""Versions of the tables, oldest first; the last one is what this program works on."""
MIGRATIONS = Path(__file__).parent / "migrations"
PATIENCE = 10
"""Seconds to wait for the server."""
UPGRADING = 0x64696101
"""Number of the lock under which the tables are changed."""


def parse_address(text: str) -> URL:
    """The address of a database.

    Raises
    ------
    DiagnoseError
        It is none, or of another kind of database; or what talks to it is not installed.
    """
    try:
        import psycopg  # noqa: F401
        import sqlalchemy
        from sqlalchemy.exc import ArgumentError
    except ImportError as error:
        message = f"a store in PostgreSQL needs the package '{error.name}'"
        raise fail("missing", message, None, ("pip install 'diagnose[postgresql]'",)) from error
    scheme = text.partition("://")[0]
    if scheme not in DRIVERS:
        raise fail("option", f"cases cannot be kept in '{scheme}://…'", None, (EXAMPLE,))
    try:  # the text is not shown: there may be a password in it
        text.encode()
        url = sqlalchemy.make_url(text)
    except (ArgumentError, ValueError) as error:
        raise fail("option", "that is not the address of a database", None, (EXAMPLE,)) from error
    if not url.database:
        raise fail("option", "the address names no database", None, (EXAMPLE,))
    return url.set(drivername="postgresql+psycopg")


def without_password(address: str) -> str:
    """An address that may be shown and typed again; the password is left out."""
    from sqlalchemy import URL

    url = parse_address(address)
    query = {key: v for key, v in url.query.items() if "password" not in key}
    shown = URL.create(url.drivername, url.username, None, url.host, url.port, url.database, query)
    return shown.render_as_string(hide_password=False)


class Database:
    """Transactions on one database whose tables are of the version that this program knows."""

    def __init__(self, address: str) -> None:
        self.url = parse_address(address)
        self.name = without_password(address)
        self._engine: Engine | None = None
        self._known = False

    @property
    def engine(self) -> Engine:
        """Connections to the server; none is made before one is needed."""
        if self._engine is None:
            from sqlalchemy import create_engine

            self._engine = create_engine(
                self.url,
                pool_pre_ping=True,
                pool_size=2,
                connect_args={"connect_timeout": PATIENCE},
            )
        return self._engine

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """A transaction: done whole at the end, or not at all.

        Raises
        ------
        DiagnoseError
            The server cannot be reached, refuses, or its tables are of another version.
        """
        with self.talking():
            if not self._known:
                self._check()
            with self.engine.begin() as connection:
                yield connection

    @contextmanager
    def alone(self) -> Iterator[Connection]:
        """A connection without transactions, closed for good at the end, with all its locks."""
        with self.talking():
            if not self._known:
                self._check()
            connection = self.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            try:
                yield connection
            finally:
                connection.invalidate()
                connection.close()

    @contextmanager
    def talking(self) -> Iterator[None]:
        """Turns what the server or the way to it says into one line."""
        from sqlalchemy.exc import DBAPIError, SQLAlchemyError

        try:
            yield
        except DBAPIError as error:
            raise self._failed(str(error.orig)) from error
        except SQLAlchemyError as error:
            raise self._failed(str(error)) from error

    def _failed(self, message: str) -> DiagnoseError:
        lines = [line.strip() for line in message.splitlines() if line.strip()]
        return fail("unreachable", f"{self.name}: {lines[0] if lines else 'no answer'}")

    # ------------------------------------------------------------------ versions

    def version(self) -> str:
        """The version of the tables; "" where there are none."""
        from sqlalchemy import text

        with self.talking(), self.engine.begin() as connection:
            if connection.scalar(text("select to_regclass('alembic_version')")) is None:
                return ""
            return str(connection.scalar(text("select max(version_num) from alembic_version")))

    def _check(self) -> None:
        version = self.version()
        if not version:
            self.upgrade()
        elif version not in VERSIONS:
            message = f"{self.name}: its tables are of version {version}, newer than this program"
            raise fail("version", message, None, (f"{VERSIONS[-1]} at most",))
        elif version != VERSIONS[-1]:
            message = f"{self.name}: its tables are of version {version}, older than this program"
            raise fail("version", message, None, ("diagnose store upgrade",))
        self._known = True

    def upgrade(self) -> str:
        """Make the tables, or bring them up to date; the version that they had.

        Raises
        ------
        DiagnoseError
            They are of a newer version, or the server refuses.
        """
        from alembic import command
        from alembic.config import Config
        from sqlalchemy import text

        before = self.version()
        if before and before not in VERSIONS:
            message = f"{self.name}: its tables are of version {before}, newer than this program"
            raise fail("version", message, None, (f"{VERSIONS[-1]} at most",))
        with self.talking(), self.engine.begin() as connection:
            connection.execute(text("select pg_advisory_xact_lock(:n)"), {"n": UPGRADING})
            config = Config()
            config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
        return before
