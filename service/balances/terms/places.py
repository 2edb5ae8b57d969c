"""Where a reading was taken: streams and stocks, in periods."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.faults import Where
from reconcile.periods import Period
from service.balances.schemas import ReadingObject

from .ledger import Ledger, listed
from .sheet import CLOSING, OPENING, Sheet


@dataclass(frozen=True, slots=True)
class Place:
    """
    Where a reading was taken, in the request's words and by the engine's names.

    ``names`` are the engine's streams whose amounts are added.
    """

    names: tuple[str, ...]
    streams: tuple[str, ...] = ()
    periods: tuple[Period, ...] = ()
    stock: str | None = None
    at: str | None = None

    @property
    def stream(self) -> str | tuple[str, ...]:
        """The engine's stream, or all of them where there are several."""
        return self.names[0] if len(self.names) == 1 else self.names

    @property
    def words(self) -> str:
        """Say where it was taken."""
        if self.stock is not None:
            return f"'{self.stock}' ({self.at})"
        streams = " + ".join(f"'{name}'" for name in self.streams)
        periods = " + ".join(p for p in self.periods if p is not None)
        return f"{streams} in {periods}" if periods else streams


def place_of(wire: ReadingObject, sheet: Sheet, where: Where, ledger: Ledger) -> Place | None:
    """Give the place of a reading, or none with a fault."""
    if wire.stock is not None:
        return _stock(wire, wire.stock, sheet, where, ledger)
    if not wire.stream:
        ledger.note(
            (*where, "stream"),
            "missing-field",
            "The reading does not say where it was taken.",
            "Add 'stream', the name of a stream; or 'stock', the name of a node with a stock.",
        )
        return None
    if ledger.note_if(
        wire.at is not None,
        (*where, "at"),
        "at-without-stock",
        "Only a stock is read at a time.",
        "Give 'period' for a stream, or 'stock' instead of 'stream'.",
    ):
        return None
    names = sheet.stream_names
    strange = [name for name in wire.stream if name not in names]
    periods = _periods(wire, sheet, where, ledger)
    if strange:
        ledger.note(
            (*where, "stream"),
            "unknown-stream",
            f"The reading names the stream '{strange[0]}', which is not listed.",
            f"Correct the name. Known streams: {listed(names)}.",
        )
    if strange or periods is None:
        return None
    found = [sheet.unrolled.streams[s, p] for s in wire.stream for p in periods]
    twice = len(set(found)) < len(found)
    ledger.note_if(
        twice,
        where,
        "stream-named-twice",
        "The reading names a stream or a period twice.",
        "Name each of them once.",
    )
    return None if twice else Place(tuple(found), tuple(wire.stream), periods)


def _periods(
    wire: ReadingObject, sheet: Sheet, where: Where, ledger: Ledger
) -> tuple[Period, ...] | None:
    place = (*where, "period")
    if wire.period is None:
        several = len(sheet.periods) > 1
        ledger.note_if(
            several,
            place,
            "missing-period",
            "There are several periods, and the reading does not say in which it was taken.",
            "Add 'period', the name of one or a list of several.",
        )
        return None if several else sheet.periods
    known = [p for p in sheet.periods if p is not None]
    fine = [ledger.known(place, "period", name, known) for name in wire.period]
    return tuple(wire.period) if fine and all(fine) else None


def _stock(
    wire: ReadingObject, stock: str, sheet: Sheet, where: Where, ledger: Ledger
) -> Place | None:
    stocks = sheet.unrolled.stocks
    for member in ("stream", "period"):
        ledger.note_if(
            getattr(wire, member) is not None,
            (*where, member),
            "stock-and-stream",
            f"The reading is of a stock and names a {member}.",
            "A stock has 'at' alone, the time at which it was read.",
        )
    known = ledger.known((*where, "stock"), "stock", stock, stocks)
    ends = [p for p in sheet.periods if p is not None]
    times = dict(zip([OPENING, *(ends or [CLOSING])], stocks.get(stock, ()), strict=False))
    if times:
        times[CLOSING] = stocks[stock][-1]
    if wire.at is None:
        ledger.note(
            (*where, "at"),
            "missing-field",
            "The reading of a stock does not say when it was taken.",
            f"Add 'at': '{OPENING}', '{CLOSING}' or the period at whose end it was.",
        )
        return None
    if not known or not ledger.known((*where, "at"), "time", wire.at, times):
        return None
    return Place((times[wire.at],), stock=stock, at=wire.at)
