"""
Units of the trade and their conversion, which happens at this edge and nowhere else.

Inside, assays are mass fractions and masses are in the one mass unit of the flowsheet.

The factors are those of ``scipy.constants``, made exact again, so that a conversion costs no more
than rounding.  It holds every unit needed here and is loaded with the engine anyway; a library of
quantities, whose sums and products carry units, would add its loading time to every start and
nothing else, since calculation is never done in units.  The tests hold factors and kinds to such
a library all the same.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import cache, cached_property
from typing import Literal, get_args

from scipy import constants

AssayUnit = Literal["%", "ppm", "ppb", "g/t", "ozt/st", "fraction"]
ShareUnit = Literal["%", "fraction"]
MassUnit = Literal[
    "mg",
    "g",
    "kg",
    "t",
    "lb",
    "ozt",
    "short ton",
    "long ton",
    "g/min",
    "kg/min",
    "t/min",
    "lb/min",
    "short ton/min",
    "long ton/min",
    "g/h",
    "kg/h",
    "t/h",
    "lb/h",
    "short ton/h",
    "long ton/h",
    "g/d",
    "kg/d",
    "t/d",
    "lb/d",
    "short ton/d",
    "long ton/d",
]
DensityUnit = Literal["kg/m3", "t/m3", "g/cm3", "lb/ft3"]
VolumeUnit = Literal["m3", "L", "mL", "cm3", "ft3"]
LengthUnit = Literal["um", "mm", "in"]
AnyUnit = Literal[AssayUnit, MassUnit]
"""What a reading may name: the unit of an assay, of a mass, or of a mass per unit time."""

ASSAY_UNITS: tuple[str, ...] = get_args(AssayUnit)
SHARE_UNITS: tuple[str, ...] = get_args(ShareUnit)
MASS_UNITS: tuple[str, ...] = get_args(MassUnit)
DENSITY_UNITS: tuple[str, ...] = get_args(DensityUnit)
VOLUME_UNITS: tuple[str, ...] = get_args(VolumeUnit)
LENGTH_UNITS: tuple[str, ...] = get_args(LengthUnit)


class Kind(StrEnum):
    """What a unit measures; only units of one kind convert into each other."""

    ASSAY = "mass fraction"
    MASS = "mass"
    RATE = "mass per unit time"
    DENSITY = "density"
    VOLUME = "volume"
    LENGTH = "length"


class UnitsDoNotFit(ValueError):
    """Two units that measure different things; callers check with ``fit`` beforehand."""

    def __init__(self, unit: str, into: str) -> None:
        super().__init__(
            f"'{unit}' ({UNITS[unit].kind}) does not convert into '{into}' ({UNITS[into].kind})."
        )


@dataclass(frozen=True)
class Unit:
    """
    A unit: its UCUM code, its kind, and its exact size.

    The size is in kg, kg/s, kg/m3, m3 or m; that of a mass fraction is in the whole.
    """

    ucum: str
    kind: Kind
    size: Fraction

    @cached_property
    def per_whole(self) -> float:
        """How many of this unit make one of the size's unit: for an assay, the whole."""
        return float(1 / self.size)


def _exact(constant: float) -> Fraction:
    """
    Give a factor of the library as the decimal that defines it.

    The library multiplies some of its factors up from others, and is then a last bit off.  None
    of those taken here has more than eleven digits by definition.
    """
    return Fraction(f"{constant:.12g}")


_GRAM = _exact(constants.gram)
_TONNE = _exact(constants.metric_ton)
_POUND = _exact(constants.pound)
_TROY_OUNCE = _exact(constants.troy_ounce)
_SHORT_TON = _exact(constants.short_ton)
_LONG_TON = _exact(constants.long_ton)
_CENTIMETRE = _exact(constants.centi)
_LITRE = _exact(constants.liter)
_FOOT = _exact(constants.foot)

# UCUM: The Unified Code for Units of Measure, https://ucum.org.  A day has 24 hours.
_BY_TIME: dict[str, tuple[str, Fraction]] = {
    "g": ("g", _GRAM),
    "kg": ("kg", Fraction(1)),
    "t": ("t", _TONNE),
    "lb": ("[lb_av]", _POUND),
    "short ton": ("[ston_av]", _SHORT_TON),
    "long ton": ("[lton_av]", _LONG_TON),
}
_TIMES = {
    "min": _exact(constants.minute),
    "h": _exact(constants.hour),
    "d": _exact(constants.day),
}

