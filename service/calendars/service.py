"""Reading and writing shift calendars."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from reconcile.faults import Fault
from service.kit.conditional import Precondition
from service.kit.instants import written
from service.kit.intake import read_request
from service.kit.problems import INVALID_PARAMETER, RefusalError, refuse, refuse_faulty
from service.kit.settings import Settings
from service.sites import repository as sites
from service.store import Store
from service.versions import repository as versions
from service.versions import service as versioned
from service.versions.repository import Series, Version
from service.versions.service import Content, Place

from .schemas import CalendarVersion, zone_of
from .shifts import Calendar, Roster, Shift, Spell

KIND = "calendar"

MOST_LISTED = 1000
"""Most shifts listed at once: a year of three a day, less what nobody reads at a sitting."""


def roster_of(body: dict[str, Any]) -> Roster:
    """Give the roster that a stored version holds."""
    starts = tuple((s["name"], time.fromisoformat(s["starts"])) for s in body["shifts"])
    return Roster(zone_of(body["time_zone"]), starts)


def calendar_of(connection: Connection, site_id: UUID) -> Calendar:
    """Give the calendar of a site; without spells where none was stored."""
    found = versions.in_order_of_time(connection, Series(site_id, KIND, ""))
    return _calendar(found)


def _calendar(found: list[Version]) -> Calendar:
    return Calendar([Spell(roster_of(v.body), v.valid_from, v.valid_until) for v in found])


def _findings(request: CalendarVersion) -> list[Fault]:
    """Names and starts that come twice, an order that is none, a beginning inside a day."""
    names, starts = [s.name for s in request.shifts], [s.starts for s in request.shifts]
    faults = [
        Fault(
            ("shifts", i, member),
            f"duplicate-{'shift' if member == 'name' else 'start'}",
            f"'{values[i]}' stands twice.",
            "Give every shift a name and a start of its own.",
        )
        for member, values in (("name", names), ("starts", starts))
        for i in range(len(values))
        if values[i] in values[:i]
    ]
    first = starts[0]
    passed = [(start < first, start) for start in starts]
    faults += [
        Fault(
            ("shifts", i, "starts"),
            "shifts-out-of-order",
            f"'{starts[i]}' does not follow '{starts[i - 1]}' within the day from '{first}' on.",
            "List the shifts in the order of time, beginning with the first of the production day.",
        )
        for i in range(1, len(passed))
        if passed[i] < passed[i - 1]
    ]
    return faults


def _beginning(request: CalendarVersion, roster: Roster) -> list[Fault]:
    """A calendar begins with a production day, so that every day is of one calendar."""
    at = request.valid_from
    day = roster.day_of(at)
    if roster.day_start(day) == at:
        return []
    before, after = roster.day_start(day), roster.day_start(day + timedelta(days=1))
    return [
        Fault(
            ("valid_from",),
            "not-a-day-start",
            "No production day of this calendar begins then.",
            f"Begin at {written(before)} or {written(after)}.",
        )
    ]


def _clashes(spells: list[Spell]) -> list[Fault]:
    """Two calendars must not both have shifts of one production day: their names would clash."""
    faults = []
    for one, next_one in pairwise(spells):
        day = next_one.roster.day_of(next_one.since)
        if any(one.shifts_of(day)):
            what = f"The calendar until then has shifts of {day.isoformat()} too."
            mend = "Begin the new calendar at a time at which a day of the old one begins as well."
            faults.append(Fault(("valid_from",), "day-of-two-calendars", what, mend))
    return faults


def put(
    store: Store,
    place: Place,
    expected: Precondition,
    body: bytes,
    settings: Settings,  # noqa: ARG001 - other resources have limits of their own
) -> tuple[Version, bool]:
    """
    Store a new version of the calendar, and tell whether it is the first.

    Raises
    ------
    RefusalError
        for a faulty request, without the site, or where the last version is not the expected one.
    """
    request = read_request(body, CalendarVersion, {})
    held = request.model_dump(mode="json", exclude_unset=True, exclude={"valid_from", "note"})
    roster = roster_of(held)
    faults = _findings(request)
    faults = faults or _beginning(request, roster)
    if faults:
        raise refuse_faulty(faults)

    def judge(connection: Connection, site: sites.Site) -> Content:
        others = versions.in_order_of_time(connection, Series(site.id, KIND, ""))
        clashes = _clashes(_with(others, roster, request.valid_from))
        if clashes:
            raise refuse_faulty(clashes)
        return Content(request.valid_from, request.note, held)

    return versioned.put(store, place, expected, judge)


def _with(others: list[Version], roster: Roster, since: datetime) -> list[Spell]:
    """Give the new roster with its neighbours, each for the time that it will hold."""
    begun = {v.valid_from: roster_of(v.body) for v in others} | {since: roster}
    order = sorted(begun)
    ends = [*order[1:], None]
    return [Spell(begun[s], s, end) for s, end in zip(order, ends, strict=True)]


def shifts_between(store: Store, site: str, since: datetime, until: datetime) -> list[Shift]:
    """
    Give the shifts of a site that have some time in common with an interval.

    Raises
    ------
    RefusalError
        404 without the site or a calendar, 400 where there are too many.
    """
    with store.reading() as connection:
        found = sites.get(connection, site)
        calendar = calendar_of(connection, found.id)
    if not calendar.spells:
        raise Place(site, KIND).absent()
    shifts = []
    for shift in calendar.between(since, until):
        shifts.append(shift)
        if len(shifts) > MOST_LISTED:
            raise _refuse_many()
    return shifts


def _refuse_many() -> RefusalError:
    what = f"There are more than {MOST_LISTED} shifts between 'from' and 'to'."
    fault = Fault((), "too-many-shifts", what, "Ask for a shorter time.")
    return refuse(INVALID_PARAMETER, what, [fault])
