"""
Shifts in time: from what the wall clock of a plant shows to points in time, and back.

Shifts begin by the clock, so where clocks are put forward or back a shift is shorter or longer
than its fellows.  The rules (after the habit of RFC 5545 for times that a clock skips or shows
twice): a start that the clock shows twice is its first showing; one that it skips is the moment at
which the clock is put forward.  Every moment so lies in exactly one shift.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class Shift:
    """
    A shift of a production day: from ``start`` (inclusive) to ``end`` (exclusive), in UTC.

    The day is named after the local date on which it begins.
    """

    day: date
    name: str
    start: datetime
    end: datetime

    @property
    def key(self) -> str:
        """How a shift is named in addresses, such as 2026-03-01/night."""
        return f"{self.day.isoformat()}/{self.name}"

    @property
    def hours(self) -> float:
        """Its length in hours."""
        return (self.end - self.start) / timedelta(hours=1)


@lru_cache(maxsize=4096)
def clock_shows(zone: ZoneInfo, day: date, at: time) -> datetime:
    """Give the first moment, in UTC, at which the clock of a zone shows a time or a later one."""
    wall = datetime.combine(day, at)
    first = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if _shown(zone, first) == wall:
        return first
    # The clock skips this time: the moment lies between the readings of it by the offsets before
    # and after, at a whole second as all changes of offset do.
    early, late = wall.replace(tzinfo=zone, fold=1).astimezone(UTC), first
    while late - early > _SECOND:
        middle = early + timedelta(seconds=(late - early) // _SECOND // 2)
        if _shown(zone, middle) < wall:
            early = middle
        else:
            late = middle
    return late


def _shown(zone: ZoneInfo, moment: datetime) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None)


@dataclass(frozen=True)
class Roster:
    """
    The shifts of every production day.

    ``starts`` are the names and starting times by the clock, in order from the one with which
    the production day begins; those earlier than it are of the next local date.
    """

    zone: ZoneInfo
    starts: tuple[tuple[str, time], ...]

    def day_start(self, day: date) -> datetime:
        """Give the moment at which a production day begins."""
        return clock_shows(self.zone, day, self.starts[0][1])

    def shifts_of(self, day: date) -> tuple[Shift, ...]:
        """Give the shifts of a production day, less any that a change of clocks leaves no time."""
        first = self.starts[0][1]
        begins = [
            clock_shows(self.zone, day + _DAY * (start < first), start) for _, start in self.starts
        ]
        ends = [*begins[1:], self.day_start(day + _DAY)]
        return tuple(
            Shift(day, name, begin, end)
            for (name, _), begin, end in zip(self.starts, begins, ends, strict=True)
            if begin < end
        )

    def day_of(self, moment: datetime) -> date:
        """Give the production day in which a moment lies."""
        local = moment.astimezone(self.zone).date()
        day = local + _DAY
        while self.day_start(day) > moment:
            day -= _DAY
        return day


@dataclass(frozen=True, slots=True)
class Spell:
    """A roster for the time that it holds; ``until`` is None where none follows."""

    roster: Roster
    since: datetime
    until: datetime | None

    def holds_at(self, moment: datetime) -> bool:
        """Tell whether it holds at a moment."""
        return self.since <= moment and (self.until is None or moment < self.until)

    def shifts_of(self, day: date) -> Iterator[Shift]:
        """Give the shifts of a day as far as they lie in this time."""
        for shift in self.roster.shifts_of(day):
            start = max(shift.start, self.since)
            end = shift.end if self.until is None else min(shift.end, self.until)
            if start < end:
                yield Shift(day, shift.name, start, end)


@dataclass(frozen=True)
class Calendar:
    """Rosters one after the other; a shift that a new one cuts short ends there."""

    spells: Sequence[Spell]

    def shift_at(self, moment: datetime) -> Shift | None:
        """Give the shift in which a moment lies; None before the first roster."""
        spell = next((s for s in self.spells if s.holds_at(moment)), None)
        if spell is None:
            return None
        shifts = spell.shifts_of(spell.roster.day_of(moment))
        return next(s for s in shifts if s.start <= moment < s.end)

    def shift(self, day: date, name: str) -> Shift | None:
        """Give a shift by the production day and its name."""
        return next((s for s in self.shifts_of(day) if s.name == name), None)

    def shifts_of(self, day: date) -> list[Shift]:
        """Give the shifts of a production day, in order."""
        return [shift for spell in self.spells for shift in spell.shifts_of(day)]

    def between(self, since: datetime, until: datetime) -> Iterator[Shift]:
        """Give the shifts that have some time in common with an interval, in order."""
        shift = self.shift_at(since)
        if shift is None and self.spells and since < self.spells[0].since:
            shift = self.shift_at(self.spells[0].since)
        while shift is not None and shift.start < until:
            yield shift
            shift = self.shift_at(shift.end)
