"""A shift calendar on the wire."""

from __future__ import annotations

import re
from datetime import date
from functools import cache
from typing import Annotated, Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.kit.fields import Wire
from service.kit.identifiers import Key
from service.kit.instants import Instant
from service.versions.schemas import NewVersion, VersionHead

MOST_SHIFTS = 24
"""Most shifts of a day: none is shorter than an hour in any plant that we know of."""

_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d", re.ASCII)


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _checked_zone(name: str) -> str:
    if name not in _zones():
        mend = "Use a name of the IANA time zone database, such as Australia/Perth or UTC."
        context = {"what": "The time zone is not known.", "mend": mend}
        raise PydanticCustomError("unknown-time-zone", "{what}", context)
    return name


def _checked_clock(text: str) -> str:
    if _CLOCK.fullmatch(text) is None:
        context = {
            "what": "This is not a time by the clock.",
            "mend": "Write hours and minutes, from 00:00 to 23:59.",
        }
        raise PydanticCustomError("bad-clock-time", "{what}", context)
    return text


TimeZone = Annotated[str, Field(strict=True), AfterValidator(_checked_zone)]
ClockTime = Annotated[
    str,
    Field(strict=True),
    AfterValidator(_checked_clock),
    WithJsonSchema({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"}),
]


def zone_of(name: str) -> ZoneInfo:
    """Give a time zone by a name that was checked."""
    return ZoneInfo(name)


class ShiftObject(Wire):
    """A shift: it lasts until the next one starts."""

    name: Key = Field(description="Its name, as in addresses.", examples=["night"])
    starts: ClockTime = Field(description="When it starts, by the local clock.", examples=["18:00"])


_SHIFTS = [{"name": "day", "starts": "06:00"}, {"name": "night", "starts": "18:00"}]


class CalendarVersion(NewVersion):
    """A new version of the shift calendar."""

    time_zone: TimeZone = Field(
        description="Time zone of the plant, by its IANA name; it knows of daylight saving.",
        examples=["Australia/Perth"],
    )
    shifts: list[ShiftObject] = Field(
        min_length=1,
        max_length=MOST_SHIFTS,
        description="The shifts of a production day, beginning with the one with which it "
        "begins. Where clocks are put forward or back a shift is shorter or longer.",
        examples=[_SHIFTS],
    )


class CalendarReply(VersionHead):
    """A version of the shift calendar."""

    time_zone: TimeZone = Field(
        description="Time zone of the plant, by its IANA name.", examples=["Australia/Perth"]
    )
    shifts: list[ShiftObject] = Field(
        description="The shifts of a production day, in order.", examples=[_SHIFTS]
    )


class ShiftReply(BaseModel):
    """A shift in time."""

    key: str = Field(
        description="Its production day and name, as in addresses.", examples=["2026-03-01/night"]
    )
    day: date = Field(
        description="The production day: the local date on which it begins.",
        examples=["2026-03-01"],
    )
    name: Key = Field(description="Its name.", examples=["night"])
    start: Instant = Field(description="When it starts.", examples=["2026-03-01T10:00:00Z"])
    end: Instant = Field(
        description="When it ends; that time is the next shift's.",
        examples=["2026-03-01T22:00:00Z"],
    )
    hours: float = Field(description="Its length in hours.", examples=[12])


class ShiftList(BaseModel):
    """Shifts in the order of time."""

    shifts: list[ShiftReply] = Field(
        description="The shifts.",
        examples=[
            [
                {
                    "key": "2026-03-01/night",
                    "day": "2026-03-01",
                    "name": "night",
                    "start": "2026-03-01T10:00:00Z",
                    "end": "2026-03-01T22:00:00Z",
                    "hours": 12,
                }
            ]
        ],
    )


EXAMPLE: dict[str, Any] = {
    "valid_from": "2026-03-01T06:00:00+08:00",
    "note": "Invented data.",
    "time_zone": "Australia/Perth",
    "shifts": _SHIFTS,
}
