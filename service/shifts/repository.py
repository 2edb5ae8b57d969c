"""Balances of shifts and their revisions in the database."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import ColumnElement, Connection, Row, Select

from service.kit.instants import now
from service.kit.paging import Page, Paging
from service.store.due import Due
from service.store.pages import page_of
from service.store.tables import (
    balance_readings,
    balance_revisions,
    balance_uses,
    due_spells,
    readings,
    shift_balances,
    sites,
    versions,
)

STANDINGS = ("none", "open", "signed", "proposed")
"""
How a balance stands: never calculated, calculated and not signed, signed, signed and followed by a
revision that is proposed.
"""

_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class Head:
    """A balance as it stands; the table says what its members are."""

    id: UUID
    site_id: UUID
    flowsheet: str
    day: date
    shift: str
    start: datetime
    end: datetime
    changes: int
    stale_since: datetime | None
    newest: int
    signed: int | None
    problem: dict[str, Any] | None

    @property
    def shown(self) -> int:
        """The revision that counts: the signed one, or the newest; 0 without any."""
        return self.signed or self.newest

    @property
    def standing(self) -> str:
        """How it stands, in one of the words known."""
        if self.signed is not None:
            return "signed" if self.signed == self.newest else "proposed"
        return "open" if self.newest else "none"

    def standing_of(self, revision: int) -> str:
        """How one of its revisions stands."""
        if revision == self.signed:
            return "signed"
        if revision < self.newest:
            return "superseded"
        return "proposed" if self.signed is not None else "open"


@dataclass(frozen=True, slots=True)
class Revision:
    """A revision; ``record`` is left empty where it was not asked for."""

    revision: int
    digest: str
    inputs_digest: str
    summary: dict[str, Any]
    made_at: datetime
    record: str


@dataclass(frozen=True, slots=True)
class Use:
    """Which version of a reading stands where in a revision; nowhere if it was not used."""

    reading_id: UUID
    version: int
    position: int | None


_HEAD = [shift_balances.c[name] for name in Head.__slots__]
_BRIEF = [balance_revisions.c[n] for n in ("revision", "digest", "inputs_digest", "summary")]
_SHOWN = sa.func.coalesce(shift_balances.c.signed, shift_balances.c.newest)


def _head(row: Row[Any]) -> Head:
    return Head(*(getattr(row, name) for name in Head.__slots__))


def find(
    connection: Connection, site_id: UUID, flowsheet: str, day: date, shift: str
) -> Head | None:
    """Give a balance, if it is there."""
    query = sa.select(*_HEAD).where(
        shift_balances.c.site_id == site_id,
        shift_balances.c.flowsheet == flowsheet,
        shift_balances.c.day == day,
        shift_balances.c.shift == shift,
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else _head(row)


def revision(
    connection: Connection, balance_id: UUID, number: int, *, whole: bool = True
) -> Revision | None:
    """Give a revision by its number, with its record unless that is not needed."""
    record = balance_revisions.c.record if whole else sa.literal("").label("record")
    query = sa.select(*_BRIEF, balance_revisions.c.made_at, record).where(
        balance_revisions.c.balance_id == balance_id, balance_revisions.c.revision == number
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else Revision(**row._asdict())


def settle(connection: Connection, head: Head, problem: dict[str, Any] | None = None) -> None:
    """Say that a balance holds everything that came, or why nothing could be made of it."""
    connection.execute(
        sa.update(shift_balances)
        .where(shift_balances.c.id == head.id)
        .values(stale_since=None, problem=problem)
    )


def add(
    connection: Connection,
    head: Head,
    made: Revision,
    uses: Iterable[Use],
    found: Iterable[dict[str, Any]],
) -> None:
    """Keep a revision with what it rests on and what came out; the site must be locked."""
    connection.execute(
        sa.insert(balance_revisions).values(
            balance_id=head.id,
            revision=made.revision,
            digest=made.digest,
            inputs_digest=made.inputs_digest,
            record=made.record,
            summary=made.summary,
            made_at=made.made_at,
        )
    )
    its = {"balance_id": head.id, "revision": made.revision}
    rows = [
        {**its, "reading_id": u.reading_id, "version": u.version, "position": u.position}
        for u in uses
    ]
    if rows:
        connection.execute(sa.insert(balance_uses), rows)
    told = [{**its, **entry} for entry in found]
    if told:
        connection.execute(sa.insert(balance_readings), told)
    connection.execute(
        sa.update(shift_balances)
        .where(shift_balances.c.id == head.id)
        .values(stale_since=None, problem=None, newest=made.revision)
    )


def set_signed(connection: Connection, head: Head, number: int | None) -> None:
    """Say which revision is signed, or that none is any more."""
    connection.execute(
        sa.update(shift_balances)
        .where(shift_balances.c.id == head.id)
        .values(signed=number, changes=shift_balances.c.changes + 1)
    )


def page_of_revisions(
    connection: Connection, balance_id: UUID, paging: Paging
) -> tuple[list[Revision], Page]:
    """Give a page of the revisions of a balance, without their records."""
    query = sa.select(*_BRIEF, balance_revisions.c.made_at).where(
        balance_revisions.c.balance_id == balance_id
    )
    found = page_of(connection, query, [balance_revisions.c.revision], paging)
    return [Revision(**row._asdict(), record="") for row in found.entries], found


# --- lists ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Filters:
    """Which balances, or which readings of them, are asked for; None for all."""

    since: datetime | None = None
    until: datetime | None = None
    flowsheet: str | None = None
    standing: str | None = None
    stale: bool | None = None
    stream: str | None = None
    knowledge: str | None = None

    def conditions(self) -> Iterator[ColumnElement[bool]]:
        """Give those of balances as conditions of a query."""
        balance = shift_balances.c
        if self.since is not None:
            yield balance.end > self.since
        if self.until is not None:
            yield balance.start < self.until
        if self.flowsheet is not None:
            yield balance.flowsheet == self.flowsheet
        if self.stale is not None:
            yield balance.stale_since.is_not(None) if self.stale else balance.stale_since.is_(None)
        if self.standing is not None:
            yield _STANDS[self.standing]

    def of_readings(self) -> Iterator[ColumnElement[bool]]:
        """Give those of readings."""
        if self.stream is not None:
            yield balance_readings.c.places.contains(f"\n{self.stream}\n", autoescape=True)
        if self.knowledge is not None:
            yield balance_readings.c.knowledge == self.knowledge


_STANDS: dict[str, ColumnElement[bool]] = {
    "none": shift_balances.c.newest == 0,
    "open": sa.and_(shift_balances.c.signed.is_(None), shift_balances.c.newest > 0),
    "signed": shift_balances.c.signed == shift_balances.c.newest,
    "proposed": shift_balances.c.signed < shift_balances.c.newest,
}


def page(
    connection: Connection, site_id: UUID, filters: Filters, paging: Paging
) -> tuple[list[tuple[Head, Revision | None]], Page]:
    """Give a page of balances in the order of their shifts, each with the revision that counts."""
    counts = shift_balances.outerjoin(
        balance_revisions,
        sa.and_(
            balance_revisions.c.balance_id == shift_balances.c.id,
            balance_revisions.c.revision == _SHOWN,
        ),
    )
    query = (
        sa.select(*_HEAD, *_BRIEF, balance_revisions.c.made_at)
        .select_from(counts)
        .where(shift_balances.c.site_id == site_id, *filters.conditions())
    )
    found = page_of(connection, query, [shift_balances.c.start, shift_balances.c.id], paging)
    return [(_head(row), _brief(row)) for row in found.entries], found


def _brief(row: Row[Any]) -> Revision | None:
    if row.digest is None:
        return None
    return Revision(row.revision, row.digest, row.inputs_digest, row.summary, row.made_at, "")


def page_of_readings(
    connection: Connection, site_id: UUID, filters: Filters, paging: Paging
) -> Page:
    """Give a page of the readings of those revisions that count, as reconciled."""
    query = _readings_that_count().where(
        shift_balances.c.site_id == site_id, *filters.conditions(), *filters.of_readings()
    )
    keys = [shift_balances.c.start, shift_balances.c.id, balance_readings.c.position]
    return page_of(connection, query, keys, paging)


def _readings_that_count() -> Select[Any]:
    return sa.select(
        *_HEAD,
        balance_readings.c.position,
        balance_readings.c.revision,
        balance_readings.c.body,
    ).select_from(
        shift_balances.join(
            balance_readings,
            sa.and_(
                balance_readings.c.balance_id == shift_balances.c.id,
                balance_readings.c.revision == _SHOWN,
            ),
        )
    )


@dataclass(frozen=True, slots=True)
class Found:
    """Where a reading stands in a balance that counts; ``body`` is None where it was not used."""

    reading_id: UUID
    version: int
    head: Head
    revision: int
    body: dict[str, Any] | None


def where_used(connection: Connection, site_id: UUID, ids: Iterable[UUID]) -> list[Found]:
    """Give where readings stand in the balances that count, in the order of the shifts."""
    listed = list(ids)
    found: list[Found] = []
    joined = shift_balances.join(
        balance_uses,
        sa.and_(
            balance_uses.c.balance_id == shift_balances.c.id, balance_uses.c.revision == _SHOWN
        ),
    ).outerjoin(
        balance_readings,
        sa.and_(
            balance_readings.c.balance_id == balance_uses.c.balance_id,
            balance_readings.c.revision == balance_uses.c.revision,
            balance_readings.c.position == balance_uses.c.position,
        ),
    )
    for some in (listed[i : i + _AT_ONCE] for i in range(0, len(listed), _AT_ONCE)):
        query = (
            sa.select(
                *_HEAD,
                balance_uses.c.reading_id,
                balance_uses.c.version,
                balance_uses.c.revision,
                balance_readings.c.body,
            )
            .select_from(joined)
            .where(shift_balances.c.site_id == site_id, balance_uses.c.reading_id.in_(some))
            .order_by(shift_balances.c.start, shift_balances.c.id)
        )
        found += [
            Found(row.reading_id, row.version, _head(row), row.revision, row.body)
            for row in _rows(connection, query)
        ]
    return found


# --- what is due ------------------------------------------------------------------------------


def stale(
    connection: Connection, until: datetime, most: int, site_id: UUID | None = None
) -> list[tuple[str, Head]]:
    """Give balances that have been stale since a time, the longest first, with their sites."""
    query = (
        sa.select(sites.c.key, *_HEAD)
        .select_from(shift_balances.join(sites, sites.c.id == shift_balances.c.site_id))
        .where(shift_balances.c.stale_since <= until)
        .order_by(shift_balances.c.stale_since, shift_balances.c.start)
        .limit(most)
    )
    if site_id is not None:
        query = query.where(shift_balances.c.site_id == site_id)
    return [(row.key, _head(row)) for row in _rows(connection, query)]


def _rows(connection: Connection, query: Select[Any]) -> list[Row[Any]]:
    return list(connection.execute(query))


def sites_with_due_spells(connection: Connection) -> list[str]:
    """Give the keys of sites of which shifts have to be looked at."""
    query = sa.select(sites.c.key).join(due_spells, due_spells.c.site_id == sites.c.id)
    return list(connection.scalars(query))


@dataclass(frozen=True, slots=True)
class Spell:
    """From when on shifts of a site have to be looked at, and how many versions told so."""

    since: datetime
    versions: int


def due_since(connection: Connection, site_id: UUID) -> Spell | None:
    """Give from when on shifts of a site have to be looked at; None where they have not."""
    query = sa.select(due_spells.c.since).where(due_spells.c.site_id == site_id)
    since: datetime | None = connection.scalar(query)
    if since is None:
        return None
    count = sa.select(sa.func.count()).where(versions.c.site_id == site_id)
    return Spell(since, connection.scalar(count) or 0)


def forget_due(connection: Connection, site_id: UUID) -> None:
    """Say that the shifts of a site were looked at."""
    connection.execute(sa.delete(due_spells).where(due_spells.c.site_id == site_id))


def time_span(
    connection: Connection, site_id: UUID, since: datetime
) -> tuple[datetime, datetime] | None:
    """Give the times of the first and the last reading since a time."""
    query = sa.select(sa.func.min(readings.c.time), sa.func.max(readings.c.time)).where(
        readings.c.site_id == site_id, readings.c.time >= since
    )
    first, last = connection.execute(query).one()
    return None if first is None else (first, last)


def has_head(connection: Connection, site_id: UUID, due: Due) -> bool:
    """Say whether a balance is there."""
    return find(connection, site_id, due.flowsheet, due.day, due.shift) is not None


def made(
    number: int, record: str, digest: str, inputs_digest: str, summary: dict[str, Any]
) -> Revision:
    """Give a new revision, made now."""
    return Revision(number, digest, inputs_digest, summary, now(), record)
