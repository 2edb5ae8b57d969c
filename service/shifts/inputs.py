"""What the balance of a shift is calculated from: readings, versions, decisions, settings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from service.balances.terms.results import FORMS
from service.calendars.service import calendar_of
from service.calendars.shifts import Calendar, Shift
from service.flowsheets.service import KIND as FLOWSHEET
from service.kit.instants import written
from service.kit.settings import Settings
from service.kit.strict_json import pointer
from service.kit.units import fit
from service.readings.by_shift import OfShift, of_shift
from service.readings.repository import Stored
from service.store.columns import json_text
from service.versions import repository as versions
from service.versions.repository import Series, Version

from . import trail
from .combining import STATUSES, lacks_error, reading_of, result_of

MOST_TOGETHER = 93
"""Most shifts that a composite may join in one balance: a month of three a day."""

_IDENTITY = ("source", "tag", "sample_point", "analyte", "sample")
_NOT_USED = {
    "withdrawn": "It was withdrawn.",
    "unfit": "Its unit is not one that its tag can have.",
    "out-of-range": "It lies outside of the valid range of its tag.",
}


@dataclass
class Noted:
    """A reading with its place in the request, or why it has none there."""

    reading: Stored
    shifts: tuple[Shift, ...]
    decision: dict[str, Any] | None = None
    lapsed: bool = False
    position: int | None = None
    why: str | None = None

    def told(self) -> dict[str, Any]:
        """Give it as the record tells it: by its natural identity, so that order cannot matter."""
        reading = self.reading
        named = {name: getattr(reading, name) for name in _IDENTITY if getattr(reading, name)}
        at = None if self.position is None else pointer(("readings", self.position))
        return {
            **named,
            "time": written(reading.time),
            "version": reading.version,
            "result": reading.body,
            "standing": reading.standing,
            "shifts": [shift.key for shift in self.shifts],
            "as": at,
            "why": self.why,
            "decision": self.decision,
            "lapsed": self.lapsed,
        }


@dataclass(frozen=True)
class Inputs:
    """Everything that a balance is calculated from, and the readings that it rests on."""

    document: dict[str, Any]
    noted: list[Noted] = field(repr=False)


def order_of(reading: Stored) -> tuple[object, ...]:
    """Give the key by which readings stand in an order of their own."""
    return (reading.time, *(getattr(reading, name) for name in _IDENTITY))


class _Gathering:
    """The readings of some shifts on their way into one request."""

    def __init__(self, connection: Connection, site_id: UUID, flowsheet: str) -> None:
        self._connection = connection
        self._site_id = site_id
        self._flowsheet = flowsheet
        self.calendar: Calendar = calendar_of(connection, site_id)
        self.noted: dict[UUID, Noted] = {}
        self.requests: list[dict[str, Any]] = []
        self.mapping_versions: set[int] = set()

    def of(self, shift: Shift) -> list[OfShift]:
        """Give the mapped readings of a shift in an order of their own."""
        found = of_shift(self._connection, self._site_id, self.calendar, shift)
        ours = [one for one in found if one.flowsheet == self._flowsheet]
        return sorted(ours, key=lambda one: order_of(one.reading))

    def note(self, ones: list[OfShift]) -> None:
        """Take note of readings, of the decisions about them, and of why some cannot be used."""
        new = {one.reading.id: one for one in ones if one.reading.id not in self.noted}
        decided = trail.last_of_readings(self._connection, new)
        for reading_id, one in new.items():
            noted = Noted(one.reading, one.shifts)
            entry = decided.get(reading_id)
            if entry is not None and entry["kind"] != "undo":
                noted.decision = _decision(entry)
                noted.lapsed = entry["about"]["version"] != one.reading.version
            noted.why = _why_not(noted)
            self.noted[reading_id] = noted
            self.mapping_versions.add(one.reading.mapping_version or 0)

    def add(self, ones: list[OfShift], hours: float, place: dict[str, Any]) -> None:
        """Make readings of what was read of the same things, one of each."""
        by_target: dict[str, dict[tuple[str, ...], list[OfShift]]] = {}
        for one in ones:
            of = one.entry.reading.model_dump(include={"stream", "stock", "of"}, mode="json")
            channel = (one.reading.tag, one.reading.sample_point, one.reading.analyte)
            by_target.setdefault(json_text(of), {}).setdefault(channel, []).append(one)
        for channels in sorted(by_target.values(), key=_first_position):
            self._add_target(sorted(channels.values(), key=_position), hours, place)

    def _add_target(
        self, channels: list[list[OfShift]], hours: float, place: dict[str, Any]
    ) -> None:
        """Use the first instrument of the mapping that has something to say."""
        is_taken = False
        for ones in channels:
            usable = [one for one in ones if self.noted[one.reading.id].why is None]
            if is_taken:
                self._explain(usable, "Another instrument reads the same, and stands first.")
                continue
            settled = self._settled(usable)
            if settled:
                is_taken = self._add_reading(settled, hours, place, None)
        if not is_taken:
            self._add_left_out(channels, hours, place)

    def _add_left_out(
        self, channels: list[list[OfShift]], hours: float, place: dict[str, Any]
    ) -> None:
        """Let the balance say what it expects where a person has left a reading out."""
        for ones in channels:
            left = [one for one in ones if self._is_left_out(one)]
            if left:
                reason = self.noted[left[0].reading.id].why
                self._add_reading(left, hours, place, reason)
                return

    def _is_left_out(self, one: OfShift) -> bool:
        noted = self.noted[one.reading.id]
        decision = noted.decision or {}
        return (
            not noted.lapsed
            and decision.get("kind") == "leave out"
            and one.reading.standing in {"current", "out-of-range"}
        )

    def _settled(self, ones: list[OfShift]) -> list[OfShift]:
        """Of several sources that report one sample, keep the one most settled."""
        best: dict[tuple[object, ...], OfShift] = {}
        for one in ones:
            sample = (one.reading.time, one.reading.sample)
            known = best.get(sample)
            if known is None or _status(known) < _status(one):
                best[sample] = one
        kept = list(best.values())
        self._explain([one for one in ones if one not in kept], "A more settled result stands.")
        return kept

    def _add_reading(
        self, ones: list[OfShift], hours: float, place: dict[str, Any], left_out: str | None
    ) -> bool:
        last = max(ones, key=lambda one: one.reading.mapping_version or 0)
        entry, into = last.entry, str(last.reading.mapped_unit)
        fitting = [one for one in ones if fit(one.unit, into)]
        self._explain([one for one in ones if one not in fitting], _NOT_USED["unfit"])
        results = [result_of(*self._said(one), into) for one in fitting]
        made = reading_of(entry, into, results, hours)
        if made is None:
            self._explain(fitting, "Limits and values of this shift cannot be combined.")
            return False
        size = lacks_error(made)
        if size is not None:
            self._explain(fitting, _without_error(last.reading, size))
            return False
        if left_out is not None:
            made["left_out"] = left_out[:200]
        for one in fitting:
            self.noted[one.reading.id].position = len(self.requests)
        self.requests.append(made | place)
        return True

    def _said(self, one: OfShift) -> tuple[dict[str, Any], str]:
        """Give what a reading says and its unit, as a person may have overridden it."""
        noted = self.noted[one.reading.id]
        decision = noted.decision
        if decision is None or noted.lapsed or decision["kind"] != "override":
            return one.reading.body, one.unit
        kept = {n: v for n, v in one.reading.body.items() if n not in {*FORMS, "step"}}
        if decision["sd"] is not None:
            kept = {n: v for n, v in kept.items() if n != "relative_sd"} | {"sd": decision["sd"]}
        return kept | {"value": decision["value"]}, decision["unit"] or one.unit

    def _explain(self, ones: list[OfShift], why: str) -> None:
        for one in ones:
            self.noted[one.reading.id].why = why


def _without_error(reading: Stored, size: str) -> str:
    """Say why a value without an absolute error is not used, and where to give it one."""
    tag, point, analyte = reading.tag, reading.sample_point, reading.analyte
    named = f"tag '{tag}'" if tag else f"'{analyte}' at '{point}'"
    return (
        f"It is {size}, and the mapping gives {named} a relative error alone, which is none here. "
        "Give it an 'sd' as well."
    )


def _position(ones: list[OfShift]) -> tuple[int, int]:
    last = max(ones, key=lambda one: one.reading.mapping_version or 0)
    return (-(last.reading.mapping_version or 0), last.reading.position or 0)


def _first_position(channels: dict[tuple[str, ...], list[OfShift]]) -> tuple[int, int]:
    return min(map(_position, channels.values()))


def _status(one: OfShift) -> int:
    return STATUSES.index(one.reading.status)


def _decision(entry: dict[str, Any]) -> dict[str, Any]:
    about = entry["about"]
    return {
        "kind": entry["kind"],
        "person": entry["person"],
        "reason": entry["reason"],
        "at": entry["at"],
        "entry": entry["number"],
        "version": about["version"],
        "value": about.get("value"),
        "unit": about.get("unit"),
        "sd": about.get("sd"),
    }


def _why_not(noted: Noted) -> str | None:
    """Say why a reading cannot be used; None where it can."""
    standing = noted.reading.standing
    kind = None if noted.lapsed or noted.decision is None else noted.decision["kind"]
    if noted.decision is not None and kind == "leave out":
        return f"Left out by {noted.decision['person']}: {noted.decision['reason']}"
    if kind == "override" and standing != "withdrawn":
        return None
    if kind == "use" and standing == "out-of-range":
        return None
    return _NOT_USED.get(standing)


def flowsheet_at(
    connection: Connection, site_id: UUID, flowsheet: str, shift: Shift
) -> Version | None:
    """Give the version of a flowsheet that holds when a shift begins."""
    return versions.at_time(connection, Series(site_id, FLOWSHEET, flowsheet), shift.start)


def gather(
    connection: Connection,
    site: tuple[UUID, str],
    flowsheet: Version,
    shift: Shift,
    settings: Settings,
) -> Inputs:
    """
    Give what the balance of a shift is calculated from.

    A composite over several shifts is weighted by their masses, which takes the readings of all of
    them: they are balanced together, as periods of one balance.

    Parameters
    ----------
    connection
        a transaction of one state.
    site
        id and key of the site.
    flowsheet
        the version that holds when the shift begins.
    shift
        the shift.
    settings
        limits, which are part of what a balance was calculated with.
    """
    it = _Gathering(connection, site[0], flowsheet.key)
    own = it.of(shift)
    it.note(own)
    joined = _joined(it, own, connection, flowsheet, shift)
    its: dict[Shift, list[OfShift]] = {s: own if s == shift else it.of(s) for s in joined}
    for ones in its.values():
        it.note(ones)
    _add_stocks(it, its)
    for s in joined:
        single = [one for one in its[s] if len(one.shifts) == 1 and not one.entry.reading.stock]
        it.add(single, s.hours, {"period": s.key} if len(joined) > 1 else {})
    _add_composites(it, its)
    noted = sorted(it.noted.values(), key=lambda n: order_of(n.reading))
    request = _request(flowsheet, f"{site[1]}, {flowsheet.key}, {shift.key}", joined, it.requests)
    document = {
        "form": 1,
        "site": site[1],
        "flowsheet": flowsheet.key,
        "shift": _told(shift),
        "shifts": [_told(s) for s in joined],
        "versions": {"flowsheet": flowsheet.version, "mapping": sorted(it.mapping_versions)},
        "settings": {
            "time_budget_s": settings.time_budget_s,
            "memory_budget_mb": settings.memory_budget_mb,
        },
        "readings": [n.told() for n in noted],
        "request": request,
    }
    return Inputs(document, noted)


def _request(
    flowsheet: Version, title: str, joined: list[Shift], readings: list[dict[str, Any]]
) -> dict[str, Any]:
    parts = ("flowsheet", "error_models", "causes")
    held = {name: flowsheet.body[name] for name in parts if name in flowsheet.body}
    periods: dict[str, Any] = {"periods": [s.key for s in joined]} if len(joined) > 1 else {}
    return {"title": title, **held, **periods, "readings": readings}


def _told(shift: Shift) -> dict[str, Any]:
    return {"key": shift.key, "start": written(shift.start), "end": written(shift.end)}


def _joined(
    it: _Gathering, own: list[OfShift], connection: Connection, flowsheet: Version, shift: Shift
) -> list[Shift]:
    """Give the shifts that composites join with this one, in order; explain those that cannot."""
    joined = {shift}
    for one in own:
        if len(one.shifts) == 1 or it.noted[one.reading.id].why is not None:
            continue
        if len(one.shifts) > MOST_TOGETHER:
            it.noted[one.reading.id].why = f"It covers more than {MOST_TOGETHER} shifts."
        elif any(
            (held := flowsheet_at(connection, flowsheet.site_id, flowsheet.key, s)) is None
            or held.id != flowsheet.id
            for s in one.shifts
        ):
            it.noted[one.reading.id].why = "The flowsheet changed within the time that it covers."
        else:
            joined |= set(one.shifts)
    return sorted(joined, key=lambda s: s.start)


def _add_stocks(it: _Gathering, its: dict[Shift, list[OfShift]]) -> None:
    """Add what stocks held at the end of each shift, and at the end of the one before the first."""
    shifts = list(its)
    before = it.calendar.shift_at(shifts[0].start - timedelta(microseconds=1))
    opening = [] if before is None else [o for o in it.of(before) if o.entry.reading.stock]
    it.note(opening)
    it.add(opening, before.hours if before else 0.0, {"at": "opening"})
    for s in shifts:
        stocks = [o for o in its[s] if o.entry.reading.stock and len(o.shifts) == 1]
        it.add(stocks, s.hours, {"at": s.key if len(shifts) > 1 else "closing"})


def _add_composites(it: _Gathering, its: dict[Shift, list[OfShift]]) -> None:
    """Add the composites whose shifts are all there; explain the others."""
    by_shifts: dict[tuple[Shift, ...], dict[UUID, OfShift]] = {}
    for one in _composites_of(its):
        if it.noted[one.reading.id].why is None and not set(one.shifts) <= set(its):
            it.noted[one.reading.id].why = "It covers shifts beyond those balanced here."
        by_shifts.setdefault(one.shifts, {})[one.reading.id] = one
    for shifts, ones in by_shifts.items():
        hours = sum(s.hours for s in shifts)
        it.add(list(ones.values()), hours, {"period": [s.key for s in shifts]})


def _composites_of(its: dict[Shift, list[OfShift]]) -> Iterator[OfShift]:
    found = {o.reading.id: o for ones in its.values() for o in ones if len(o.shifts) > 1}
    yield from sorted(found.values(), key=lambda o: (o.shifts[0].start, o.shifts[-1].end))
