"""Keeping tests, correcting and reading them; nothing is calculated in a transaction."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from service.kit.caller import Caller
from service.kit.conditional import Precondition
from service.kit.idempotency import Answer, Attempt
from service.kit.instants import now, written
from service.kit.paging import Page, Paging
from service.kit.problems import NOT_FOUND, RefusalError, refuse
from service.kit.records import digest_of
from service.kit.settings import Settings
from service.shifts import trail
from service.shifts.trail import Act
from service.sites import repository as sites
from service.store import Store
from service.store.columns import json_text
from service.store.once import once

from . import repository
from .changes import difference
from .record import summary_of
from .repository import Head, Revision

TEST_COLUMNS = (
    *("test", "title", "revision", "made_at", "outcome", "p_value", "findings"),
    *("digest", "media_type", "address"),
)
REVISION_COLUMNS = (
    *("revision", "made_at", "person", "reason", "outcome", "p_value", "findings"),
    *("digest", "media_type", "address"),
)


@dataclass(frozen=True, slots=True)
class Came:
    """A sheet as it came, its media type, and the record of what was calculated from it."""

    content: bytes
    media_type: str
    record: bytes


@dataclass(frozen=True, slots=True)
class Correction:
    """Who corrects a test, why, and what the test is expected to be until then."""

    person: str
    reason: str
    caller: Caller
    expected: Precondition


@dataclass(frozen=True, slots=True)
class Place:
    """Which test an address names."""

    site: str
    test: str

    @property
    def address(self) -> str:
        """Where it is."""
        return f"/v1/sites/{self.site}/tests/{self.test}"

    def absent(self) -> RefusalError:
        """Give the refusal for what is not there."""
        return refuse(NOT_FOUND, f"The site has no test '{self.test[:80]}'.")

    def head(self, connection: Connection, site: sites.Site) -> Head:
        """
        Give the test.

        Raises
        ------
        RefusalError
            404 where there is none.
        """
        try:
            found = repository.find(connection, site.id, UUID(self.test))
        except ValueError:
            found = None
        if found is None:
            raise self.absent()
        return found


def etag_of(made: Revision) -> str:
    """Give the ETag of a revision; that of a test is the one of its newest."""
    return f'"{made.revision}-{made.digest[:16]}"'


def check_site(store: Store, site: str) -> None:
    """
    See that a site is there, before anything is calculated for it.

    Raises
    ------
    RefusalError
        404 where it is not.
    """
    with store.reading() as connection:
        sites.get(connection, site)


def keep(store: Store, site: str, attempt: Attempt, came: Came, settings: Settings) -> Answer:
    """
    Keep a new test, and tell where it is.

    Raises
    ------
    RefusalError
        404 without the site; as :func:`~service.store.once.once`.
    """

    def run(connection: Connection) -> Answer:
        its_site = sites.get(connection, site, lock=True)
        record, title = _read(came)
        head = repository.begin(connection, its_site.id, title)
        made = _made(1, came, record, None)
        repository.add(connection, head, made, title)
        return _answer(201, Place(site, str(head.id)), title, made)

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def check_expected(store: Store, place: Place, expected: Precondition) -> None:
    """
    See that a test is as expected, before anything is calculated for it.

    Raises
    ------
    RefusalError
        404 where there is none, 412 where it is otherwise.
    """
    with store.reading() as connection:
        head = place.head(connection, sites.get(connection, place.site))
        expected.check(etag_of(_newest(connection, head)))


def correct(
    store: Store,
    place: Place,
    attempt: Attempt,
    came: Came,
    correction: Correction,
    settings: Settings,
) -> Answer:
    """
    Keep a further revision of a test, and enter it in the trail of the site.

    A sheet that leads to the record of the newest revision makes no further one.

    Raises
    ------
    RefusalError
        404 where there is no such test, 412 where it is not as expected; as
        :func:`~service.store.once.once`.
    """

    def run(connection: Connection) -> Answer:
        site = sites.get(connection, place.site, lock=True)
        head = place.head(connection, site)
        newest = _newest(connection, head)
        correction.expected.check(etag_of(newest))
        record, title = _read(came)
        if digest_of(came.record) == newest.digest:
            return _answer(200, place, head.title, newest)
        made = _made(head.newest + 1, came, record, correction)
        repository.add(connection, head, made, title)
        about = {"test": place.address, "revision": made.revision, "digest": made.digest}
        act = Act("correct", correction.person, correction.reason, about, correction.caller)
        trail.add(connection, site.id, act)
        return _answer(201, place, title, made)

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def _read(came: Came) -> tuple[dict[str, Any], str | None]:
    record: dict[str, Any] = json.loads(came.record)
    return record, record["sheet"]["document"].get("title")


def _made(
    number: int, came: Came, record: dict[str, Any], correction: Correction | None
) -> Revision:
    return Revision(
        revision=number,
        digest=digest_of(came.record),
        media_type=came.media_type,
        summary=summary_of(record),
        person=None if correction is None else correction.person,
        reason=None if correction is None else correction.reason,
        made_at=now(),
        record=came.record.decode(),
        sheet=came.content,
    )


def _newest(connection: Connection, head: Head) -> Revision:
    found = repository.revision(connection, head.id, head.newest)
    if found is None:
        raise LookupError(f"test {head.id} has no revision {head.newest}")
    return found


def _answer(status: int, place: Place, title: str | None, made: Revision) -> Answer:
    headers = {"ETag": etag_of(made), "Location": place.address}
    return Answer(status, json_text(_listed(place, title, made)), headers)


def _listed(place: Place, title: str | None, made: Revision) -> dict[str, Any]:
    """Give what a list tells of a revision, with the address of its test."""
    return {
        "site": place.site,
        "test": place.test,
        "title": title,
        "revision": made.revision,
        "digest": made.digest,
        "media_type": made.media_type,
        "person": made.person,
        "reason": made.reason,
        "made_at": written(made.made_at),
        **{name: made.summary[name] for name in ("outcome", "p_value", "findings")},
        "address": place.address,
    }


# --- reading -------------------------------------------------------------------------------------


def _found(
    store: Store, place: Place, number: int | None, *, record: bool = False, sheet: bool = False
) -> tuple[Head, Revision]:
    with store.reading() as connection:
        head = place.head(connection, sites.get(connection, place.site))
        wanted = head.newest if number is None else number
        found = repository.revision(connection, head.id, wanted, record=record, sheet=sheet)
    if found is None:
        raise refuse(NOT_FOUND, f"The test has no revision {number}.")
    return head, found


def told(store: Store, place: Place, number: int | None = None) -> tuple[dict[str, Any], str]:
    """
    Give a test by its newest revision, or by another, and the ETag.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    head, found = _found(store, place, number, record=True)
    record = json.loads(found.record)
    listed = _listed(place, record["sheet"]["document"].get("title"), found)
    kept = {name: listed[name] for name in listed if name not in found.summary}
    reply = kept | {
        "newest": head.newest,
        "engine": record["engine"],
        "sheet": record["sheet"]["document"],
        "balance": record["result"],
    }
    return reply, etag_of(found)


