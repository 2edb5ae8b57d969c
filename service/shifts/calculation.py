"""From readings that came to a revision that holds them; nothing is calculated in a transaction."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from service.calendars.service import calendar_of
from service.flowsheets.service import KIND as FLOWSHEET
from service.kit.instants import now
from service.kit.problems import (
    CONTRADICTORY,
    INVALID_REQUEST,
    NOT_CONVERGED,
    NOT_FOUND,
    OVER_BUDGET,
    Problem,
    RefusalError,
    refuse,
)
from service.kit.records import canonical, digest_of
from service.kit.settings import Settings
from service.kit.strict_json import pointer
from service.mappings.service import KIND as MAPPING
from service.readings.by_shift import of_shift
from service.sites import repository as sites
from service.store import Store, due
from service.store.columns import json_text
from service.store.due import Due
from service.versions import repository as versions
from service.versions.repository import Series

from . import repository
from .inputs import Inputs, flowsheet_at, gather
from .place import Place
from .record import recorded
from .repository import Head, Use

LASTING = frozenset({INVALID_REQUEST, CONTRADICTORY, NOT_CONVERGED, OVER_BUDGET})
"""Ends without a balance that a further attempt with the same readings would meet again."""

_TESTED = (
    *("size", "sd", "unit", "statistic", "p_value", "adjusted"),
    *("statement", "probability"),
)

MOST_AT_ONCE = 100_000
"""Balances that a command takes up: a century of shifts."""

MOST_ATTEMPTS = 4
"""Attempts at a revision while readings keep coming; the next round takes up what is left."""


@dataclass(frozen=True)
class Task:
    """A balance to be calculated: its state when it was looked at, and what it then rested on."""

    place: Place
    head: Head
    inputs: Inputs
    inputs_digest: str

    @property
    def body(self) -> bytes:
        """What is calculated, as it goes to where that is done."""
        return json_text(self.inputs.document).encode()


def prepared(store: Store, place: Place, settings: Settings) -> Task | None:
    """
    Give what has to be calculated; None where the balance holds everything already.

    Raises
    ------
    RefusalError
        404 without the site, the flowsheet or the shift, or where nothing was read of it.
    """
    task = _looked_at(store, place, settings)
    if task is not None and _is_known(store, task):
        return None
    return task


def _looked_at(store: Store, place: Place, settings: Settings) -> Task | None:
    with store.reading() as connection:
        site = sites.get(connection, place.site)
        head = repository.find(connection, site.id, place.flowsheet, place.day, place.shift)
        if head is not None and head.stale_since is None and head.problem is None:
            return None
        inputs = _gathered(connection, site, place, settings)
    if head is None:
        head = _made(store, place, inputs)
    return Task(place, head, inputs, digest_of(canonical(inputs.document)))


def _gathered(connection: Connection, site: sites.Site, place: Place, settings: Settings) -> Inputs:
    shift = calendar_of(connection, site.id).shift(place.day, place.shift)
    if shift is None:
        raise refuse(NOT_FOUND, f"The calendar has no shift {place.day.isoformat()}/{place.shift}.")
    flowsheet = flowsheet_at(connection, site.id, place.flowsheet, shift)
    if flowsheet is None:
        raise refuse(NOT_FOUND, f"No {FLOWSHEET} '{place.flowsheet}' holds when the shift begins.")
    return gather(connection, (site.id, site.key), flowsheet, shift, settings)


def _made(store: Store, place: Place, inputs: Inputs) -> Head:
    """Make a balance of which nothing was marked: asked for before anything was read."""
    if not inputs.document["request"]["readings"]:
        raise refuse(NOT_FOUND, "Nothing was read of this shift.")
    with store.writing() as connection:
        site = sites.get(connection, place.site, lock=True)
        found = calendar_of(connection, site.id).shift(place.day, place.shift)
        if found is not None:
            named = Due(place.flowsheet, found.day, found.name, found.start, found.end)
            due.mark(connection, site.id, [named])
        head = repository.find(connection, site.id, place.flowsheet, place.day, place.shift)
    if head is None:
        raise place.absent()
    return head


def _is_known(store: Store, task: Task) -> bool:
    """Say whether the newest revision was made of just this, and if so that nothing is due."""
    with store.reading() as connection:
        newest = repository.revision(connection, task.head.id, task.head.newest, whole=False)
    if newest is None or newest.inputs_digest != task.inputs_digest:
        return False
    return _settled(store, task.place, task.head, None)


def _settled(store: Store, place: Place, seen: Head, problem: Problem | None) -> bool:
    """Say that nothing is due any more, unless something came meanwhile."""
    told = None if problem is None else problem.model_dump(mode="json", exclude_none=True)
    with store.writing() as connection:
        sites.get(connection, place.site, lock=True)
        head = _now(connection, seen)
        if head.changes != seen.changes:
            return False
        repository.settle(connection, head, told)
    return True


def give_up(store: Store, place: Place, seen: Head, problem: Problem) -> None:
    """Keep why there is no balance, and let it rest until something comes."""
    _settled(store, place, seen, problem)


def _now(connection: Connection, at: Head) -> Head:
    head = repository.find(connection, at.site_id, at.flowsheet, at.day, at.shift)
    if head is None:
        raise LookupError(f"balance {at.id} is gone")
    return head


def failed(store: Store, task: Task, refusal: RefusalError) -> None:
    """Keep why there is no balance, if that would be so at the next attempt too."""
    if refusal.kind in LASTING:
        give_up(store, task.place, task.head, refusal.problem)


def kept(store: Store, task: Task, record: bytes) -> bool:
    """Keep a revision; False where something came meanwhile, and nothing was kept."""
    document: dict[str, Any] = json.loads(record)
    found = list(_found(document))
    with store.writing() as connection:
        sites.get(connection, task.place.site, lock=True)
        head = _now(connection, task.head)
        if head.changes != task.head.changes or head.newest != task.head.newest:
            return False
        made = repository.made(
            head.newest + 1,
            record.decode(),
            digest_of(record),
            task.inputs_digest,
            summary_of(document),
        )
        uses = [Use(n.reading.id, n.reading.version, n.position) for n in task.inputs.noted]
        repository.add(connection, head, made, uses, found)
    return True


def summary_of(record: dict[str, Any]) -> dict[str, Any]:
    """Give what a list tells of a revision."""
    result = record["result"]
    test, evidence = result["test"] or {}, result["evidence"] or {}
    return {
        "outcome": result["outcome"],
        "statistic": test.get("statistic"),
        "degrees_of_freedom": test.get("degrees_of_freedom"),
        "p_value": test.get("p_value"),
        "findings": [finding["statement"] for finding in evidence.get("findings", [])],
        "used": sum(r["why"] is None for r in record["readings"]),
        "not_used": sum(r["why"] is not None for r in record["readings"]),
        "engine": record["engine"]["evenlode"],
    }


def _found(record: dict[str, Any]) -> list[dict[str, Any]]:
    """Give the readings of the shift itself as reconciled, with what they were read as."""
    own, result = record["shift"]["key"], record["result"]
    sources: dict[str, list[dict[str, Any]]] = {}
    for reading in record["readings"]:
        if reading["as"] is not None:
            named = ("source", "tag", "sample_point", "analyte", "sample", "time", "version")
            told = {name: reading[name] for name in named if name in reading}
            sources.setdefault(reading["as"], []).append(told)
    tests = _tests(result)
    places = {pointer(("readings", i)): i for i in range(len(record["request"]["readings"]))}
    return [
        {
            "position": places[one["pointer"]],
            "places": "\n".join(
                ["", *one["streams"], *([one["stock"]] if one["stock"] else []), ""]
            ),
            "knowledge": one["class"],
            "body": {**one, "test": tests.get(one["pointer"]), "sources": sources[one["pointer"]]},
        }
        for one in result["readings"]
        if not one["periods"] or own in one["periods"]
    ]


def _tests(result: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Give the tests of single readings by their pointers, and what is said of each."""
    evidence = result["evidence"] or {}
    found: dict[str, dict[str, Any]] = {}
    for test in (evidence.get("readings") or {}).get("tests", []):
        (at,) = test["suspect"]["readings"][:1]
        found[at] = dict.fromkeys(_TESTED) | {n: test[n] for n in _TESTED if n in test}
    for finding in evidence.get("findings", []):
        for explanation in finding["explanations"]:
            for at in explanation["suspect"]["readings"]:
                known = found.setdefault(at, dict.fromkeys(_TESTED))
                if (known.get("probability") or 0.0) < explanation["probability"]:
                    known["statement"] = explanation["statement"]
                    known["probability"] = explanation["probability"]
    return found


