"""Sites in the database; every other resource finds its site here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import Connection, Row

from service.kit.identifiers import new_id
from service.kit.instants import now
from service.kit.paging import Page, Paging
from service.kit.problems import NOT_FOUND, RefusalError, refuse
from service.store.pages import page_of
from service.store.tables import site_revisions, sites


@dataclass(frozen=True, slots=True)
class Site:
    """A site as it stands."""

    id: UUID
    key: str
    revision: int
    body: dict[str, Any]
    created_at: datetime
    changed_at: datetime


def _site(row: Row[Any]) -> Site:
    return Site(row.id, row.key, row.revision, row.body, row.created_at, row.changed_at)


def find(connection: Connection, key: str, *, lock: bool = False) -> Site | None:
    """
    Give a site, if there is one.

    With ``lock`` no one else writes to the site until the transaction ends: what belongs to one
    site is written one transaction after the other, so that none has to guess what another is
    about to do.
    """
    query = sa.select(sites).where(sites.c.key == key)
    if lock:
        query = query.with_for_update(key_share=True)
    row = connection.execute(query).one_or_none()
    return None if row is None else _site(row)


def absent(key: str) -> RefusalError:
    """Give the refusal for a site that is not there, or not there for this caller."""
    return refuse(NOT_FOUND, f"There is no site '{key[:80]}'.")


def get(connection: Connection, key: str, *, lock: bool = False) -> Site:
    """
    Give a site, locked as :func:`find` does where asked.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    found = find(connection, key, lock=lock)
    if found is None:
        raise absent(key)
    return found


def keep(connection: Connection, key: str, body: dict[str, Any], present: Site | None) -> Site:
    """Store a new site, or the next revision of the present one."""
    at = now()
    if present is None:
        site = Site(new_id(), key, 1, body, at, at)
        connection.execute(
            sa.insert(sites).values(
                id=site.id, key=key, revision=1, body=body, created_at=at, changed_at=at
            )
        )
    else:
        site = Site(present.id, key, present.revision + 1, body, present.created_at, at)
        connection.execute(
            sa.update(sites)
            .where(sites.c.id == site.id)
            .values(revision=site.revision, body=body, changed_at=at)
        )
    connection.execute(
        sa.insert(site_revisions).values(
            site_id=site.id, revision=site.revision, body=body, changed_at=at
        )
    )
    return site


def page(
    connection: Connection, paging: Paging, only: str | None = None
) -> tuple[list[Site], Page]:
    """Give a page of sites in the order of their keys, or of one alone."""
    query = sa.select(sites)
    if only is not None:
        query = query.where(sites.c.key == only)
    found = page_of(connection, query, [sites.c.key], paging)
    return [_site(row) for row in found.entries], found
