"""Transactions: one that reads, one that writes; nothing else commits."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
import sqlalchemy as sa
from sqlalchemy import Connection, Engine
from sqlalchemy.engine import URL

from service.kit.problems import STORE_UNAVAILABLE, RefusalError, refuse

from .engine import WRITES, engine_of

_log = logging.getLogger("evenlode")

RETRY_AFTER_S = 2
"""Seconds after which a caller may try again where the database could not be used."""

_PASSING = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_READONLY,
    }
)
_ONE_STATE = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
_PRIMARY = 0xFF  # extended result codes of SQLite carry the primary one in their lowest byte


def _is_passing(error: sa.exc.SQLAlchemyError) -> bool:
    """Tell a database that cannot be used just now from a defect of ours."""
    if isinstance(error, sa.exc.TimeoutError):
        return True
    cause = getattr(error, "orig", None)
    if isinstance(cause, sqlite3.Error):
        return getattr(cause, "sqlite_errorcode", 0) & _PRIMARY in _PASSING
    return isinstance(cause, psycopg.OperationalError)


def _cause(error: sa.exc.SQLAlchemyError) -> str:
    """Give what the driver said, on one line."""
    return " ".join(str(getattr(error, "orig", None) or error).split())


def _unavailable() -> RefusalError:
    return refuse(
        STORE_UNAVAILABLE,
        "The database cannot be used just now; the log says why.",
        headers={"Retry-After": str(RETRY_AFTER_S)},
    )


class Store:
    """
    The database behind the service.

    No connection is made before the first transaction.

    Parameters
    ----------
    url
        where it is, as :func:`service.store.engine.database_url` gives it.
    connections
        how many transactions may run at a time.
    wait_s
        how long in seconds one waits for a connection or another writer.
    """

    def __init__(self, url: URL, connections: int = 10, wait_s: float = 10.0) -> None:
        self.url = url
        self.connections = connections
        self._wait_s = wait_s
        self._writer = threading.Lock()
        self._made: Engine | None = None
        self._making = threading.Lock()

    @property
    def is_embedded(self) -> bool:
        """Whether it is a SQLite file of this service alone."""
        return self.url.get_backend_name() == "sqlite"

    @property
    def engine(self) -> Engine:
        """The engine, made at its first use."""
        with self._making:
            if self._made is None:
                try:
                    self._made = engine_of(self.url, self.connections, self._wait_s)
                except OSError as error:  # the folder of the file cannot be made
                    _log.warning("the database cannot be used: %s", error)
                    raise _unavailable() from error
            return self._made

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """
        Give a transaction that reads one state of the database.

        Raises
        ------
        RefusalError
            503 where the database cannot be used.
        """
        with self._told(), self.engine.connect() as connection:
            options = {} if self.is_embedded else _ONE_STATE
            reader = connection.execution_options(**options)
            with reader.begin():
                yield reader

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """
        Give a transaction that writes; it is committed whole, or not at all.

        Raises
        ------
        RefusalError
            503 where the database cannot be used.
        """
        with self._told(), self._alone(), self.engine.connect() as connection:
            writer = connection.execution_options(**{WRITES: True})
            with writer.begin():
                yield writer

    def close(self) -> None:
        """Close all connections; the next transaction opens new ones."""
        with self._making:
            if self._made is not None:
                self._made.dispose()
            self._made = None

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Let the writers of this process to a SQLite file queue here, where none is starved."""
        if not self.is_embedded:
            yield
            return
        if not self._writer.acquire(timeout=self._wait_s):
            raise _unavailable()
        try:
            yield
        finally:
            self._writer.release()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sa.exc.SQLAlchemyError as error:
            if not _is_passing(error):
                raise
            _log.warning("the database cannot be used: %s", _cause(error))
            raise _unavailable() from error
