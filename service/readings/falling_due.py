"""Which balances fall due with new readings: those of every shift that they bear on."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from uuid import UUID

from sqlalchemy import Connection

from service.calendars.service import calendar_of
from service.calendars.shifts import Calendar, Shift
from service.store import due
from service.store.due import Due

from . import repository
from .by_shift import OfShift, mapped, shifts_of


def mark(connection: Connection, site_id: UUID, ids: Collection[UUID]) -> None:
    """Mark the balances that readings bear on, with any version that they had."""
    calendar = calendar_of(connection, site_id)
    if not calendar.spells or not ids:
        return
    found = list(mapped(connection, repository.of_ids(connection, site_id, ids), calendar))
    touched: dict[tuple[str, Shift], None] = {}
    earlier = repository.composite_spans(connection, ids)
    for one in found:
        for shift in _all_shifts(one, earlier.get(one.reading.id, []), calendar):
            touched[one.flowsheet, shift] = None
    for flowsheet, shifts in _composites(connection, site_id, calendar, touched):
        touched |= {(flowsheet, shift): None for shift in shifts}
    due.mark(
        connection,
        site_id,
        (Due(of, shift.day, shift.name, shift.start, shift.end) for of, shift in touched),
    )


def _all_shifts(one: OfShift, spans: list[repository.Span], calendar: Calendar) -> Iterator[Shift]:
    """Give the shifts of a reading, of its earlier versions, and those that its stock opens."""
    yield from one.shifts
    for since, until in spans:
        as_it_was = replace(one.reading, composite_from=since, composite_to=until)
        yield from shifts_of(as_it_was, one.entry, calendar)
    if one.entry.reading.stock is not None:
        following = (calendar.shift_at(shift.end) for shift in one.shifts)
        yield from (shift for shift in following if shift is not None)


def _composites(
    connection: Connection,
    site_id: UUID,
    calendar: Calendar,
    touched: Collection[tuple[str, Shift]],
) -> Iterator[tuple[str, tuple[Shift, ...]]]:
    """Give the shifts that a composite joins with one that was touched."""
    if not touched:
        return
    first = min(shift.start for _, shift in touched)
    last = max(shift.end for _, shift in touched)
    for one in mapped(
        connection, repository.composites(connection, site_id, first, last), calendar
    ):
        if any((one.flowsheet, shift) in touched for shift in one.shifts):
            yield one.flowsheet, one.shifts
