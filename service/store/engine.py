"""Connections to either database, set up so that both keep the same promises."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import ConnectionPoolEntry

WRITES = "evenlode_writes"
"""Execution option of connections whose transactions write."""


class UnusableUrlError(ValueError):
    """A database URL that leads to neither of the two databases."""


def database_url(given: str) -> URL:
    """
    Give the URL of the database; for an empty one that of a file in the user's data directory.

    Raises
    ------
    UnusableUrlError
        if it cannot be read, or names another kind of database.
    """
    if not given:
        folder = platformdirs.user_data_path("evenlode", appauthor=False)
        return URL.create("sqlite", database=str(folder / "evenlode.db"))
    try:
        url = make_url(given)
    except (ArgumentError, ValueError):
        raise UnusableUrlError("the database URL cannot be read") from None
    kind = url.get_backend_name()
    if kind == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if kind != "sqlite":
        raise UnusableUrlError(f"'{kind}' is not one of the databases known: sqlite, postgresql")
    if url.database in {None, "", ":memory:"}:
        raise UnusableUrlError("a SQLite database needs a file, since what is stored must last")
    return url.set(drivername="sqlite")


def engine_of(url: URL, connections: int, wait_s: float) -> Engine:
    """
    Give an engine with so many connections, none of them opened yet.

    ``wait_s`` bounds in seconds the wait for a connection and for another writer.
    """
    pool: dict[str, Any] = {
        "pool_size": connections,
        "max_overflow": 0,
        "pool_timeout": wait_s,
    }
    if url.get_backend_name() == "sqlite":
        return _sqlite(url, pool, wait_s)
    wait_ms = round(1e3 * wait_s)
    options = f"-c timezone=UTC -c lock_timeout={wait_ms}"
    return create_engine(
        url,
        pool_pre_ping=True,
        connect_args={"options": options, "connect_timeout": max(2, round(wait_s))},
        **pool,
    )


def _sqlite(url: URL, pool: dict[str, Any], wait_s: float) -> Engine:
    Path(str(url.database)).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(
        url, connect_args={"timeout": wait_s, "check_same_thread": False}, **pool
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, entry: ConnectionPoolEntry) -> None:  # noqa: ANN401, ARG001
        # The driver would begin transactions by itself, and deferred: two that read and then
        # write fail at once, whatever the timeout.
        connection.isolation_level = None
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",  # what was acknowledged outlasts a loss of power
            "foreign_keys = ON",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get(WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
