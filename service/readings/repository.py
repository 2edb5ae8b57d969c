"""Readings in the database, joined with the mapping that holds at their time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import ColumnElement, Connection, Row, Select

from service.kit.paging import Page, Paging
from service.mappings.judge import Channel
from service.store.pages import page_of
from service.store.tables import (
    mapped_streams,
    mapped_tags,
    reading_versions,
    readings,
    versions,
)

_AT_ONCE = 1000
"""Rows asked for or written in one statement; both databases take so many parameters."""

_T = TypeVar("_T")


class Identity(NamedTuple):
    """By what a reading of a site is known; empty for what it has not."""

    source: str
    tag: str
    sample_point: str
    analyte: str
    sample: str
    time: datetime

    @property
    def channel(self) -> Channel:
        """Tag, sample point and analyte, by which mappings know it."""
        return self.tag, self.sample_point, self.analyte


@dataclass(slots=True)
class Known:
    """A reading that is stored, with the versions that there are."""

    id: UUID
    newest: int
    bodies: dict[int, dict[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NewVersion:
    """A version to be stored, by the columns of its table."""

    reading_id: UUID
    version: int
    status: str
    value: float | None
    unit: str | None
    unit_kind: str | None
    amount: float | None
    is_withdrawn: bool
    composite_from: datetime | None
    composite_to: datetime | None
    body: dict[str, Any]
    received_at: datetime


@dataclass(frozen=True, slots=True)
class Stored:
    """
    A reading as it stands: its newest version, and the entry of the mapping that knows it.

    ``mapping_id`` and ``position`` lead to the entry; None where none does.
    """

    id: UUID
    source: str
    tag: str
    sample_point: str
    analyte: str
    sample: str
    time: datetime
    version: int
    status: str
    is_withdrawn: bool
    composite_from: datetime | None
    composite_to: datetime | None
    body: dict[str, Any]
    received_at: datetime
    standing: str
    mapping_id: UUID | None
    mapping_version: int | None
    position: int | None
    mapped_unit: str | None
    lag_s: int | None


def _chunks(items: Sequence[_T]) -> Iterator[Sequence[_T]]:
    for start in range(0, len(items), _AT_ONCE):
        yield items[start : start + _AT_ONCE]


_IDENTITY = [readings.c[name] for name in Identity._fields]
_CHANNEL = [readings.c.tag, readings.c.sample_point, readings.c.analyte]
_MAPPED_CHANNEL = [mapped_tags.c.tag, mapped_tags.c.sample_point, mapped_tags.c.analyte]

_MAPPED = mapped_tags.join(versions, mapped_tags.c.version_id == versions.c.id)
_KNOWS = sa.and_(
    mapped_tags.c.site_id == readings.c.site_id,
    *(ours == theirs for ours, theirs in zip(_MAPPED_CHANNEL, _CHANNEL, strict=True)),
    versions.c.valid_from <= readings.c.time,
    sa.or_(versions.c.valid_until.is_(None), readings.c.time < versions.c.valid_until),
)
_IS_NEWEST = sa.and_(
    reading_versions.c.reading_id == readings.c.id,
    reading_versions.c.version == readings.c.newest,
)
_AMOUNT = sa.func.coalesce(
    reading_versions.c.amount, reading_versions.c.value * mapped_tags.c.unit_size
)
_STANDING: ColumnElement[str] = sa.case(
    (reading_versions.c.is_withdrawn, "withdrawn"),
    (mapped_tags.c.position.is_(None), "parked"),
    (reading_versions.c.unit_kind != mapped_tags.c.unit_kind, "unfit"),
    (
        sa.or_(
            mapped_tags.c.low * mapped_tags.c.unit_size > _AMOUNT,
            mapped_tags.c.high * mapped_tags.c.unit_size < _AMOUNT,
        ),
        "out-of-range",
    ),
    else_="current",
)


def _all_stored() -> Select[Any]:
    """Give every reading as it stands; what it is used for is worked out here and nowhere else."""
    newest = reading_versions.c
    query = sa.select(
        *(readings.c.id, *_IDENTITY),
        *(newest.version, newest.status, newest.is_withdrawn, newest.composite_from),
        *(newest.composite_to, newest.body, newest.received_at, _STANDING.label("standing")),
        mapped_tags.c.version_id.label("mapping_id"),
        versions.c.version.label("mapping_version"),
        *(mapped_tags.c.position, mapped_tags.c.unit.label("mapped_unit"), mapped_tags.c.lag_s),
    )
    return query.select_from(readings.join(reading_versions, _IS_NEWEST).outerjoin(_MAPPED, _KNOWS))


def _stored(row: Row[Any]) -> Stored:
    return Stored(**row._asdict())


# --- writing ----------------------------------------------------------------------------------


def known(
    connection: Connection, site_id: UUID, identities: Collection[Identity]
) -> dict[Identity, Known]:
    """Give those of the readings that are stored."""
    found: dict[Identity, Known] = {}
    by_id: dict[UUID, Known] = {}
    for some in _chunks(list(identities)):
        query = sa.select(readings.c.id, readings.c.newest, *_IDENTITY).where(
            readings.c.site_id == site_id, sa.tuple_(*_IDENTITY).in_(some)
        )
        for row in connection.execute(query):
            one = Known(row.id, row.newest)
            found[Identity(*row[2:])] = by_id[row.id] = one
    for ids in _chunks(list(by_id)):
        bodies = sa.select(
            reading_versions.c.reading_id, reading_versions.c.version, reading_versions.c.body
        ).where(reading_versions.c.reading_id.in_(ids))
        for row in connection.execute(bodies):
            by_id[row.reading_id].bodies[row.version] = row.body
    return found


def units_of(
    connection: Connection, site_id: UUID, channels: Collection[Channel]
) -> dict[Channel, list[tuple[datetime, datetime | None, str]]]:
    """Give in which units tags are read: since when, until when, and the unit."""
    found = defaultdict(list)
    for some in _chunks(list(channels)):
        query = (
            sa.select(
                *_MAPPED_CHANNEL, versions.c.valid_from, versions.c.valid_until, mapped_tags.c.unit
            )
            .select_from(_MAPPED)
            .where(mapped_tags.c.site_id == site_id, sa.tuple_(*_MAPPED_CHANNEL).in_(some))
        )
        for row in connection.execute(query):
            found[row[0], row[1], row[2]].append((row[3], row[4], row[5]))
    return found


def keep(
    connection: Connection,
    site_id: UUID,
    made: dict[Identity, Known],
    raised: Iterable[Known],
    added: Sequence[NewVersion],
) -> None:
    """Store new readings, new versions, and which of them is the newest now."""
    new = [
        {"id": k.id, "site_id": site_id, "newest": k.newest, **identity._asdict()}
        for identity, k in made.items()
    ]
    for some in _chunks(new):
        connection.execute(sa.insert(readings), list(some))
    rows = [{name: getattr(v, name) for name in NewVersion.__slots__} for v in added]
    for some in _chunks(rows):
        connection.execute(sa.insert(reading_versions), list(some))
    changes = [{"this": k.id, "now": k.newest} for k in raised]
    if changes:
        connection.execute(
            sa.update(readings)
            .where(readings.c.id == sa.bindparam("this"))
            .values(newest=sa.bindparam("now")),
            changes,
        )


def standings(connection: Connection, ids: Collection[UUID]) -> dict[UUID, str]:
    """Give how readings stand."""
    found: dict[UUID, str] = {}
    for some in _chunks(list(ids)):
        stored = _all_stored().where(readings.c.id.in_(some)).subquery()
        query = sa.select(stored.c.id, stored.c.standing)
        found |= {row.id: row.standing for row in connection.execute(query)}
    return found


# --- reading ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Filters:
    """Which readings are asked for; None for all."""

    since: datetime | None = None
    until: datetime | None = None
    source: str | None = None
    tag: str | None = None
    sample_point: str | None = None
    analyte: str | None = None
    stream: str | None = None
    standing: str | None = None

    def conditions(self) -> Iterator[ColumnElement[bool]]:
        """Give them as conditions of a query."""
        if self.since is not None:
            yield readings.c.time >= self.since
        if self.until is not None:
            yield readings.c.time < self.until
        for name in ("source", "tag", "sample_point", "analyte"):
            wanted = getattr(self, name)
            if wanted is not None:
                yield readings.c[name].in_([wanted])
        if self.stream is not None:
            yield sa.exists().where(
                mapped_streams.c.version_id == mapped_tags.c.version_id,
                mapped_streams.c.position == mapped_tags.c.position,
                mapped_streams.c.stream == self.stream,
            )
        if self.standing is not None:
            yield _STANDING.in_([self.standing])


def page(
    connection: Connection, site_id: UUID, filters: Filters, paging: Paging
) -> tuple[list[Stored], Page]:
    """Give a page of readings in the order of their times."""
    query = _all_stored().where(readings.c.site_id == site_id, *filters.conditions())
    found = page_of(connection, query, [readings.c.time, readings.c.id], paging)
    return [_stored(row) for row in found.entries], found


def get(connection: Connection, site_id: UUID, reading_id: UUID) -> Stored | None:
    """Give a reading of a site."""
    query = _all_stored().where(readings.c.site_id == site_id, readings.c.id == reading_id)
    row = connection.execute(query).one_or_none()
    return None if row is None else _stored(row)


def history(connection: Connection, reading_id: UUID) -> list[Row[Any]]:
    """Give all versions of a reading by their numbers: number, body, when it came."""
    columns = reading_versions.c
    query = sa.select(columns.version, columns.body, columns.received_at, columns.is_withdrawn)
    found = query.where(columns.reading_id == reading_id).order_by(columns.version)
    return list(connection.execute(found))


def in_time(
    connection: Connection, site_id: UUID, since: datetime, until: datetime
) -> list[Stored]:
    """Give the readings with a time, or a composite's time, within an interval, ends included."""
    within = readings.c.time.between(since, until)
    overlaps = sa.and_(
        reading_versions.c.composite_from <= until, reading_versions.c.composite_to >= since
    )
    query = _all_stored().where(readings.c.site_id == site_id, sa.or_(within, overlaps))
    ordered = query.order_by(readings.c.time, readings.c.id)
    return [_stored(row) for row in connection.execute(ordered)]