UNITS: dict[str, Unit] = {
    "%": Unit("%", Kind.ASSAY, Fraction(1, 100)),
    "ppm": Unit("[ppm]", Kind.ASSAY, Fraction(1, 10**6)),
    "ppb": Unit("[ppb]", Kind.ASSAY, Fraction(1, 10**9)),
    "g/t": Unit("g/t", Kind.ASSAY, _GRAM / _TONNE),
    "ozt/st": Unit("[oz_tr]/[ston_av]", Kind.ASSAY, _TROY_OUNCE / _SHORT_TON),
    "fraction": Unit("1", Kind.ASSAY, Fraction(1)),
    "mg": Unit("mg", Kind.MASS, _GRAM / 1000),
    "ozt": Unit("[oz_tr]", Kind.MASS, _TROY_OUNCE),
    **{name: Unit(ucum, Kind.MASS, size) for name, (ucum, size) in _BY_TIME.items()},
    **{
        f"{name}/{time}": Unit(f"{ucum}/{time}", Kind.RATE, size / seconds)
        for time, seconds in _TIMES.items()
        for name, (ucum, size) in _BY_TIME.items()
    },
    "kg/m3": Unit("kg/m3", Kind.DENSITY, Fraction(1)),
    "t/m3": Unit("t/m3", Kind.DENSITY, _TONNE),
    "g/cm3": Unit("g/cm3", Kind.DENSITY, _GRAM / _CENTIMETRE**3),
    "lb/ft3": Unit("[lb_av]/[ft_i]3", Kind.DENSITY, _POUND / _FOOT**3),
    "m3": Unit("m3", Kind.VOLUME, Fraction(1)),
    "L": Unit("L", Kind.VOLUME, _LITRE),
    "mL": Unit("mL", Kind.VOLUME, _LITRE / 1000),
    "cm3": Unit("cm3", Kind.VOLUME, _CENTIMETRE**3),
    "ft3": Unit("[ft_i]3", Kind.VOLUME, _FOOT**3),
    "um": Unit("um", Kind.LENGTH, _exact(constants.micro)),
    "mm": Unit("mm", Kind.LENGTH, _exact(constants.milli)),
    "in": Unit("[in_i]", Kind.LENGTH, _exact(constants.inch)),
}


def ucum_text(units: Iterable[str]) -> str:
    """Give the UCUM codes of these units in a sentence without its full stop."""
    return "UCUM codes: " + ", ".join(f"{name} is {UNITS[name].ucum}" for name in units)


UCUM_TEXT = ucum_text(get_args(AnyUnit))

# Spellings people try, in small letters, each with the word used here; only for advice, never
# accepted.
OTHER_SPELLINGS: dict[str, str] = {
    "percent": "%",
    "pct": "%",
    "wt%": "%",
    "wt.%": "%",
    "% w/w": "%",
    "mg/kg": "ppm",
    "ug/g": "ppm",
    "ug/kg": "ppb",
    "gpt": "g/t",
    "g/tonne": "g/t",
    "1": "fraction",
    "opt": "ozt/st",
    "oz/st": "ozt/st",
    "ozt/ton": "ozt/st",
    "ozt/short ton": "ozt/st",
    "milligram": "mg",
    "gram": "g",
    "grams": "g",
    "gm": "g",
    "kilogram": "kg",
    "kilograms": "kg",
    "kgs": "kg",
    "tonne": "t",
    "tonnes": "t",
    "metric ton": "t",
    "mt": "t",
    "lbs": "lb",
    "pound": "lb",
    "pounds": "lb",
    "troy ounce": "ozt",
    "troy oz": "ozt",
    "st": "short ton",
    "ston": "short ton",
    "us ton": "short ton",
    "net ton": "short ton",
    "lton": "long ton",
    "gross ton": "long ton",
    "imperial ton": "long ton",
    "kgph": "kg/h",
    "kg/hr": "kg/h",
    "lb/hr": "lb/h",
    "t/hr": "t/h",
    "mtph": "t/h",
    "stph": "short ton/h",
    "ltph": "long ton/h",
    "t/day": "t/d",
    "mtpd": "t/d",
    "stpd": "short ton/d",
    "ltpd": "long ton/d",
    "g/l": "kg/m3",
    "kg/l": "g/cm3",
    "g/cc": "g/cm3",
    "g/ml": "g/cm3",
    "sg": "g/cm3",
    "pcf": "lb/ft3",
    "cc": "cm3",
    "litre": "L",
    "liter": "L",
    "cu ft": "ft3",
    "micron": "um",
    "microns": "um",
    "\N{GREEK SMALL LETTER MU}m": "um",
    "inch": "in",
    "inches": "in",
}


