"""
Shifts by the clock: daylight saving, leap days, production days that do not start at midnight.

Changes of clocks are quoted from memory of the published rules: Europe at 01:00 UTC on the last
Sundays of March and October; Lord Howe Island by half an hour; Samoa without 30 December 2011.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.calendars.shifts import Calendar, Roster, Spell, clock_shows

THREE = (("early", time(6)), ("late", time(14)), ("night", time(22)))
BERLIN = ZoneInfo("Europe/Berlin")


def _hours(zone: str, day: date, starts: tuple[tuple[str, time], ...] = THREE) -> list[float]:
    return [shift.hours for shift in Roster(ZoneInfo(zone), starts).shifts_of(day)]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Berlin", date(2026, 3, 27), [8, 8, 8]),
        ("Europe/Berlin", date(2026, 3, 28), [8, 8, 7]),
        ("Europe/Berlin", date(2026, 10, 24), [8, 8, 9]),
        ("Australia/Perth", date(2026, 3, 28), [8, 8, 8]),
        ("Australia/Lord_Howe", date(2026, 4, 4), [8, 8, 8.5]),
        ("Australia/Lord_Howe", date(2026, 10, 3), [8, 8, 7.5]),
        ("Europe/Berlin", date(2028, 2, 29), [8, 8, 8]),
    ],
)
def test_a_change_of_clocks_shortens_or_lengthens_one_shift(
    zone: str, day: date, hours: list[float]
) -> None:
    """The night of a change has seven or nine hours, by half an hour on Lord Howe Island."""
    assert hours == _hours(zone, day)


def test_a_start_that_the_clock_skips_is_when_it_is_put_forward() -> None:
    """02:30 on 29 March 2026 does not exist in Berlin: the shift starts at 01:00 UTC."""
    moment = clock_shows(BERLIN, date(2026, 3, 29), time(2, 30))

    assert datetime(2026, 3, 29, 1, tzinfo=UTC) == moment


def test_a_start_that_the_clock_shows_twice_is_the_first_showing() -> None:
    """02:30 on 25 October 2026 comes at 00:30 and at 01:30 UTC in Berlin: the first is taken."""
    moment = clock_shows(BERLIN, date(2026, 10, 25), time(2, 30))

    assert datetime(2026, 10, 25, 0, 30, tzinfo=UTC) == moment


def test_a_day_that_a_place_leaves_out_has_no_time_of_its_own() -> None:
    """Samoa went from 29 to 31 December 2011: of the 30th only what ends on the 31st is left."""
    roster = Roster(ZoneInfo("Pacific/Apia"), (("day", time(6)), ("night", time(18))))

    days = {d: roster.shifts_of(date(2011, 12, d)) for d in (29, 30, 31)}

    assert [("day", 12.0), ("night", 6.0)] == [(s.name, s.hours) for s in days[29]]
    assert [("night", 6.0)] == [(s.name, s.hours) for s in days[30]]
    assert days[29][-1].end == days[30][0].start
    assert days[30][-1].end == days[31][0].start


def test_shifts_before_the_start_of_the_day_are_of_the_date_before() -> None:
    """With a day from 06:00, four in the morning of 1 March is the night of 28 February."""
    calendar = _calendar("Australia/Perth", THREE, datetime(2026, 1, 1, tzinfo=UTC))

    shift = calendar.shift_at(datetime(2026, 2, 28, 20, tzinfo=UTC))

    assert shift is not None
    assert "2026-02-28/night" == shift.key


def _calendar(zone: str, starts: tuple[tuple[str, time], ...], since: datetime) -> Calendar:
    return Calendar([Spell(Roster(ZoneInfo(zone), starts), since, None)])


ZONES = st.sampled_from(
    [
        "Europe/Berlin",
        "America/St_Johns",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
        "Africa/Cairo",
        "America/Santiago",
        "Pacific/Apia",
        "Australia/Perth",
        "UTC",
    ]
)
MOMENTS = st.integers(946_684_800, 2_051_222_400).map(lambda s: datetime.fromtimestamp(s, UTC))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(ZONES, st.lists(st.times(), min_size=1, max_size=5, unique=True), MOMENTS, st.data())
def test_every_moment_is_in_exactly_one_shift(
    zone: str, starts: list[time], moment: datetime, data: st.DataObject
) -> None:
    """Whatever zone, starts and moment: the shift holds it, and its neighbours join it."""
    first = data.draw(st.sampled_from(sorted(starts)))
    order = sorted(starts, key=lambda t: (t < first, t))
    named = tuple((f"s{i}", t.replace(microsecond=0)) for i, t in enumerate(order))
    calendar = _calendar(zone, named, datetime(1999, 1, 1, tzinfo=UTC))

    shift = calendar.shift_at(moment)

    assert shift is not None
    assert shift.start <= moment < shift.end
    assert shift == calendar.shift(shift.day, shift.name)
    around = list(calendar.between(moment - timedelta(days=2), moment + timedelta(days=2)))
    assert all(a.end == b.start for a, b in pairwise(around))
    assert around.count(shift) == 1


@pytest.mark.parametrize("year", [2026, 2028])
def test_a_year_has_all_its_hours(year: int) -> None:
    """Shifts of a year add up to 8760 hours, or 8784 with a leap day, changes of clocks or not."""
    roster = Roster(BERLIN, THREE)
    days = (
        date(year, 1, 1) + timedelta(days=n)
        for n in range((date(year + 1, 1, 1) - date(year, 1, 1)).days)
    )

    total = sum(shift.hours for day in days for shift in roster.shifts_of(day))

    assert {2026: 8760, 2028: 8784}[year] == pytest.approx(total, abs=1e-9)


def test_a_new_calendar_takes_over_where_it_begins() -> None:
    """From eight-hour to twelve-hour shifts: no moment is lost between the two."""
    change = datetime(2026, 6, 30, 22, tzinfo=UTC)
    perth = ZoneInfo("Australia/Perth")
    two = Roster(perth, (("day", time(6)), ("night", time(18))))
    calendar = Calendar(
        [
            Spell(Roster(perth, THREE), datetime(2026, 1, 1, tzinfo=UTC), change),
            Spell(two, change, None),
        ]
    )

    around = calendar.between(change - timedelta(hours=12), change + timedelta(hours=20))

    assert ["2026-06-30/late", "2026-06-30/night", "2026-07-01/day", "2026-07-01/night"] == [
        shift.key for shift in around
    ]
