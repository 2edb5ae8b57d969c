"""
Copies of the embedded database: made while it is in use, and put back when it is not.

A copy is written beside its place, flushed, checked, and only then given its name, so that what
has the name is always whole.  PostgreSQL has tools of its own for this, which know more of it.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from .migrate import known_revisions
from .store import Store

_PAGES_A_STEP = 1024
"""Pages copied before writers get a turn: about 4 MB."""

_WAIT_S = 10.0


class CopyRefusedError(Exception):
    """A backup or restore that was not done; the message says why and what to do."""


def backup(store: Store, target: Path) -> str:
    """
    Copy the database to a new file, as it is at one moment, and give its revision.

    The service may go on meanwhile.

    Raises
    ------
    CopyRefusedError
        for a shared database, a target that exists, and a copy that turns out not to be sound.
    """
    source = _file_of(store, "pg_dump --format=custom --file=FILE DATABASE")
    if target.exists():
        raise CopyRefusedError(f"'{target}' exists; nothing is overwritten. Name another file")
    if not source.exists():
        raise CopyRefusedError(f"there is no database at '{source}' yet")
    with _beside(target) as part:
        with closing(sqlite3.connect(source, timeout=_WAIT_S)) as theirs:
            _copy(theirs, part)
        revision = _sound(part)
        _name(part, target)
    return revision


def restore(store: Store, source: Path) -> Path | None:
    """
    Put a copy in the place of the database, and give where the former one is kept, if any was.

    Raises
    ------
    CopyRefusedError
        for a shared database, a database that is in use, and a source that is no sound copy.
    """
    place = _file_of(store, "pg_restore --clean --dbname=DATABASE FILE")
    if not source.is_file():
        raise CopyRefusedError(f"there is no file '{source}'")
    place.parent.mkdir(parents=True, exist_ok=True)
    with _beside(place) as part:
        with closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as theirs:
            _copy(theirs, part)
        _sound(part)
        kept = _set_aside(place)
        _name(part, place)
    return kept


def _file_of(store: Store, tool: str) -> Path:
    """Give the file of an embedded database."""
    if not store.is_embedded:
        raise CopyRefusedError(
            f"the database is PostgreSQL, which is copied by its own tools: {tool}"
        )
    return Path(str(store.url.database))


@contextmanager
def _beside(place: Path) -> Iterator[Path]:
    """Give a place in the same folder, which is empty before and afterwards."""
    part = place.with_name(f".{place.name}.{os.getpid()}.part")
    part.unlink(missing_ok=True)
    try:
        yield part
    except OSError as error:
        raise CopyRefusedError(f"'{place}' cannot be written: {error.strerror}") from error
    finally:
        part.unlink(missing_ok=True)


def _copy(source: sqlite3.Connection, part: Path) -> None:
    """Copy a database as it is at one moment, by SQLite's own means."""
    try:
        with closing(sqlite3.connect(part)) as ours:
            source.backup(ours, pages=_PAGES_A_STEP, sleep=0)
            ours.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
    except sqlite3.Error as error:
        raise CopyRefusedError(f"the database could not be copied: {error}") from error


def _sound(part: Path) -> str:
    """Hold a copy against what a database of ours must be, and give its revision."""
    try:
        with closing(sqlite3.connect(part)) as connection:
            found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
            broken = connection.execute("PRAGMA foreign_key_check").fetchall()
            revisions = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    except sqlite3.Error as error:
        raise CopyRefusedError(f"the copy is no database of this service: {error}") from error
    if found != ["ok"] or broken:
        raise CopyRefusedError(f"the copy is damaged: {(found if found != ['ok'] else broken)[0]}")
    revision = str(revisions[0][0]) if revisions else ""
    if revision not in known_revisions():
        raise CopyRefusedError(
            f"the copy has the revision '{revision}', which this version does not know; use the "
            "version of the program that made it, or a newer one"
        )
    return revision


def _set_aside(place: Path) -> Path | None:
    """Rename the present database after making sure that nobody has it open."""
    if not place.exists():
        return None
    _close(place)
    kept = place.with_name(f"{place.name}.before-{datetime.now(UTC):%Y%m%dT%H%M%S.%fZ}")
    place.rename(kept)
    return kept


def _close(place: Path) -> None:
    """Take the database for ourselves, and leave it as one file without a journal beside it."""
    try:
        with closing(sqlite3.connect(place, timeout=0)) as connection:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("BEGIN EXCLUSIVE")
            connection.rollback()
            connection.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        raise CopyRefusedError(f"'{place}' is in use ({error}); stop the service first") from error
    except sqlite3.DatabaseError:
        return  # not even a database: it is kept aside as it is


def _name(part: Path, place: Path) -> None:
    """Give a copy its name, once it is on the disk."""
    with part.open("rb") as written:
        os.fsync(written.fileno())
    part.replace(place)
    folder = os.open(place.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
