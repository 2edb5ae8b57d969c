"""What every part of the answer needs: the balance, the units, and the names on the wire."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

from reconcile import Balance, Estimate, Knowledge, Known
from reconcile.balance import Read
from reconcile.periods import Period
from service.balances.intake import Intake
from service.balances.reply import Amount, Share
from service.balances.terms.asked import Asked, Key
from service.balances.terms.readings import Entry
from service.balances.terms.sheet import Sheet
from service.kit.units import UNITS, convert

PERCENT = 100.0

Members = dict[str, Any]
"""Members of an object of the reply by their names here; making the object checks them."""

_UNKNOWN = Known(None, None, Knowledge.UNOBSERVABLE)


def times(number: float | None, factor: float) -> float | None:
    """Multiply a number that may not be known."""
    return None if number is None else number * factor


def share_of(known: Known | Read) -> Members:
    """Give the members of a share, in percent."""
    return {
        "value": times(known.value, PERCENT),
        "sd": times(known.sd, PERCENT),
        "class_": known.knowledge,
    }


@dataclass(frozen=True)
class Answering:
    """One balance on its way to the reply."""

    intake: Intake
    asked: Asked
    balance: Balance

    @property
    def sheet(self) -> Sheet:
        """The flowsheet as written and as the engine took it."""
        return self.intake.terms.sheet

    @cached_property
    def mass_unit(self) -> str | None:
        """The unit of masses; none where no mass is read, so that they are relative."""
        read = any(
            entry.base == self.sheet.mass_unit or entry.place.stock is not None
            for entry in self.intake.terms.entries
        )
        return self.sheet.mass_unit if read else None

    @cached_property
    def read(self) -> dict[tuple[str, str], Entry]:
        """The readings of one word in one stream, not limits, by the engine's names."""
        return {
            (entry.place.names[0], entry.words): entry
            for entry in self.intake.terms.entries
            if len(entry.place.names) == 1 and entry.limit is None and entry.counted is None
        }

    @cached_property
    def labels(self) -> dict[str, tuple[str, Period]]:
        """Of each stream of the engine, its name and period on the wire."""
        unrolled = self.sheet.unrolled
        flows = {of_engine: label for label, of_engine in unrolled.streams.items()}
        changes = {
            of_engine: (f"change of {node}", period)
            for (node, period), of_engine in unrolled.changes.items()
        }
        held = {name: (name, None) for names in unrolled.stocks.values() for name in names}
        return flows | changes | held

    @cached_property
    def nodes(self) -> dict[str, tuple[str, Period]]:
        """Of each node of the engine that is one of the request, its name and period there."""
        names = [node.name for node in self.sheet.wire.nodes]
        wanted = ((name, period) for period in self.sheet.periods for name in names)
        return dict(zip(self.sheet.flowsheet.nodes, wanted, strict=False))

    def answered(self, key: Key) -> Read | Known:
        """Give what came out for something asked."""
        at = self.asked.at.get(key)
        return _UNKNOWN if at is None else self.balance.readings[at]

    def amount(self, known: Known | Read) -> Amount:
        """Give a mass in the flowsheet's unit."""
        return Amount(**self.amount_of(known))

    def amount_of(self, known: Known | Read) -> Members:
        """Give the members of a mass in the flowsheet's unit."""
        return {
            "value": known.value,
            "sd": known.sd,
            "class_": known.knowledge,
            "unit": self.mass_unit,
        }

    def share(self, known: Known | Read) -> Share:
        """Give a share in percent."""
        return Share(**share_of(known))

    def mass(self, estimate: Estimate, entry: Entry | None) -> Members:
        """Give the members of a mass that may have been read."""
        return _quantity(estimate, 1.0, self.mass_unit, entry)

    def assay(self, estimate: Estimate, unit: str, entry: Entry | None) -> Members:
        """Give the members of an assay that may have been read."""
        return _quantity(estimate, UNITS[unit].per_whole, unit, entry)


def _quantity(estimate: Estimate, factor: float, unit: str | None, entry: Entry | None) -> Members:
    """
    Give the members of a quantity in its unit, ``factor`` of which make one of the engine's.

    A reading already in the unit of the reply comes back as the caller wrote it, not after a
    conversion there and back.
    """
    reading, reading_sd = None, None
    if entry is not None:
        into = unit or entry.unit
        reading, reading_sd = (
            None if x is None else convert(x, entry.unit, into) for x in (entry.value, entry.sd)
        )
    unmoved = reading is not None and estimate.adjustment == 0
    return {
        "reading": reading,
        "reading_sd": reading_sd,
        "value": reading if unmoved else times(estimate.value, factor),
        "sd": times(estimate.sd, factor),
        "adjustment": times(estimate.adjustment, factor),
        "standardised": estimate.standardised,
        "class_": estimate.knowledge,
    }
