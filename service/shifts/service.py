"""Reading balances of shifts, their revisions, and lists of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection

from service.kit.instants import written
from service.kit.paging import Page, Paging
from service.kit.problems import KINDS, NOT_FOUND, Problem, RefusalError, refuse
from service.readings import repository as readings
from service.readings.service import parked_told
from service.sites import repository as sites
from service.store import Store

from . import repository, trail
from .decisions import document_of, etag_of, head_of, signature_of
from .differences import difference
from .place import Place
from .repository import Filters, Head, Revision

BALANCE_COLUMNS = (
    *("flowsheet", "day", "shift", "start", "end", "standing", "stale", "revision", "newest"),
    *("digest", "p_value", "findings", "used", "not_used", "problem", "address"),
)
READING_COLUMNS = (
    *("flowsheet", "shift", "revision", "streams", "stock", "of", "unit", "value", "limit", "sd"),
    *("reconciled", "reconciled_sd", "adjustment", "standardised", "class", "left_out"),
    *("statement", "sources"),
)
REVISION_COLUMNS = ("revision", "standing", "digest", "made_at", "summary", "address")
TRAIL_COLUMNS = ("number", "at", "kind", "person", "key", "reason", "about", "before", "digest")

MOST_PARKED = 100
"""Parked tags told with a balance; ``/parked-tags`` lists all of a site."""

_OF_RECORD = ("versions", "engine", "shifts", "readings")


def balance(store: Store, place: Place, number: int | None = None) -> tuple[dict[str, Any], str]:
    """
    Give a balance by the revision that counts, or by another, and its ETag.

    Raises
    ------
    RefusalError
        404 where there is no such balance or revision.
    """
    with store.reading() as connection:
        head = head_of(connection, sites.get(connection, place.site).id, place)
        wanted = head.shown if number is None else number
        found = repository.revision(connection, head.id, wanted)
        if found is None and number is not None:
            raise _no_revision(number)
        signature = signature_of(connection, head)
        parked = readings.parked_within(connection, head.site_id, head.start, head.end, MOST_PARKED)
    standing = head.standing if number is None else head.standing_of(number)
    told = _told(place, head, found, standing, signature)
    return told | {"parked": [parked_told(row) for row in parked]}, etag_of(head)


def _no_revision(number: int) -> RefusalError:
    return refuse(NOT_FOUND, f"The balance has no revision {number}.")


def _told(
    place: Place,
    head: Head,
    found: Revision | None,
    standing: str,
    signature: dict[str, Any] | None,
) -> dict[str, Any]:
    record = {} if found is None else document_of(found.record)
    shift = {
        "key": f"{head.day.isoformat()}/{head.shift}",
        "start": written(head.start),
        "end": written(head.end),
    }
    kept = head.problem or {}
    problem = {n: kept.get(n, []) for n in ("type", "detail", "faults")} if kept else None
    return {
        "site": place.site,
        "flowsheet": head.flowsheet,
        "shift": record.get("shift", shift),
        "standing": standing,
        "stale": head.stale_since is not None,
        "revision": None if found is None else found.revision,
        "newest": head.newest or None,
        "digest": None if found is None else found.digest,
        "made_at": None if found is None else written(found.made_at),
        "versions": None,
        "engine": None,
        "shifts": [],
        "readings": [],
        **{name: record[name] for name in _OF_RECORD if name in record},
        "signature": signature,
        "problem": problem,
        "balance": record.get("result"),
    }


def refuse_unbalanced(store: Store, place: Place) -> None:
    """
    Refuse where the last calculation gave no balance, as it did when it was made.

    Raises
    ------
    RefusalError
        the problem of that calculation.
    """
    with store.reading() as connection:
        head = head_of(connection, sites.get(connection, place.site).id, place)
    if head.problem is not None and head.stale_since is None:
        problem = Problem.model_validate(head.problem)
        raise RefusalError(KINDS[problem.type.rpartition("/")[2]], problem)


def record(store: Store, place: Place, number: int) -> tuple[str, str]:
    """
    Give the record of a revision as it is kept, and its digest.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    with store.reading() as connection:
        found = _revision(connection, place, number)
    return found.record, found.digest


