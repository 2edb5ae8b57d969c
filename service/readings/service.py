"""Posting and reading readings."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row

from reconcile.faults import Fault
from service.kit.body import Sent
from service.kit.idempotency import Answer, Attempt
from service.kit.instants import written
from service.kit.paging import Page, Paging
from service.kit.problems import NOT_FOUND, refuse, refuse_faulty
from service.kit.settings import Settings
from service.sites import repository as sites
from service.store import Store
from service.store.once import once

from . import falling_due, repository
from .formats import lines_of
from .posting import Judged, judged, reply_of, take
from .repository import Filters, Stored

COLUMNS = (
    *("id", "source", "tag", "sample_point", "analyte", "sample", "time", "version", "status"),
    *("value", "replicates", "below", "above", "result", "unit", "sd", "relative_sd", "step"),
    *("composite", "note", "received_at", "standing", "mapping_version", "mapped_unit"),
)
"""The columns of readings as a table."""

PARKED_COLUMNS = ("tag", "sample_point", "analyte", "count", "first", "last")
"""The columns of parked tags as a table."""


def post(
    store: Store,
    site: str,
    attempt: Attempt,
    batch: Sent,
    source: str | None,
    settings: Settings,
) -> Answer:
    """
    Take a batch of readings, every line for itself.

    Raises
    ------
    RefusalError
        where the batch cannot be taken apart, no line of it could be stored, the site is not
        there, or the key of the attempt is in use or was used for something else.
    """
    lines = [judged(line, source) for line in lines_of(batch, settings.reading_limit)]

    def run(connection: Connection) -> Answer:
        of = sites.get(connection, site, lock=True)
        take(connection, of, lines)
        changed = {one.reading_id for one in lines if one.outcome == "accepted"}
        falling_due.mark(connection, of.id, {i for i in changed if i is not None})
        if all(one.outcome == "rejected" for one in lines):
            raise refuse_faulty(_faults_by_line(lines))
        return Answer(200, reply_of(connection, lines).model_dump_json())

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def _faults_by_line(lines: list[Judged]) -> list[Fault]:
    """Give all faults, those of lines without a pointer of their own with the line's number."""
    return [
        f if one.line.where else Fault(f.where, f.code, f"Line {one.line.number}: {f.what}", f.mend)
        for one in lines
        for f in one.faults
    ]


def told(reading: Stored) -> dict[str, Any]:
    """Give a reading as it is told."""
    parts = ("tag", "sample_point", "analyte", "sample")
    named = {name: getattr(reading, name) for name in parts if getattr(reading, name)}
    return {
        "id": str(reading.id),
        "source": reading.source,
        **named,
        "time": written(reading.time),
        "version": reading.version,
        **({"value": None} if reading.is_withdrawn else {}),
        **reading.body,
        "received_at": written(reading.received_at),
        "standing": reading.standing,
        "mapping_version": reading.mapping_version,
        "mapped_unit": reading.mapped_unit,
    }


def listed(
    store: Store, site: str, filters: Filters, paging: Paging
) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of readings as they are told.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        found, page = repository.page(connection, sites.get(connection, site).id, filters, paging)
    return [told(reading) for reading in found], page


def history(store: Store, site: str, reading: str) -> dict[str, Any]:
    """
    Give a reading with all its versions.

    Raises
    ------
    RefusalError
        404 where the site has no such reading.
    """
    absent = refuse(NOT_FOUND, "The site has no such reading.")
    try:
        reading_id = UUID(reading)
    except ValueError:
        raise absent from None
    with store.reading() as connection:
        found = repository.get(connection, sites.get(connection, site).id, reading_id)
        if found is None:
            raise absent
        versions = repository.history(connection, reading_id)
    return {
        "reading": told(found),
        "versions": [
            {
                "version": row.version,
                **({"value": None} if row.is_withdrawn else {}),
                **row.body,
                "received_at": written(row.received_at),
            }
            for row in versions
        ],
    }


def parked(store: Store, site: str, paging: Paging) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the tags that no mapping knows.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        page = repository.page_of_parked(connection, sites.get(connection, site).id, paging)
    return [parked_told(row) for row in page.entries], page


def parked_told(row: Row[Any]) -> dict[str, Any]:
    """Give a parked tag as it is told."""
    parts = ("tag", "sample_point", "analyte")
    return {
        **{name: getattr(row, name) for name in parts if getattr(row, name)},
        "count": row.count,
        "first": written(row.first),
        "last": written(row.last),
    }
