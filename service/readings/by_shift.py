"""Which readings are of a shift: from the time of a result to the shift of what it measured."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy import Connection

from service.calendars.shifts import Calendar, Shift
from service.mappings.schemas import MappingEntry
from service.store.tables import versions

from . import repository
from .repository import Stored

_LEAST = timedelta(microseconds=1)
"""The least step of time here: what is stamped at the end of an interval lies so much before it."""


@dataclass(frozen=True, slots=True)
class OfShift:
    """
    A reading with what it is mapped to, and the shifts that it covers: one, or more of a composite.

    ``unit`` is that of the reading: its own, or else that of the mapping; ``flowsheet`` the key of
    the one that the entry is of.
    """

    reading: Stored
    entry: MappingEntry
    unit: str
    shifts: tuple[Shift, ...]
    flowsheet: str


def moment_of(time: datetime, entry: MappingEntry) -> datetime:
    """Give when what was measured at a time was in the stream, at a moment within its shift."""
    lag = timedelta(minutes=entry.lag_minutes)
    return time - lag - (_LEAST if entry.stamped == "end" else timedelta(0))


def shifts_of(reading: Stored, entry: MappingEntry, calendar: Calendar) -> tuple[Shift, ...]:
    """Give the shifts that a reading covers; none before the first calendar."""
    if reading.composite_from is not None and reading.composite_to is not None:
        lag = timedelta(minutes=entry.lag_minutes)
        return tuple(calendar.between(reading.composite_from - lag, reading.composite_to - lag))
    found = calendar.shift_at(moment_of(reading.time, entry))
    return () if found is None else (found,)


def of_shift(
    connection: Connection, site_id: UUID, calendar: Calendar, shift: Shift
) -> list[OfShift]:
    """
    Give the mapped readings that cover a shift, in the order of their times.

    All that are mapped are there, however they stand: it is for the caller to use those that are
    'current', and to tell of the others.
    """
    lag = timedelta(seconds=repository.longest_lag_s(connection, site_id))
    near = repository.in_time(connection, site_id, shift.start, shift.end + lag)
    return [found for found in mapped(connection, near, calendar) if shift in found.shifts]


def mapped(connection: Connection, found: list[Stored], calendar: Calendar) -> Iterator[OfShift]:
    """Give those of the readings that are mapped, with what they are mapped to."""

    @cache
    def body_of(version_id: UUID) -> dict[str, Any]:
        body = connection.scalar(sa.select(versions.c.body).where(versions.c.id == version_id))
        return body or {}

    @cache
    def entry_at(version_id: UUID, position: int) -> MappingEntry:
        return MappingEntry.model_validate(body_of(version_id)["entries"][position])

    for reading in found:
        if reading.mapping_id is None or reading.position is None:
            continue
        entry = entry_at(reading.mapping_id, reading.position)
        unit = str(reading.body.get("unit") or reading.mapped_unit)
        flowsheet = entry.flowsheet or str(body_of(reading.mapping_id)["flowsheet"])
        yield OfShift(reading, entry, unit, shifts_of(reading, entry, calendar), flowsheet)
