"""What every part of the answer needs: the balance, the units, and the names on the wire."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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
    reading, reading_sd = (None, None) if entry is None else (entry.value, entry.sd)
    if entry is not None and unit is not None and unit != entry.unit:
        reading, reading_sd = (
            None if x is None else convert(x, entry.unit, unit) for x in (reading, reading_sd)
        )
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