def of_ids(connection: Connection, site_id: UUID, ids: Collection[UUID]) -> list[Stored]:
    """Give readings of a site by their ids."""
    found: list[Stored] = []
    for some in _chunks(list(ids)):
        query = _all_stored().where(readings.c.site_id == site_id, readings.c.id.in_(some))
        found += [_stored(row) for row in connection.execute(query)]
    return found


def composites(
    connection: Connection, site_id: UUID, since: datetime, until: datetime
) -> list[Stored]:
    """Give the composites that cover some time of an interval, its reach by any lag included."""
    reach = until + timedelta(seconds=longest_lag_s(connection, site_id))
    overlaps = sa.and_(
        reading_versions.c.composite_from <= reach, reading_versions.c.composite_to >= since
    )
    query = _all_stored().where(readings.c.site_id == site_id, overlaps)
    return [_stored(row) for row in connection.execute(query)]


Span = tuple[datetime | None, datetime | None]


def composite_spans(connection: Connection, ids: Collection[UUID]) -> dict[UUID, list[Span]]:
    """Give the times that any version of readings covers as a composite, or that it is none."""
    found: dict[UUID, list[Span]] = defaultdict(list)
    columns = reading_versions.c
    for some in _chunks(list(ids)):
        query = sa.select(columns.reading_id, columns.composite_from, columns.composite_to)
        for row in connection.execute(query.where(columns.reading_id.in_(some)).distinct()):
            found[row.reading_id].append((row.composite_from, row.composite_to))
    return found


