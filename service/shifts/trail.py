"""
The trail: what persons decided and signed, in a chain of digests.

Every entry holds the digest of the one before, so that none can be changed, taken out or slipped
in without breaking the chain, even by someone whom the database obeys.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import Connection, Row

from service.kit.caller import Caller
from service.kit.identifiers import new_id
from service.kit.instants import now, written
from service.kit.paging import Page, Paging
from service.store.columns import json_text
from service.store.pages import page_of
from service.store.tables import trail

_FIRST = "0" * 64
_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class Act:
    """
    What a person did, and why.

    ``person`` is the name that was stated, ``caller`` whose key it came with; ``about`` says what
    it concerns and what it means.
    """

    kind: str
    person: str
    reason: str
    about: dict[str, Any]
    caller: Caller
    reading_id: UUID | None = None
    balance_id: UUID | None = None


def add(connection: Connection, site_id: UUID, act: Act) -> dict[str, Any]:
    """Add an entry and give it as it is told; the site must be locked."""
    last = connection.execute(
        sa.select(trail.c.number, trail.c.digest)
        .where(trail.c.site_id == site_id)
        .order_by(trail.c.number.desc())
        .limit(1)
    ).one_or_none()
    body = {
        "number": 1 if last is None else last.number + 1,
        "at": written(now()),
        "kind": act.kind,
        "person": act.person,
        "key": {"id": act.caller.id, "name": act.caller.name},
        "reason": act.reason,
        "about": act.about,
        "before": _FIRST if last is None else last.digest,
    }
    text = json_text(body)
    digest = hashlib.sha256(text.encode()).hexdigest()
    connection.execute(
        sa.insert(trail).values(
            id=new_id(),
            site_id=site_id,
            number=body["number"],
            reading_id=act.reading_id,
            balance_id=act.balance_id,
            body=text,
            digest=digest,
        )
    )
    return body | {"digest": digest}


def _told(row: Row[Any]) -> dict[str, Any]:
    entry: dict[str, Any] = json.loads(row.body)
    return entry | {"digest": row.digest}


def page(
    connection: Connection, site_id: UUID, paging: Paging
) -> tuple[list[dict[str, Any]], Page]:
    """Give a page of the trail of a site, in the order of the entries."""
    found = page_of(
        connection, sa.select(trail).where(trail.c.site_id == site_id), [trail.c.number], paging
    )
    return [_told(row) for row in found.entries], found


def last_of_balance(connection: Connection, balance_id: UUID) -> dict[str, Any] | None:
    """Give the last entry about a balance."""
    query = sa.select(trail).where(trail.c.balance_id == balance_id)
    row = connection.execute(query.order_by(trail.c.number.desc()).limit(1)).one_or_none()
    return None if row is None else _told(row)


def last_of_readings(connection: Connection, ids: Collection[UUID]) -> dict[UUID, dict[str, Any]]:
    """Give the last entry about each of these readings."""
    found: dict[UUID, dict[str, Any]] = {}
    listed = list(ids)
    for some in (listed[i : i + _AT_ONCE] for i in range(0, len(listed), _AT_ONCE)):
        query = sa.select(trail).where(trail.c.reading_id.in_(some)).order_by(trail.c.number)
        found |= {row.reading_id: _told(row) for row in connection.execute(query)}
    return found


def breaks(connection: Connection, site_id: UUID) -> Iterator[str]:
    """Say in sentences where the chain of a site is broken; nothing where it is whole."""
    before, expected = _FIRST, 1
    query = sa.select(trail).where(trail.c.site_id == site_id).order_by(trail.c.number)
    for row in connection.execute(query):
        entry = json.loads(row.body)
        if row.number != expected or entry["number"] != row.number:
            yield f"Entry {expected} is missing."
        if hashlib.sha256(row.body.encode()).hexdigest() != row.digest:
            yield f"Entry {row.number} is not what its digest was made of."
        if entry["before"] != before:
            yield f"Entry {row.number} does not follow the one before it."
        before, expected = row.digest, row.number + 1