def brought_up(store: Store, place: Place, settings: Settings) -> None:
    """
    Bring a balance up to what was read, in this process.

    Raises
    ------
    RefusalError
        where there is no such balance, or none can be made.
    """
    for _ in range(MOST_ATTEMPTS):
        task = prepared(store, place, settings)
        if task is None:
            return
        try:
            record = recorded(task.body, settings)
        except RefusalError as refusal:
            failed(store, task, refusal)
            raise
        if kept(store, task, record):
            return


def take_up(store: Store, site_key: str) -> None:
    """
    Mark the shifts that a new flowsheet, mapping or calendar may have given readings.

    They are looked for without holding up who writes; what is written meanwhile marks its own, and
    another new version has them looked for again.
    """
    with store.reading() as connection:
        site = sites.get(connection, site_key)
        seen = repository.due_since(connection, site.id)
        if seen is None:
            return
        overlooked = _overlooked(connection, site.id, seen.since)
    with store.writing() as connection:
        sites.get(connection, site_key, lock=True)
        due.mark(connection, site.id, overlooked)
        if repository.due_since(connection, site.id) == seen:
            repository.forget_due(connection, site.id)


def _overlooked(connection: Connection, site_id: UUID, since: datetime) -> list[Due]:
    """Give the shifts with readings that have no balance yet."""
    span = repository.time_span(connection, site_id, since)
    calendar = calendar_of(connection, site_id)
    mapping = versions.in_order_of_time(connection, Series(site_id, MAPPING, ""))
    if span is None or not calendar.spells or not mapping:
        return []
    found = []
    for shift in calendar.between(max(since, span[0] - due.REACH), span[1] + due.LEAST):
        ones = of_shift(connection, site_id, calendar, shift)
        for flowsheet in dict.fromkeys(one.flowsheet for one in ones):
            new = Due(flowsheet, shift.day, shift.name, shift.start, shift.end)
            if not repository.has_head(connection, site_id, new):
                found.append(new)
    return found


def all_brought_up(
    store: Store, site_key: str, settings: Settings
) -> Iterator[tuple[str, str | None]]:
    """
    Bring every balance of a site up to what was read, in this process.

    Gives the address of each, and why there is no balance where there is none.

    Raises
    ------
    RefusalError
        404 without the site.
    """
    take_up(store, site_key)
    with store.reading() as connection:
        site = sites.get(connection, site_key)
        found = repository.stale(connection, now(), MOST_AT_ONCE, site.id)
    for key, head in found:
        place = Place(key, head.flowsheet, head.day, head.shift)
        try:
            brought_up(store, place, settings)
        except RefusalError as refusal:
            yield place.address, refusal.problem.detail
        else:
            yield place.address, None
