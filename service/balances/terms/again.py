"""
Requests that came before but for their numbers, which is what a plant sends with every shift.

A request is known again by its text without the readings, the title and the note.  Its readings
are then taken as JSON holds them, if their kinds were judged before and nothing can be wrong with
their numbers.  At the least doubt nothing is taken, and the request is judged in full: what is
given here is what that would give.
"""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Annotated, NamedTuple

import msgspec
from msgspec import Meta, Raw

from service.balances.schemas import LONGEST_NOTE, LONGEST_TITLE, BalanceRequest
from service.kit.settings import Settings
from service.kit.strict_json import MOST_CONTAINERS, members_written

from .request import Terms, terms_again
from .seen import SEEN, Flowsheets
from .usual import UsualReading, taken_again

MOST_FRAMES = 64
"""Frames that are kept; the one that was not met for longest goes first."""

LONGEST_FRAME = 32 * 1024
"""Longest frame kept, in bytes: some 400 streams. With its objects it takes some 0.2 MB."""

_ABSENT = Raw(b"")


class _Shift(msgspec.Struct, forbid_unknown_fields=True):
    """A request that has nothing but usual readings and what may stand beside them."""

    flowsheet: Raw
    readings: Annotated[list[UsualReading], Meta(min_length=1)]
    title: Annotated[str, Meta(max_length=LONGEST_TITLE)] | None = None
    note: Annotated[str, Meta(max_length=LONGEST_NOTE)] | None = None
    evidence: Raw = _ABSENT
    performance: Raw = _ABSENT
    care: Raw = _ABSENT
    options: Raw = _ABSENT

    @property
    def frame(self) -> tuple[bytes, ...]:
        """The text that comes again."""
        parts = (self.flowsheet, self.evidence, self.performance, self.care, self.options)
        return tuple([bytes(part) for part in parts])

    def members(self, frame: tuple[bytes, ...]) -> int:
        """How many members it has outside the parts of its frame, if none came twice."""
        beside = 1 + sum(map(bool, frame)) + (self.title is not None) + (self.note is not None)
        return beside + sum([reading.members for reading in self.readings])


class _Frame(NamedTuple):
    """A request without its readings, how many members its frame has, and whose limits it kept."""

    request: BalanceRequest
    members: int
    settings: Settings


_DECODER = msgspec.json.Decoder(_Shift)


def _shift_in(body: bytes) -> _Shift | None:
    if len(body) > MOST_CONTAINERS:  # as many bytes cannot hold more objects and lists
        return None
    try:
        return _DECODER.decode(body)
    except (msgspec.DecodeError, RecursionError):
        return None  # whether anything is wrong, the judgement in full tells


class Frames:
    """The frames met so far, the latest last; several threads may ask at once."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[bytes, ...], _Frame] = OrderedDict()
        self._lock = Lock()

    def __len__(self) -> int:
        """How many are kept."""
        return len(self._kept)

    def keep(self, body: bytes, request: BalanceRequest, settings: Settings) -> None:
        """Keep the frame of a request in which nothing is wrong, if it may come again."""
        shift = _shift_in(body)
        frame = () if shift is None else shift.frame
        if shift is None or sum(map(len, frame)) > LONGEST_FRAME:
            return
        members = sum(map(members_written, frame))
        bare = request.model_copy(update={"readings": []})
        with self._lock:
            self._kept[frame] = _Frame(bare, members, settings)
            self._kept.move_to_end(frame)
            if len(self._kept) > MOST_FRAMES:
                self._kept.popitem(last=False)

    def take(
        self, body: bytes, settings: Settings, flowsheets: Flowsheets = SEEN
    ) -> tuple[BalanceRequest, Terms] | None:
        """
        Take in a request that came before but for its numbers.

        The request that is given has no readings of its own: all of them are in the terms.
        """
        shift = _shift_in(body) if len(body) <= settings.body_limit_bytes else None
        if shift is None or len(shift.readings) > settings.reading_limit:
            return None
        text = shift.frame
        with self._lock:
            frame = self._kept.get(text)
            if frame is None or frame.settings is not settings:
                return None
            self._kept.move_to_end(text)
        sheet = flowsheets.sheet(frame.request.flowsheet, [])
        # Of members that share a name the last was read; that one of them was, shows in the text.
        if sheet is None or members_written(body) != frame.members + shift.members(text):
            return None
        taken = [taken_again(reading, sheet) for reading in shift.readings]
        usual = [one for one in taken if one is not None]
        if len(usual) < len(taken):
            return None
        named = {"title": shift.title, "note": shift.note}
        request = frame.request.model_copy(update=named)
        terms = terms_again(request, sheet, usual)
        return None if terms is None else (request, terms)


AGAIN = Frames()
"""Those that this process met."""