def record(store: Store, place: Place, number: int | None) -> Revision:
    """
    Give a revision with its record.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    return _found(store, place, number, record=True)[1]


def sheet(store: Store, place: Place, number: int | None) -> Revision:
    """
    Give a revision with its sheet as it came, byte by byte.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    return _found(store, place, number, sheet=True)[1]


def listed(store: Store, site: str, paging: Paging) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the tests of a site.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        found, page = repository.page(connection, sites.get(connection, site).id, paging)
    return [_listed(Place(site, str(head.id)), head.title, made) for head, made in found], page


def revisions(store: Store, place: Place, paging: Paging) -> tuple[list[dict[str, Any]], Page]:
    """
    Give a page of the revisions of a test.

    Raises
    ------
    RefusalError
        404 where there is no such test.
    """
    with store.reading() as connection:
        head = place.head(connection, sites.get(connection, place.site))
        found, page = repository.page_of_revisions(connection, head.id, paging)
    entries = [_listed(place, head.title, made) for made in found]
    return [e | {"address": f"{e['address']}/revisions/{e['revision']}"} for e in entries], page


def changes(store: Store, place: Place, number: int, since: int | None) -> dict[str, Any]:
    """
    Give what a revision has otherwise than an earlier one, the one before if none is named.

    Raises
    ------
    RefusalError
        404 where one of the two is not there.
    """
    earlier = number - 1 if since is None else since
    before, after = (_found(store, place, n, record=True)[1] for n in (earlier, number))
    return difference(earlier, json.loads(before.record), number, json.loads(after.record))
