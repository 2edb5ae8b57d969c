"""Reading and writing what changes by new versions."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.kit.conditional import Precondition
from service.kit.instants import written
from service.kit.paging import Page, Paging
from service.kit.problems import NOT_FOUND, RefusalError, refuse
from service.sites import repository as sites
from service.store import Store, due
from service.store.columns import json_text

from . import repository
from .repository import Series, Version


@dataclass(frozen=True, slots=True)
class Place:
    """Which series an address names; ``key`` is empty where a site has only one of the kind."""

    site: str
    kind: str
    key: str = ""

    def series(self, site: sites.Site) -> Series:
        """Give the series in the database."""
        return Series(site.id, self.kind, self.key)

    def absent(self, what: str = "") -> RefusalError:
        """Give the refusal for what is not there."""
        named = f"{self.kind} '{self.key[:80]}'" if self.key else self.kind
        return refuse(NOT_FOUND, f"The site has no {named}{what}.")


@dataclass(frozen=True, slots=True)
class Content:
    """What a new version shall hold."""

    valid_from: datetime
    note: str | None
    body: dict[str, Any]
    then: Callable[[Connection, Version], None] | None = field(default=None, compare=False)
    """What else is to be stored with it, in the same transaction."""


Judge = Callable[[Connection, sites.Site], Content]
"""Gives a new version after holding it against the rest of the site, or refuses it."""


def text_of(version: Version) -> str:
    """Give a version as it is told."""
    head = {"key": version.key} if version.key else {}
    return json_text(
        {
            **head,
            "version": version.version,
            "valid_from": written(version.valid_from),
            "valid_until": None if version.valid_until is None else written(version.valid_until),
            "note": version.note,
            "created_at": written(version.created_at),
            **version.body,
        }
    )


def etag_of(version: Version) -> str:
    """Give the ETag of a version as it is told."""
    return f'"{version.version}-{hashlib.sha256(text_of(version).encode()).hexdigest()[:16]}"'


def put(store: Store, place: Place, expected: Precondition, judge: Judge) -> tuple[Version, bool]:
    """
    Add a version, and tell whether it is the first; one like the last is not stored again.

    Raises
    ------
    RefusalError
        404 without the site, 412 where the last version is not the expected one, and whatever
        ``judge`` refuses.
    """
    with store.writing() as connection:
        site = sites.get(connection, place.site, lock=True)
        series = place.series(site)
        present = repository.latest(connection, series)
        expected.check(None if present is None else etag_of(present))
        content = judge(connection, site)
        if present is not None and content == Content(
            present.valid_from, present.note, present.body
        ):
            return present, False
        added = repository.add(connection, series, content.valid_from, content.note, content.body)
        if content.then is not None:
            content.then(connection, added)
        due.mark_since(connection, site.id, added.valid_from)
        return added, present is None


def get(
    store: Store, place: Place, *, number: int | None = None, at: datetime | None = None
) -> Version:
    """
    Give a version: by its number, the one that holds at a time, or the last.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    with store.reading() as connection:
        series = place.series(sites.get(connection, place.site))
        if number is not None:
            found, which = repository.at_number(connection, series, number), f", version {number}"
        elif at is not None:
            found, which = repository.at_time(connection, series, at), f" at {written(at)}"
        else:
            found, which = repository.latest(connection, series), ""
        if found is None:
            raise place.absent(which)
        return found


def listed(store: Store, place: Place, paging: Paging) -> tuple[list[Version], Page]:
    """
    Give a page of all versions.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    with store.reading() as connection:
        series = place.series(sites.get(connection, place.site))
        if repository.latest(connection, series) is None:
            raise place.absent()
        return repository.page(connection, series, paging)


def listed_latest(store: Store, site: str, kind: str, paging: Paging) -> tuple[list[Version], Page]:
    """
    Give a page of the last versions of everything of a kind.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    with store.reading() as connection:
        return repository.page_of_latest(connection, sites.get(connection, site).id, kind, paging)
