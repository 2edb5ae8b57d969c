"""What needs a person: signing, unlocking, and decisions about readings; each enters the trail."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from reconcile.faults import Fault
from service.kit.caller import Caller
from service.kit.conditional import Precondition
from service.kit.idempotency import Answer, Attempt
from service.kit.intake import read_request
from service.kit.problems import (
    ALREADY_SIGNED,
    NOT_FOUND,
    NOT_NEWEST_VERSION,
    NOT_SIGNED,
    STALE_REVISION,
    refuse,
    refuse_faulty,
)
from service.kit.records import digest_of
from service.kit.settings import Settings
from service.kit.units import fit
from service.readings import falling_due
from service.readings import repository as readings
from service.readings.repository import Stored
from service.sites import repository as sites
from service.store import Store
from service.store.columns import json_text
from service.store.once import once

from . import repository, trail
from .place import Place
from .repository import Head
from .schemas import DecisionObject, SigningObject, UnlockingObject
from .trail import Act


def etag_of(head: Head) -> str:
    """Give the ETag of a balance: another one whenever anything happened to it."""
    due = "" if head.stale_since is None else "-due"
    return f'"{head.changes}-{head.newest}{due}"'


def head_of(connection: Connection, site_id: UUID, place: Place) -> Head:
    """
    Give a balance.

    Raises
    ------
    RefusalError
        404 where there is none.
    """
    head = repository.find(connection, site_id, place.flowsheet, place.day, place.shift)
    if head is None:
        raise place.absent()
    return head


def _answer(entry: dict[str, Any], headers: dict[str, str]) -> Answer:
    return Answer(201, json_text(entry), headers)


def sign(
    store: Store,
    place: Place,
    expected: Precondition,
    attempt: Attempt,
    body: bytes,
    caller: Caller,
    settings: Settings,
) -> Answer:
    """
    Sign the newest revision of a balance.

    Raises
    ------
    RefusalError
        412 where the balance is not as expected; 409 where something came that the revision does
        not hold, or it is signed already; 422 where the digest is not that of the revision.
    """
    asked = read_request(body, SigningObject, {})

    def run(connection: Connection) -> Answer:
        site = sites.get(connection, place.site, lock=True)
        head = head_of(connection, site.id, place)
        expected.check(etag_of(head))
        _check_signable(connection, head, asked)
        about = {
            "balance": place.address,
            "revision": asked.revision,
            "digest": asked.digest,
            "meaning": asked.meaning,
        }
        act = Act("sign", asked.person, asked.reason, about, caller, balance_id=head.id)
        entry = trail.add(connection, site.id, act)
        repository.set_signed(connection, head, asked.revision)
        return _answer(entry, {"ETag": etag_of(head_of(connection, site.id, place))})

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def _check_signable(connection: Connection, head: Head, asked: SigningObject) -> None:
    if head.signed is not None:
        raise refuse(ALREADY_SIGNED, f"Revision {head.signed} is signed; unlock it first.")
    if head.stale_since is not None:
        raise refuse(STALE_REVISION, "Something came that no revision holds yet.")
    found = repository.revision(connection, head.id, asked.revision)
    if found is None or asked.revision != head.newest:
        raise refuse(STALE_REVISION, f"The newest revision is {head.newest or 'none yet'}.")
    if digest_of(found.record.encode()) != found.digest:
        raise LookupError(f"record {head.id}/{found.revision} is not what its digest was made of")
    if asked.digest != found.digest:
        what = "This is not the digest of the revision."
        mend = f"Look at what you sign; its digest is {found.digest}."
        raise refuse_faulty([Fault(("digest",), "digest-differs", what, mend)])


def unlock(
    store: Store,
    place: Place,
    expected: Precondition,
    attempt: Attempt,
    body: bytes,
    caller: Caller,
    settings: Settings,
) -> Answer:
    """
    Unlock a signed balance; the signature stays in the trail.

    Raises
    ------
    RefusalError
        412 where the balance is not as expected, 409 where that revision is not signed.
    """
    asked = read_request(body, UnlockingObject, {})

    def run(connection: Connection) -> Answer:
        site = sites.get(connection, place.site, lock=True)
        head = head_of(connection, site.id, place)
        expected.check(etag_of(head))
        if head.signed != asked.revision:
            signed = "none" if head.signed is None else f"revision {head.signed}"
            raise refuse(NOT_SIGNED, f"Signed is {signed}, not revision {asked.revision}.")
        about = {"balance": place.address, "revision": asked.revision}
        act = Act("unlock", asked.person, asked.reason, about, caller, balance_id=head.id)
        entry = trail.add(connection, site.id, act)
        repository.set_signed(connection, head, None)
        return _answer(entry, {"ETag": etag_of(head_of(connection, site.id, place))})

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def decide(
    store: Store,
    site_key: str,
    reading: str,
    attempt: Attempt,
    body: bytes,
    caller: Caller,
    settings: Settings,
) -> Answer:
    """
    Take a person's decision about a reading; the balances that it bears on fall due.

    Raises
    ------
    RefusalError
        404 without the reading, 409 where a newer version of it is there, 422 where the decision
        makes no sense.
    """
    asked = read_request(body, DecisionObject, {})

    def run(connection: Connection) -> Answer:
        site = sites.get(connection, site_key, lock=True)
        found = _reading(connection, site.id, reading)
        if found.version != asked.version:
            detail = f"Its newest version is {found.version}, not {asked.version}."
            raise refuse(NOT_NEWEST_VERSION, detail)
        last = trail.last_of_readings(connection, [found.id]).get(found.id)
        faults = [*_faults_of(asked, found), *_faults_of_undoing(asked, last)]
        if faults:
            raise refuse_faulty(faults)
        about = _about(asked, found)
        act = Act(asked.decision, asked.person, asked.reason, about, caller, reading_id=found.id)
        entry = trail.add(connection, site.id, act)
        falling_due.mark(connection, site.id, {found.id})
        return _answer(entry, {})

    return once(store, attempt, timedelta(hours=settings.idempotency_hours), run)


def _reading(connection: Connection, site_id: UUID, reading: str) -> Stored:
    try:
        found = readings.get(connection, site_id, UUID(reading))
    except ValueError:
        found = None
    if found is None:
        raise refuse(NOT_FOUND, "The site has no such reading.")
    return found


def _about(asked: DecisionObject, found: Stored) -> dict[str, Any]:
    parts = ("source", "tag", "sample_point", "analyte", "sample")
    named = {name: getattr(found, name) for name in parts if getattr(found, name)}
    instead = asked.model_dump(mode="json", include={"value", "unit", "sd"})
    return {
        "reading": str(found.id),
        **named,
        "version": found.version,
        **(instead if asked.decision == "override" else {}),
    }


def _faults_of(asked: DecisionObject, found: Stored) -> list[Fault]:
    faults = []
    is_override = asked.decision == "override"
    if is_override and asked.value is None:
        what = "There is no value that is to stand instead."
        faults.append(Fault(("value",), "missing-field", what, "Give it."))
    if not is_override:
        faults += [
            Fault(
                (name,),
                "not-of-this-decision",
                f"'{name}' goes with 'override' only.",
                "Leave it out.",
            )
            for name in ("value", "unit", "sd")
            if getattr(asked, name) is not None
        ]
    mapped = found.mapped_unit
    if is_override and asked.unit is not None and mapped and not fit(asked.unit, mapped):
        what = f"'{asked.unit}' is no unit for what is read in '{mapped}'."
        faults.append(Fault(("unit",), "unit-does-not-fit", what, "Correct the unit."))
    if asked.decision == "use" and found.standing != "out-of-range":
        what = f"The reading is '{found.standing}', not out of range."
        faults.append(
            Fault(("decision",), "nothing-to-use", what, "Only what is out of range needs it.")
        )
    return faults


def _faults_of_undoing(asked: DecisionObject, last: dict[str, Any] | None) -> list[Fault]:
    if asked.decision == "undo" and (last is None or last["kind"] == "undo"):
        what = "No decision about the reading holds."
        return [Fault(("decision",), "nothing-to-undo", what, "Nothing is needed.")]
    return []


def signature_of(connection: Connection, head: Head) -> dict[str, Any] | None:
    """Give the signature that holds, as it is told."""
    entry = None if head.signed is None else trail.last_of_balance(connection, head.id)
    if entry is None:
        return None
    about = entry["about"]
    return {
        "revision": about["revision"],
        "digest": about["digest"],
        "person": entry["person"],
        "key": entry["key"],
        "at": entry["at"],
        "meaning": about["meaning"],
        "reason": entry["reason"],
        "entry": entry["number"],
    }


def document_of(record: str) -> dict[str, Any]:
    """Read a record."""
    found: dict[str, Any] = json.loads(record)
    return found
