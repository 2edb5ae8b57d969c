"""What every part of the answer needs: the balance, the units, and the names on the wire."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

from reconcile import Balance, Estimate, Knowledge, Known
from reconcile.balance import Read
from reconcile.periods import Period
from service.balances.intake import Intake
from service.balances.reply import Share
from service.balances.terms.asked import Asked, Key
from service.balances.terms.readings import Entry
from service.balances.terms.sheet import Sheet
from service.kit.replies import Members
from service.kit.units import UNITS, convert

PERCENT = 100.0

Kept = TypeVar("Kept")

_UNKNOWN = Known(None, None, Knowledge.UNOBSERVABLE)


def times(number: float | None, factor: float) -> float | None:
    """Multiply a number that may not be known."""
    return None if number is None else number * factor


def share_of(known: Known | Read) -> Members:
    """Give the members of a share, in percent."""
    value, sd = known.value, known.sd
    return {
        "value": None if value is None else value * PERCENT,
        "sd": None if sd is None else sd * PERCENT,
        "class": known.knowledge,
        "unit": "%",
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

    def kept(self, name: str, make: Callable[[], Kept]) -> Kept:
        """
        Give what follows from the flowsheet and the unit of its masses, made once for them.

        It goes with the flowsheet, which is kept in bounded room.
        """
        place, kept = (name, self.mass_unit), self.sheet.kept
        found: Kept | None = kept.get(place)
        if found is None:
            found = kept[place] = make()
        return found

    @cached_property
    def read(self) -> dict[tuple[str, str], Entry]:
        """The readings of one word in one stream, not limits, by the engine's names."""
        return {
            (entry.place.names[0], entry.words): entry
            for entry in self.intake.terms.entries
            if len(entry.place.names) == 1 and entry.limit is None and entry.counted is None
        }

    @cached_property
    def components(self) -> list[tuple[str, str]]:
        """The components with their units, in the order of the request."""
        return [(c.name, c.unit) for c in self.sheet.wire.components]

    @property
    def labels(self) -> dict[str, tuple[str, Period]]:
        """Of each stream of the engine, its name and period on the wire."""
        return self.sheet.labels

    @property
    def nodes(self) -> dict[str, tuple[str, Period]]:
        """Of each node of the engine that is one of the request, its name and period there."""
        return self.sheet.labels_of_nodes

    def answered(self, key: Key) -> Read | Known:
        """Give what came out for something asked."""
        at = self.asked.at.get(key)
        return _UNKNOWN if at is None else self.balance.readings[at]

    def amount_of(self, known: Known | Read) -> Members:
        """Give the members of a mass in the flowsheet's unit."""
        return {
            "value": known.value,
            "sd": known.sd,
            "class": known.knowledge,
            "unit": self.mass_unit,
        }

    def share(self, known: Known | Read) -> Share:
        """Give a share in percent."""
        return Share.model_validate(share_of(known))

    def assay(self, estimate: Estimate, unit: str, entry: Entry | None) -> Members:
        """Give the members of an assay that may have been read."""
        return _quantity(estimate, UNITS[unit].per_whole, unit, entry)


def read_in(unit: str | None, entry: Entry) -> tuple[float | None, float | None]:
    """
    Give what was read in the unit of the reply, and its sd.

    What is in that unit already comes back as the caller wrote it, not after a conversion there
    and back.
    """
    if unit is None or unit == entry.unit:
        return entry.value, entry.sd
    value, sd = (
        None if x is None else convert(x, entry.unit, unit) for x in (entry.value, entry.sd)
    )
    return value, sd


def _quantity(estimate: Estimate, factor: float, unit: str | None, entry: Entry | None) -> Members:
    """Give the members of a quantity in its unit, ``factor`` of which make one of the engine's."""
    reading, reading_sd = (None, None) if entry is None else read_in(unit, entry)
    value, sd, adjustment = estimate.value, estimate.sd, estimate.adjustment
    unmoved = reading is not None and adjustment == 0
    return {
        "reading": reading,
        "reading_sd": reading_sd,
        "value": reading if unmoved else None if value is None else value * factor,
        "sd": None if sd is None else sd * factor,
        "adjustment": None if adjustment is None else adjustment * factor,
        "standardised": estimate.standardised,
        "class": estimate.knowledge,
        "unit": unit,
    }