def longest_lag_s(connection: Connection, site_id: UUID) -> int:
    """Give the longest lag, in seconds, that any mapping of a site ever had."""
    query = sa.select(sa.func.max(mapped_tags.c.lag_s)).where(mapped_tags.c.site_id == site_id)
    return connection.scalar(query) or 0


def page_of_parked(connection: Connection, site_id: UUID, paging: Paging) -> Page:
    """Give a page of tags with parked readings: how many, and their first and last time."""
    parked = _parked(site_id).subquery()
    keys = [parked.c.tag, parked.c.sample_point, parked.c.analyte]
    return page_of(connection, sa.select(parked), keys, paging)


def parked_within(
    connection: Connection, site_id: UUID, since: datetime, until: datetime, most: int
) -> list[Row[Any]]:
    """Give the tags with readings parked from a time (exclusive) to another, as many as asked."""
    query = _parked(site_id).where(readings.c.time > since, readings.c.time <= until)
    return list(connection.execute(query.order_by(*_CHANNEL).limit(most)))


def _parked(site_id: UUID) -> Select[Any]:
    return (
        _all_stored()
        .where(readings.c.site_id == site_id, _STANDING == "parked")
        .with_only_columns(
            *_CHANNEL,
            sa.func.count().label("count"),
            sa.func.min(readings.c.time).label("first"),
            sa.func.max(readings.c.time).label("last"),
        )
        .group_by(*_CHANNEL)
    )
