"""
Flowsheets that came before: what follows from one alone is worked out once, not for every shift.

A plant sends the same flowsheet with every shift.  It is known again by its text, so that `1` in
the place of `true` is another flowsheet, and a slip in it is told as ever.  What is kept is
bounded by the streams in it, and the flowsheet that was not sent for longest goes first.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.balances.schemas import FlowsheetObject

    from .sheet import Sheet

MOST_STREAMS = 4000
"""
Streams of all flowsheets that are kept, counted as written and again as the engine takes them.

One with ten components takes some 13 kB both ways together, and with what its replies are written
from 20 to 30 kB more, so that all take some 80 MB at most.
"""

MOST_KEPT = 64
"""Flowsheets that are kept, however small."""


@dataclass(slots=True)
class _Kept:
    wire: FlowsheetObject
    sheet: Sheet | None = None
    periods: tuple[str, ...] = ()

    @property
    def streams(self) -> int:
        """Streams that it takes room for."""
        unrolled = 0 if self.sheet is None else len(self.sheet.flowsheet.streams)
        return len(self.wire.streams) + unrolled


class Flowsheets:
    """The flowsheets met so far, the latest last; several threads may ask at once."""

    def __init__(self, most_streams: int = MOST_STREAMS, most_kept: int = MOST_KEPT) -> None:
        self._most_streams = most_streams
        self._most_kept = most_kept
        self._by_text: OrderedDict[str, _Kept] = OrderedDict()
        self._lock = Lock()

    def __len__(self) -> int:
        """How many are kept."""
        return len(self._by_text)

    def wire(self, text: str) -> FlowsheetObject | None:
        """Give the flowsheet that was read from a text."""
        with self._lock:
            found = self._by_text.get(text)
            if found is None:
                return None
            self._by_text.move_to_end(text)
            return found.wire

    def keep(self, text: str, wire: FlowsheetObject) -> None:
        """Keep a flowsheet in which nothing is wrong, unless it is too large beside others."""
        with self._lock:
            if text not in self._by_text and len(wire.streams) <= self._most_streams:
                self._by_text[text] = _Kept(wire)
                self._make_room()

    def sheet(self, wire: FlowsheetObject, periods: list[str]) -> Sheet | None:
        """Give what a kept flowsheet was in the engine's terms, over the same periods."""
        with self._lock:
            found = self._of(wire)
            same = found is not None and found.periods == tuple(periods)
            return found.sheet if found is not None and same else None

    def keep_sheet(self, sheet: Sheet, periods: list[str]) -> None:
        """Keep what a flowsheet is in the engine's terms, if the flowsheet itself is kept."""
        with self._lock:
            found = self._of(sheet.wire)
            streams = len(sheet.wire.streams) + len(sheet.flowsheet.streams)
            if found is not None and streams <= self._most_streams:
                found.sheet, found.periods = sheet, tuple(periods)
                self._make_room()

    def _of(self, wire: FlowsheetObject) -> _Kept | None:
        # The latest are the likeliest, and there are few.
        return next((k for k in reversed(self._by_text.values()) if k.wire is wire), None)

    def _make_room(self) -> None:
        streams = sum(kept.streams for kept in self._by_text.values())
        while self._by_text and (
            streams > self._most_streams or len(self._by_text) > self._most_kept
        ):
            _, gone = self._by_text.popitem(last=False)
            streams -= gone.streams


SEEN = Flowsheets()
"""Those that this process met."""
