"""The form of the database, brought forward or back one revision at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from .engine import WRITES
from .store import Store

_ONE_AT_A_TIME = 0x65_76_65_6E  # number of the lock under which PostgreSQL is migrated: "even"


class BrokenReferenceError(Exception):
    """A migration left rows that refer to others that are not there; it was undone."""


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "newline")
    return config


def newest() -> str:
    """Give the revision that this version of the program works with."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise LookupError("the program holds no migrations")
    return head


def known_revisions() -> frozenset[str]:
    """Give the revisions that this version of the program can bring to the newest."""
    steps = ScriptDirectory.from_config(_config()).walk_revisions()
    return frozenset(step.revision for step in steps)


def revision_of(connection: Connection) -> str | None:
    """Give the revision that a database has; None where nothing is there yet."""
    return MigrationContext.configure(connection).get_current_revision()


def is_newest(store: Store) -> bool:
    """
    Tell whether the database has the form that this version of the program works with.

    Raises
    ------
    RefusalError
        503 where it cannot be used.
    """
    with store.reading() as connection:
        return revision_of(connection) == newest()


def migrate(store: Store, revision: str = "head") -> None:
    """
    Bring the database to a revision, in one transaction: the newest unless another is named.

    Raises
    ------
    BrokenReferenceError
        if rows would be left that refer to nothing; then nothing is changed.
    """
    with _changing(store) as connection:
        config = _config()
        config.attributes["connection"] = connection
        steps = ScriptDirectory.from_config(config)
        wanted = steps.get_revision(revision) if revision != "base" else None
        if wanted is None or _is_behind(steps, revision_of(connection), wanted.revision):
            command.downgrade(config, revision)
        else:
            command.upgrade(config, revision)


def _is_behind(steps: ScriptDirectory, present: str | None, wanted: str) -> bool:
    """Tell whether the wanted revision lies before the present one."""
    if present is None or present == wanted:
        return False
    return wanted in {step.revision for step in steps.iterate_revisions(present, "base")}


@contextmanager
def _changing(store: Store) -> Iterator[Connection]:
    """
    Give a transaction that may change tables.

    SQLite changes a table by making it anew, for which references must not be enforced on the
    way; they are checked at the end.
    """
    with store.engine.connect() as plain:
        connection = plain.execution_options(**{WRITES: True})
        if not store.is_embedded:
            with connection.begin():
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ONE_AT_A_TIME)))
                yield connection
            return
        _enforce(connection, "OFF")
        try:
            with connection.begin():
                yield connection
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
                if broken:
                    raise BrokenReferenceError(f"{len(broken)} rows refer to nothing")
        finally:
            _enforce(connection, "ON")


def _enforce(connection: Connection, word: str) -> None:
    """Switch references on or off, outside of any transaction, where alone it has an effect."""
    driver = connection.connection.driver_connection
    if driver is not None:
        driver.execute(f"PRAGMA foreign_keys = {word}")
