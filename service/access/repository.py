"""Keys in the database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import Connection, Row

from service.kit.caller import Scope
from service.kit.identifiers import new_id
from service.kit.instants import now
from service.store.tables import access_keys, sites

from .keys import NewKey


@dataclass(frozen=True, slots=True)
class Key:
    """A key as it stands; ``site`` is the key of its site, None for every site."""

    id: UUID
    prefix: str
    digest: str
    name: str
    site: str | None
    scopes: frozenset[Scope]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None

    def holds(self, at: datetime) -> bool:
        """Say whether the key opens anything at a time."""
        expired = self.expires_at is not None and self.expires_at <= at
        return self.revoked_at is None and not expired


_ALL = sa.select(access_keys, sites.c.key.label("site")).select_from(
    access_keys.outerjoin(sites, access_keys.c.site_id == sites.c.id)
)


def _key(row: Row[Any]) -> Key:
    return Key(
        row.id,
        row.prefix,
        row.digest,
        row.name,
        row.site,
        frozenset(Scope(word) for word in row.scopes),
        row.created_at,
        row.expires_at,
        row.revoked_at,
    )


def find(connection: Connection, prefix: str) -> Key | None:
    """Give the key with a prefix, if there is one, whether it still holds or not."""
    row = connection.execute(_ALL.where(access_keys.c.prefix == prefix)).one_or_none()
    return None if row is None else _key(row)


def every(connection: Connection) -> list[Key]:
    """Give all keys that were ever made, in the order of their making."""
    return [_key(row) for row in connection.execute(_ALL.order_by(access_keys.c.id))]


def was_any_made(connection: Connection) -> bool:
    """Say whether a key was ever made; before the first migration none was."""
    if not sa.inspect(connection).has_table(access_keys.name):
        return False
    return connection.execute(sa.select(access_keys.c.id).limit(1)).first() is not None


def site_id(connection: Connection, key: str) -> UUID | None:
    """Give the id of a site, if there is one with this key."""
    found: UUID | None = connection.execute(
        sa.select(sites.c.id).where(sites.c.key == key)
    ).scalar_one_or_none()
    return found


def add(
    connection: Connection,
    made: NewKey,
    name: str,
    site: UUID | None,
    scopes: frozenset[Scope],
    expires_at: datetime | None,
) -> None:
    """Keep a new key."""
    connection.execute(
        sa.insert(access_keys).values(
            id=new_id(),
            prefix=made.prefix,
            digest=made.digest,
            name=name,
            site_id=site,
            scopes=sorted(scopes),
            created_at=now(),
            expires_at=expires_at,
        )
    )


def revoke(connection: Connection, prefix: str) -> None:
    """Let a key open nothing from now on; one that was revoked before stays as it was."""
    connection.execute(
        sa.update(access_keys)
        .where(access_keys.c.prefix == prefix, access_keys.c.revoked_at.is_(None))
        .values(revoked_at=now())
    )
