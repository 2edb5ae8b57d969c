"""What a reading is of, and the units in which it can be read."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile import measurands
from reconcile.faults import Where
from reconcile.flowsheet import SOLIDS, Part
from reconcile.measurands import Measurand
from service.balances.schemas import Of
from service.balances.schemas.words import (
    MASS,
    MOISTURE,
    OF_WATER,
    PERCENT_SOLIDS,
    PULP_DENSITY,
    RESERVED,
    WATER_MASS,
    WET_MASS,
)
from service.kit.units import ASSAY_UNITS, DENSITY_UNITS, MASS_UNITS, UNITS

from .ledger import Ledger, listed
from .sheet import DENSITY_UNIT, Sheet
from .sizes import in_words

AMOUNTS = (MASS, WATER_MASS, WET_MASS)
"""What is read in the unit of masses."""


@dataclass(frozen=True, slots=True)
class Measured:
    """
    What was measured; ``words`` name it.

    ``unit`` is that of a reading which names none, ``base`` that of the engine; ``None`` where it
    must be named and is not.  ``name`` is the component or analyte assayed, if one was; ``word`` is
    the engine's word for a mass or assay of the whole stream.
    """

    of: Measurand
    words: str
    unit: str | None
    base: str | None
    name: str | None = None
    word: str | None = None

    @property
    def is_amount(self) -> bool:
        """Whether it is weighed rather than assayed."""
        return self.of.is_amount

    @property
    def is_assay(self) -> bool:
        """Whether it is a mass fraction of a component or an analyte."""
        return self.name is not None

    @property
    def units(self) -> tuple[str, ...]:
        """The units that fit."""
        if not self.is_amount:
            return DENSITY_UNITS if self.base == DENSITY_UNIT else ASSAY_UNITS
        if self.base is None:
            return MASS_UNITS
        kind = UNITS[self.base].kind
        return tuple(unit for unit in MASS_UNITS if UNITS[unit].kind is kind)


def measured(of: Of, sheet: Sheet, where: Where, ledger: Ledger) -> Measured | None:
    """Give what is meant by a reading's 'of'; pulp densities are left to :func:`pulp_density`."""
    sizes: tuple[str, ...] = ()
    if of.size is not None:
        sizes = _sizes(of, sheet, where, ledger)
        if not sizes:
            return None
    word = of.quantity
    found = _share_of_sizes(of, sizes, sheet) if word is None else None
    if word is not None and _is_known(word, sheet, where, ledger):
        found = _named(of, word, sizes, sheet)
    if word is None and found is None:
        ledger.note(
            where,
            "missing-field",
            "The reading does not say what was measured.",
            "Give 'quantity', or 'size' for the share of the solids in it, or a plain word.",
        )
    stray = of.basis == "as received" and not (found and found.is_assay and not sizes)
    ledger.note_if(
        found is not None and stray,
        (*where, "basis"),
        "basis-does-not-fit",
        "Only the assay of a whole stream can be as received.",
        "Leave 'basis' out.",
    )
    ledger.note_if(
        of.basis == "as received" and not stray and not sheet.wire.water,
        (*where, "basis"),
        "water-not-followed",
        "An assay as received depends on the water, which is not followed.",
        "Add '\"water\": true' to the flowsheet.",
    )
    ledger.note_if(
        found is None and sizes and word in sheet.words,
        (*where, "size"),
        "size-does-not-fit",
        f"'{word}' cannot be read of a size class.",
        f"Read {MASS} or a component of it.",
    )
    return found


def _is_known(word: str, sheet: Sheet, where: Where, ledger: Ledger) -> bool:
    if ledger.note_if(
        word in OF_WATER and not sheet.wire.water,
        where,
        "water-not-followed",
        f"The reading is of '{word}', but water is not followed.",
        "Add '\"water\": true' to the flowsheet.",
    ):
        return False
    return not ledger.note_if(
        word not in sheet.words,
        where,
        "unknown-component",
        f"The reading is of '{word}', which is neither '{MASS}' nor a component of the flowsheet.",
        f"Use one of: {listed(sheet.words)}.",
    )


def _sizes(of: Of, sheet: Sheet, where: Where, ledger: Ledger) -> tuple[str, ...]:
    place = (*where, "size")
    if sheet.ladder is None:
        ledger.note_if(
            sheet.wire.sizes is None,
            place,
            "sizes-not-followed",
            "The reading is of a size, but sizes are not followed.",
            "Give the flowsheet 'sizes' with the apertures.",
        )
        return ()
    assert of.size is not None  # noqa: S101 - the caller saw to it
    return sheet.ladder.selected(of.size, place, ledger)


def _share_of_sizes(of: Of, sizes: tuple[str, ...], sheet: Sheet) -> Measured | None:
    if not sizes or of.size is None or sheet.ladder is None:
        return None
    words = f"share {in_words(of.size, sheet.ladder.unit)}"
    return Measured(measurands.size_fraction(sizes), words, "%", "fraction")


def _named(of: Of, word: str, sizes: tuple[str, ...], sheet: Sheet) -> Measured | None:
    """Give what a word names, in these sizes if there are any."""
    unit = sheet.mass_unit
    received = of.basis == "as received" and sheet.wire.water
    if word in sheet.flowsheet.components:
        found = measurands.assay(word, sizes, as_received=received)
        plain = None if sizes or received else word
        return Measured(found, _said(of, word, sheet), sheet.unit_of(word), "fraction", word, plain)
    if sizes and word == MASS:
        amount = Measurand(MASS, tuple((Part(SOLIDS, size), 1.0) for size in sizes))
        return Measured(amount, _said(of, word, sheet), unit, unit)
    if sizes:
        return None
    if word not in RESERVED:
        found = measurands.analyte(sheet.flowsheet, word, as_received=received)
        return Measured(found, _said(of, word, sheet), sheet.unit_of(word), "fraction", word)
    return {
        MASS: Measured(measurands.solids(), word, unit, unit, word=word),
        WATER_MASS: Measured(measurands.water(), word, unit, unit),
        WET_MASS: Measured(measurands.wet_mass(), word, unit, unit),
        MOISTURE: Measured(measurands.moisture(), word, "%", "fraction"),
        PERCENT_SOLIDS: Measured(measurands.solids_content(), word, "%", "fraction"),
        PULP_DENSITY: Measured(Measurand(PULP_DENSITY, ()), word, None, DENSITY_UNIT),
    }[word]


def _said(of: Of, word: str, sheet: Sheet) -> str:
    if of.size is not None and sheet.ladder is not None:
        return f"{word} in {in_words(of.size, sheet.ladder.unit)}"
    return f"{word}, as received" if of.basis == "as received" else word
