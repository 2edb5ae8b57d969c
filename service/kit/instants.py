"""Points in time: RFC 3339 with an offset on the wire, UTC inside."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

EARLIEST, LATEST = 1900, 2200
"""Years between which a plant's time lies; anything else is a slip."""

_FORM = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:\d{2})(\.\d{1,6})?([Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_MEND = (
    "Write date, time and offset after RFC 3339, with at most six digits after the second, such "
    "as 2026-03-01T06:00:00+08:00 or 2026-02-28T22:00:00Z."
)


class NotATimeError(ValueError):
    """A text that is no point in time; ``what`` says why and ``mend`` what to write."""

    def __init__(self, what: str) -> None:
        self.what, self.mend = what, _MEND
        super().__init__(what)


def instant(text: str) -> datetime:
    """
    Read a point in time, and give it in UTC.

    Raises
    ------
    NotATimeError
        where the text is not RFC 3339 with an offset, or no such time exists.
    """
    found = _FORM.fullmatch(text)
    if found is None:
        raise NotATimeError("This is not a time with its offset from UTC.")
    date, time, fraction, offset = found.groups(default="")
    offset = "+00:00" if offset in "Zz" else offset
    try:
        local = datetime.fromisoformat(f"{date}T{time}{fraction.ljust(7, '0') if fraction else ''}")
        given = datetime.fromisoformat(f"{local.isoformat()}{offset}")
        utc = given.astimezone(UTC)
    except (ValueError, OverflowError):
        raise NotATimeError("There is no such date, time or offset.") from None
    if not EARLIEST <= utc.year <= LATEST:
        raise NotATimeError(f"The year is not between {EARLIEST} and {LATEST}.")
    return utc


def written(time: datetime) -> str:
    """Write a point in time in UTC, such as 2026-03-01T06:00:00Z."""
    return time.astimezone(UTC).isoformat().replace("+00:00", "Z")


def now() -> datetime:
    """Give the present, to the microsecond."""
    return datetime.now(UTC)


def _read(value: object) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        return instant(value if isinstance(value, str) else "")
    except NotATimeError as error:
        context = {"what": error.what, "mend": error.mend}
        raise PydanticCustomError("bad-time", "{what}", context) from None


Instant = Annotated[
    datetime,
    BeforeValidator(_read),
    PlainSerializer(written, return_type=str),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""A point in time on the wire."""
