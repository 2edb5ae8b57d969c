"""Reading and writing tag mappings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from sqlalchemy import Connection

from reconcile.faults import Fault
from service.flowsheets.service import KIND as FLOWSHEET
from service.kit.conditional import Precondition
from service.kit.intake import document_of, fitted, order
from service.kit.problems import refuse_faulty
from service.kit.settings import Settings
from service.sites import repository as sites
from service.store import Store
from service.versions import repository as versions
from service.versions import service as versioned
from service.versions.repository import Series, Version
from service.versions.service import Content, Place

from . import repository
from .judge import Judged, judge
from .repository import Mapped
from .schemas import MOST_ENTRIES, MappingEntry, MappingVersion

KIND = "mapping"

_NEEDED = ("valid_from", "flowsheet")


def put(
    store: Store,
    place: Place,
    expected: Precondition,
    body: bytes,
    settings: Settings,  # noqa: ARG001 - other resources have limits of their own
) -> tuple[Version, bool]:
    """
    Store a new version of the mapping, and tell whether it is the first.

    Readings that were parked for want of it are taken up with it.

    Raises
    ------
    RefusalError
        for a faulty request, without the site, or where the last version is not the expected one.
    """
    document = document_of(body)
    head, entries, faults = _parts(document.value)
    if document.ended_early:
        raise refuse_faulty(document.faults)
    places = {fault.where for fault in document.faults}
    faults = [*document.faults, *(f for f in faults if f.where not in places)]

    def judged(connection: Connection, site: sites.Site) -> Content:
        found = Judged() if head is None else _judged(connection, site, head, entries)
        if head is None or faults or found.faults:
            raise refuse_faulty(sorted([*faults, *found.faults], key=order))
        return _content(head, entries, found)

    return versioned.put(store, place, expected, judged)


def _parts(document: Any) -> tuple[MappingVersion | None, dict[int, MappingEntry], list[Fault]]:  # noqa: ANN401
    """Give the request without its entries, the entries that can be read, and what is wrong."""
    listed = document.get("entries") if isinstance(document, dict) else None
    if not isinstance(listed, list) or len(listed) > MOST_ENTRIES:
        head, faults = fitted(document, MappingVersion, {})
        return head, {}, faults
    head, faults = fitted(document | {"entries": []}, MappingVersion, {})
    if head is None:
        # What cannot be read elsewhere does not keep the entries from being judged.
        bare = {name: document[name] for name in _NEEDED if name in document}
        head, _ = fitted(bare | {"entries": []}, MappingVersion, {})
    entries = {}
    for i, given in enumerate(listed):
        entry, wrong = fitted(given, MappingEntry, {})
        if entry is not None:
            entries[i] = entry
        faults += [Fault(("entries", i, *f.where), f.code, f.what, f.mend) for f in wrong]
    return head, entries, faults


def _judged(
    connection: Connection,
    site: sites.Site,
    head: MappingVersion,
    entries: Mapping[int, MappingEntry],
) -> Judged:
    @cache
    def flowsheet_at(key: str) -> Version | None:
        return versions.at_time(connection, Series(site.id, FLOWSHEET, key), head.valid_from)

    return judge(entries, head.flowsheet, flowsheet_at)


def _content(head: MappingVersion, entries: Mapping[int, MappingEntry], found: Judged) -> Content:
    whole = head.model_copy(update={"entries": list(entries.values())})
    held = whole.model_dump(
        mode="json", by_alias=True, exclude_unset=True, exclude={"valid_from", "note"}
    )
    mapped = [Mapped(i, entry, found.units[i]) for i, entry in entries.items()]
    return Content(
        head.valid_from,
        head.note,
        held,
        then=lambda connection, version: repository.keep(connection, version, mapped),
    )
