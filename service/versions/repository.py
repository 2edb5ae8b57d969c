"""Versions in the database."""

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
from service.store.tables import versions


@dataclass(frozen=True, slots=True)
class Version:
    """
    One version; ``body`` is what it holds.

    It holds from ``valid_from`` (inclusive) to ``valid_until`` (exclusive, None for ever).
    """

    id: UUID
    site_id: UUID
    kind: str
    key: str
    version: int
    valid_from: datetime
    valid_until: datetime | None
    note: str | None
    body: dict[str, Any]
    created_at: datetime

    def holds_at(self, at: datetime) -> bool:
        """Tell whether this version holds at a time."""
        return self.valid_from <= at and (self.valid_until is None or at < self.valid_until)


@dataclass(frozen=True, slots=True)
class Series:
    """All versions of one thing: a flowsheet by its key, the mapping, the calendar."""

    site_id: UUID
    kind: str
    key: str


def _version(row: Row[Any]) -> Version:
    return Version(**row._asdict())


def _of(series: Series) -> sa.Select[Any]:
    return sa.select(*_COLUMNS).where(*_is_of(series))


_COLUMNS = [versions.c[name] for name in Version.__slots__]


def _is_of(series: Series) -> list[sa.ColumnElement[bool]]:
    return [
        versions.c.site_id == series.site_id,
        versions.c.kind == series.kind,
        versions.c.key == series.key,
    ]


def latest(connection: Connection, series: Series) -> Version | None:
    """Give the version that was made last."""
    row = connection.execute(_of(series).order_by(versions.c.version.desc()).limit(1)).one_or_none()
    return None if row is None else _version(row)


def at_number(connection: Connection, series: Series, number: int) -> Version | None:
    """Give a version by its number."""
    row = connection.execute(_of(series).where(versions.c.version == number)).one_or_none()
    return None if row is None else _version(row)


def at_time(connection: Connection, series: Series, at: datetime) -> Version | None:
    """Give the version that holds at a time."""
    row = connection.execute(_of(series).where(*_holds(at))).one_or_none()
    return None if row is None else _version(row)


def _holds(at: datetime) -> list[sa.ColumnElement[bool]]:
    return [
        versions.c.valid_from <= at,
        sa.or_(versions.c.valid_until.is_(None), versions.c.valid_until > at),
    ]


def in_order_of_time(connection: Connection, series: Series) -> list[Version]:
    """Give the versions that ever hold, in the order in which they do."""
    found = [_version(r) for r in connection.execute(_of(series).order_by(versions.c.valid_from))]
    return [v for v in found if v.valid_until is None or v.valid_from < v.valid_until]


def page(connection: Connection, series: Series, paging: Paging) -> tuple[list[Version], Page]:
    """Give a page of all versions in the order of their numbers."""
    found = page_of(connection, _of(series), [versions.c.version], paging)
    return [_version(row) for row in found.entries], found


def page_of_latest(
    connection: Connection, site_id: UUID, kind: str, paging: Paging
) -> tuple[list[Version], Page]:
    """Give a page of the last version of everything of a kind, in the order of their keys."""
    newest = (
        sa.select(versions.c.key, sa.func.max(versions.c.version).label("version"))
        .where(versions.c.site_id == site_id, versions.c.kind == kind)
        .group_by(versions.c.key)
        .subquery()
    )
    query = sa.select(*_COLUMNS).join(
        newest, sa.and_(versions.c.key == newest.c.key, versions.c.version == newest.c.version)
    )
    query = query.where(versions.c.site_id == site_id, versions.c.kind == kind)
    found = page_of(connection, query, [versions.c.key], paging)
    return [_version(row) for row in found.entries], found


def add(
    connection: Connection,
    series: Series,
    valid_from: datetime,
    note: str | None,
    body: dict[str, Any],
) -> Version:
    """Add a version and set how long each of the series holds; the site must be locked."""
    present = latest(connection, series)
    version_id = new_id()
    connection.execute(
        sa.insert(versions).values(
            id=version_id,
            site_id=series.site_id,
            kind=series.kind,
            key=series.key,
            version=1 if present is None else present.version + 1,
            valid_from=valid_from,
            note=note,
            body=body,
            created_at=now(),
        )
    )
    _set_ends(connection, series)
    return _version(
        connection.execute(sa.select(*_COLUMNS).where(versions.c.id == version_id)).one()
    )


def _set_ends(connection: Connection, series: Series) -> None:
    query = sa.select(versions.c.id, versions.c.valid_from, versions.c.valid_until)
    ordered = connection.execute(
        query.where(*_is_of(series)).order_by(versions.c.valid_from, versions.c.version)
    ).all()
    ends = [row.valid_from for row in ordered[1:]]
    for row, end in zip(ordered, [*ends, None], strict=True):
        if row.valid_until != end:
            connection.execute(
                sa.update(versions).where(versions.c.id == row.id).values(valid_until=end)
            )