def _revision(connection: Connection, place: Place, number: int) -> Revision:
    head = head_of(connection, sites.get(connection, place.site).id, place)
    found = repository.revision(connection, head.id, number)
    if found is None:
        raise _no_revision(number)
    return found


def changes(store: Store, place: Place, number: int, since: int | None) -> dict[str, Any]:
    """
    Give what a revision has otherwise than an earlier one, the one before if none is named.

    Raises
    ------
    RefusalError
        404 where one of the two is not there.
    """
    earlier = number - 1 if since is None else since
    with store.reading() as connection:
        before, after = (_revision(connection, place, n) for n in (earlier, number))
    return difference(earlier, document_of(before.record), number, document_of(after.record))


def revisions(store: Store, place: Place, paging: Paging) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the revisions of a balance.

    Raises
    ------
    RefusalError
        404 where there is no such balance.
    """
    with store.reading() as connection:
        head = head_of(connection, sites.get(connection, place.site).id, place)
        found, page = repository.page_of_revisions(connection, head.id, paging)
    told = [
        {
            "revision": one.revision,
            "standing": head.standing_of(one.revision),
            "digest": one.digest,
            "made_at": written(one.made_at),
            "summary": one.summary,
            "address": f"{place.address}/revisions/{one.revision}",
        }
        for one in found
    ]
    return told, page


def balances(
    store: Store, site: str, filters: Filters, paging: Paging
) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the balances of a site.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        found, page = repository.page(connection, sites.get(connection, site).id, filters, paging)
    return [_listed(site, head, one) for head, one in found], page


def _listed(site: str, head: Head, found: Revision | None) -> dict[str, Any]:
    summary = {} if found is None else found.summary
    return {
        "flowsheet": head.flowsheet,
        "day": head.day.isoformat(),
        "shift": head.shift,
        "start": written(head.start),
        "end": written(head.end),
        "standing": head.standing,
        "stale": head.stale_since is not None,
        "revision": None if found is None else found.revision,
        "newest": head.newest or None,
        "digest": None if found is None else found.digest,
        "p_value": summary.get("p_value"),
        "findings": summary.get("findings", []),
        "used": summary.get("used"),
        "not_used": summary.get("not_used"),
        "problem": None if head.problem is None else head.problem["detail"],
        "address": Place(site, head.flowsheet, head.day, head.shift).address,
    }


def reconciled(
    store: Store, site: str, filters: Filters, paging: Paging
) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of readings as they came out of the balances that count.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        page = repository.page_of_readings(
            connection, sites.get(connection, site).id, filters, paging
        )
    return [_reading_told(row) for row in page.entries], page


def _reading_told(row: Any) -> dict[str, Any]:  # noqa: ANN401 - a row
    body = row.body
    own = {
        "flowsheet": row.flowsheet,
        "shift": f"{row.day.isoformat()}/{row.shift}",
        "revision": row.revision,
        "statement": (body["test"] or {}).get("statement"),
    }
    return {name: own[name] if name in own else body[name] for name in READING_COLUMNS}


def trail_of(store: Store, site: str, paging: Paging) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the trail of a site.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        return trail.page(connection, sites.get(connection, site).id, paging)


def whole_trail(store: Store, site: str) -> Iterator[dict[str, Any]]:
    """
    Give every entry of the trail of a site, in order.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    paging = Paging()
    while True:
        found, page = trail_of(store, site, paging)
        yield from found
        if page.next_after is None:
            return
        paging = Paging(after=page.next_after)


def broken_links(store: Store, site: str) -> list[str]:
    """
    Say where the chain of the trail is broken; nothing where it is whole.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        return list(trail.breaks(connection, sites.get(connection, site).id))
