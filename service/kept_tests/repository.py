"""Tests of a site and their revisions in the database."""

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
from service.store.pages import page_of
from service.store.tables import test_revisions, tests


@dataclass(frozen=True, slots=True)
class Head:
    """A test as it stands: its title, and the number of its newest revision."""

    id: UUID
    site_id: UUID
    title: str | None
    newest: int
    created_at: datetime


@dataclass(frozen=True, slots=True)
class Revision:
    """A revision; ``record`` and ``sheet`` are empty where they were not asked for."""

    revision: int
    digest: str
    media_type: str
    summary: dict[str, Any]
    person: str | None
    reason: str | None
    made_at: datetime
    record: str = ""
    sheet: bytes = b""


_HEAD = [tests.c[name] for name in Head.__slots__]
_BRIEF = [
    test_revisions.c[name]
    for name in ("revision", "digest", "media_type", "summary", "person", "reason", "made_at")
]


def find(connection: Connection, site_id: UUID, test_id: UUID) -> Head | None:
    """Give a test of a site, if it is there."""
    query = sa.select(*_HEAD).where(tests.c.site_id == site_id, tests.c.id == test_id)
    row = connection.execute(query).one_or_none()
    return None if row is None else _head(row)


def _head(row: Row[Any]) -> Head:
    return Head(*(getattr(row, name) for name in Head.__slots__))


def revision(
    connection: Connection, test_id: UUID, number: int, *, record: bool = False, sheet: bool = False
) -> Revision | None:
    """Give a revision by its number, with its record or its sheet where they are asked for."""
    wanted = [test_revisions.c[n] for n, is_ in (("record", record), ("sheet", sheet)) if is_]
    query = sa.select(*_BRIEF, *wanted).where(
        test_revisions.c.test_id == test_id, test_revisions.c.revision == number
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else Revision(**row._asdict())


def begin(connection: Connection, site_id: UUID, title: str | None) -> Head:
    """Make a test that has no revision yet; the site must be locked."""
    made = Head(new_id(), site_id, title, 0, now())
    connection.execute(
        sa.insert(tests).values(**{name: getattr(made, name) for name in Head.__slots__})
    )
    return made


def add(connection: Connection, head: Head, made: Revision, title: str | None) -> None:
    """Keep a revision, which is then the newest; the site must be locked."""
    values = {name: getattr(made, name) for name in Revision.__slots__}
    connection.execute(sa.insert(test_revisions).values(test_id=head.id, **values))
    connection.execute(
        sa.update(tests).where(tests.c.id == head.id).values(newest=made.revision, title=title)
    )


def page(
    connection: Connection, site_id: UUID, paging: Paging
) -> tuple[list[tuple[Head, Revision]], Page]:
    """Give a page of the tests of a site in the order of their making, with their newest state."""
    newest = sa.and_(
        test_revisions.c.test_id == tests.c.id, test_revisions.c.revision == tests.c.newest
    )
    query = (
        sa.select(*_HEAD, *_BRIEF)
        .select_from(tests.join(test_revisions, newest))
        .where(tests.c.site_id == site_id)
    )
    found = page_of(connection, query, [tests.c.id], paging)
    return [(_head(row), _brief(row)) for row in found.entries], found


def _brief(row: Row[Any]) -> Revision:
    return Revision(*(getattr(row, column.key) for column in _BRIEF))


def page_of_revisions(
    connection: Connection, test_id: UUID, paging: Paging
) -> tuple[list[Revision], Page]:
    """Give a page of the revisions of a test, the first first."""
    query = sa.select(*_BRIEF).where(test_revisions.c.test_id == test_id)
    found = page_of(connection, query, [test_revisions.c.revision], paging)
    return [_brief(row) for row in found.entries], found