def _which_ton(per_time: str) -> str:
    return (
        f"A ton is not guessed: 't{per_time}' counts 1000 kg, 'short ton{per_time}' 2000 lb, "
        f"'long ton{per_time}' 2240 lb."
    )


_WHICH_OUNCE = (
    "An ounce is not guessed: 'ozt' is the troy ounce of 31.1 g; give others in 'lb', "
    "of which an avoirdupois ounce is a sixteenth."
)
_WHICH_OUNCE_A_TON = (
    "Neither ounce nor ton is guessed: 'ozt/st' is troy ounces per short ton, 34.3 g/t; "
    "give others in 'g/t'."
)

# Words of the trade with more than one meaning, in small letters, each with what to say.
UNCLEAR: dict[str, str] = {
    "ton": _which_ton(""),
    "tons": _which_ton(""),
    "ton/h": _which_ton("/h"),
    "tons/h": _which_ton("/h"),
    "tph": _which_ton("/h"),
    "ton/d": _which_ton("/d"),
    "tons/d": _which_ton("/d"),
    "tpd": _which_ton("/d"),
    "oz": _WHICH_OUNCE,
    "ounce": _WHICH_OUNCE,
    "ounces": _WHICH_OUNCE,
    "oz/t": _WHICH_OUNCE_A_TON,
    "oz/ton": _WHICH_OUNCE_A_TON,
}

_IN_SMALL_LETTERS = {name.lower(): name for name in UNITS}


def advice_on(spelling: str, known: Collection[str]) -> str:
    """
    Say what an unknown spelling may mean among the known units; empty if nothing comes to mind.

    Capitals, raised digits and the two letters mu of the character set make no difference.
    """
    plain = unicodedata.normalize("NFKC", spelling).strip().lower()
    if plain in UNCLEAR:
        return UNCLEAR[plain]
    meant = OTHER_SPELLINGS.get(plain) or _IN_SMALL_LETTERS.get(plain)
    return f"Did you mean '{meant}'?" if meant in known else ""


def fit(unit: str, into: str) -> bool:
    """Tell whether two units measure the same, so that one converts into the other."""
    return UNITS[unit].kind is UNITS[into].kind


@cache
def ratio(unit: str, into: str) -> tuple[float, float]:
    """
    Give what to multiply by and what to divide by.

    Both are whole numbers, and one of them is 1 between metric units: the result is then
    correctly rounded, and 100 % is exactly 1.

    Raises:
        UnitsDoNotFit: the units are of different kinds.
    """
    if not fit(unit, into):
        raise UnitsDoNotFit(unit, into)
    ratio = UNITS[unit].size / UNITS[into].size
    return float(ratio.numerator), float(ratio.denominator)


def convert(value: float, unit: str, into: str) -> float:
    """
    Give a value in another unit of the same kind; into its own unit it stays the same float.

    Raises:
        UnitsDoNotFit: the units are of different kinds.
    """
    times, over = ratio(unit, into)
    return value * times / over


def to_fraction(value: float, unit: str) -> float:
    """
    Give an assay in the named unit as a mass fraction.

    Raises:
        UnitsDoNotFit: the unit is not one of assays.
    """
    return convert(value, unit, "fraction")


def from_fraction(fraction: float, unit: str) -> float:
    """
    Give a mass fraction as an assay in the named unit.

    Raises:
        UnitsDoNotFit: the unit is not one of assays.
    """
    return convert(fraction, "fraction", unit)


def convert_mass(value: float, unit: str, into: str) -> float:
    """
    Give a mass in another unit of mass, or a mass per unit time in another of those.

    Raises:
        UnitsDoNotFit: one unit is of a mass, the other of a mass per unit time or of neither.
    """
    return convert(value, unit, into)
