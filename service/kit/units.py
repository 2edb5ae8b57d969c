"""
Units of the trade and their conversion, which happens at this edge and nowhere else.

Inside, assays are mass fractions and masses are in the one mass unit of the flowsheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, get_args

AssayUnit = Literal["%", "ppm", "ppb", "g/t", "fraction"]
MassUnit = Literal["g", "kg", "t", "lb", "g/h", "kg/h", "t/h"]
AnyUnit = Literal["%", "ppm", "ppb", "g/t", "fraction", "g", "kg", "t", "lb", "g/h", "kg/h", "t/h"]

ASSAY_UNITS: tuple[str, ...] = get_args(AssayUnit)
MASS_UNITS: tuple[str, ...] = get_args(MassUnit)


class Kind(StrEnum):
    """What a unit measures; only units of one kind convert into each other."""

    ASSAY = "assay"
    MASS = "mass"
    RATE = "mass per hour"


@dataclass(frozen=True, slots=True)
class Unit:
    """
    A unit: its UCUM code, its kind, and how many of it make one of the base.

    The base is the whole (mass fraction 1) for an assay and one gram, or one gram per hour,
    for a mass.  Counts of an assay unit are whole numbers, so that dividing by them is
    correctly rounded and 100 % is exactly 1.
    """

    ucum: str
    kind: Kind
    grams: float = 1.0
    per_whole: float = 1.0


# UCUM: The Unified Code for Units of Measure, https://ucum.org; the pound is the
# international avoirdupois pound, 453.59237 g exactly.
UNITS: dict[str, Unit] = {
    "%": Unit("%", Kind.ASSAY, per_whole=100.0),
    "ppm": Unit("[ppm]", Kind.ASSAY, per_whole=1e6),
    "ppb": Unit("[ppb]", Kind.ASSAY, per_whole=1e9),
    "g/t": Unit("g/t", Kind.ASSAY, per_whole=1e6),
    "fraction": Unit("1", Kind.ASSAY),
    "g": Unit("g", Kind.MASS),
    "kg": Unit("kg", Kind.MASS, grams=1e3),
    "t": Unit("t", Kind.MASS, grams=1e6),
    "lb": Unit("[lb_av]", Kind.MASS, grams=453.59237),
    "g/h": Unit("g/h", Kind.RATE),
    "kg/h": Unit("kg/h", Kind.RATE, grams=1e3),
    "t/h": Unit("t/h", Kind.RATE, grams=1e6),
}

UCUM_TEXT = "UCUM codes: " + ", ".join(f"{name} is {unit.ucum}" for name, unit in UNITS.items())

# Spellings people try, each with the word used here; only for advice, never accepted.
OTHER_SPELLINGS: dict[str, str] = {
    "percent": "%",
    "pct": "%",
    "wt%": "%",
    "wt.%": "%",
    "% w/w": "%",
    "mg/kg": "ppm",
    "ug/g": "ppm",
    "gpt": "g/t",
    "ug/kg": "ppb",
    "1": "fraction",
    "gram": "g",
    "grams": "g",
    "kilogram": "kg",
    "ton": "t",
    "tonne": "t",
    "tonnes": "t",
    "mt": "t",
    "lbs": "lb",
    "tph": "t/h",
    "tpd": "t/h",
    "kgph": "kg/h",
}


def to_fraction(value: float, unit: str) -> float:
    """Give an assay in the named unit as a mass fraction."""
    return value / UNITS[unit].per_whole


def from_fraction(fraction: float, unit: str) -> float:
    """Give a mass fraction as an assay in the named unit."""
    return fraction * UNITS[unit].per_whole


def convert_mass(value: float, unit: str, into: str) -> float:
    """Give a mass (or a mass per hour) in another unit of the same kind."""
    if unit == into:
        return value
    return value * UNITS[unit].grams / UNITS[into].grams


def convert(value: float, unit: str, into: str) -> float:
    """Give a value in another unit of the same kind."""
    if UNITS[unit].kind is Kind.ASSAY:
        return from_fraction(to_fraction(value, unit), into)
    return convert_mass(value, unit, into)
