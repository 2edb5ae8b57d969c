"""The database made ready before the service listens, or a reason why it cannot be."""

from __future__ import annotations

from .migrate import is_newest, migrate, newest, revision_of
from .store import Store


class NotMigratedError(Exception):
    """A shared database that has not the form which this version of the program works with."""


def prepare(store: Store, *, migrate_shared: bool) -> None:
    """
    Bring the embedded file to its newest form, a shared database only where that was asked for.

    Raises
    ------
    NotMigratedError
        for a shared database in another form.
    RefusalError
        where the database cannot be used.
    """
    if is_newest(store):
        return
    if store.is_embedded or migrate_shared:
        migrate(store)
        return
    with store.reading() as connection:
        found = revision_of(connection) or "none"
    raise NotMigratedError(
        f"the database is at revision {found}, this version works with {newest()}; run 'evenlode "
        "migrate' once, or set EVENLODE_MIGRATE_ON_START=true"
    )
