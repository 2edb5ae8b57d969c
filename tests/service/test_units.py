"""Units: their factors from outside, exactness, what converts into what, and advice."""

from fractions import Fraction
from itertools import permutations, product
from typing import get_args

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.kit.units import (
    ASSAY_UNITS,
    DENSITY_UNITS,
    LENGTH_UNITS,
    MASS_UNITS,
    OTHER_SPELLINGS,
    SHARE_UNITS,
    UNCLEAR,
    UNITS,
    VOLUME_UNITS,
    AnyUnit,
    UnitsDoNotFit,
    advice_on,
    convert,
    convert_mass,
    fit,
    from_fraction,
    to_fraction,
)

from .client import faults, minimal, post

# The same units in the words of the other library.
_MASSES = {
    "g": "gram",
    "kg": "kilogram",
    "t": "metric_ton",
    "lb": "pound",
    "short ton": "short_ton",
    "long ton": "long_ton",
}
_TIMES = {"min": "minute", "h": "hour", "d": "day"}
PEER = {
    "%": "percent",
    "ppm": "ppm",
    "ppb": "microgram / kilogram",
    "g/t": "gram / metric_ton",
    "ozt/st": "troy_ounce / short_ton",
    "fraction": "dimensionless",
    "mg": "milligram",
    "ozt": "troy_ounce",
    **_MASSES,
    **{f"{m}/{t}": f"{_MASSES[m]} / {_TIMES[t]}" for m, t in product(_MASSES, _TIMES)},
    "kg/m3": "kilogram / meter ** 3",
    "t/m3": "metric_ton / meter ** 3",
    "g/cm3": "gram / centimeter ** 3",
    "lb/ft3": "pound / foot ** 3",
    "m3": "meter ** 3",
    "L": "liter",
    "mL": "milliliter",
    "cm3": "centimeter ** 3",
    "ft3": "foot ** 3",
    "um": "micrometer",
    "mm": "millimeter",
    "in": "inch",
}
PAIRS = [(unit, into) for unit, into in permutations(UNITS, 2) if fit(unit, into)]
NUMBERS = st.floats(-1e12, 1e12).filter(lambda x: x == 0 or abs(x) > 1e-12)


# --- factors --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "into", "expected"),
    [
        # The pound of 1959 (Weights and Measures Act 1963, UK; Federal Register 24-5348, US)
        # and what is counted in it: NIST Handbook 44, appendix C.  Quoted from memory.
        (1, "lb", "kg", 0.45359237),
        (1, "lb", "g", 453.59237),
        (1, "short ton", "lb", 2000),
        (1, "short ton", "kg", 907.18474),
        (1, "long ton", "lb", 2240),
        (1, "long ton", "kg", 1016.0469088),
        (1, "ozt", "g", 31.1034768),
        (1, "ft3", "L", 28.316846592),
        (1, "in", "mm", 25.4),
        # By hand: 31.1034768 g in 0.90718474 t, which is 240/7 g/t.
        (7, "ozt/st", "g/t", 240),
        # By hand: SI prefixes, 24 hours of 60 minutes.
        (1, "t", "kg", 1000),
        (1, "mg", "g", 0.001),
        (1, "kg/h", "t/h", 0.001),
        (24, "t/d", "t/h", 1),
        (1, "short ton/h", "short ton/d", 24),
        (60, "kg/h", "kg/min", 1),
        (1, "%", "ppm", 10_000),
        (2, "g/t", "ppb", 2000),
        (2.65, "g/cm3", "kg/m3", 2650),
        (2.65, "t/m3", "g/cm3", 2.65),
        (1, "m3", "L", 1000),
        (1, "cm3", "mL", 1),
        (1, "mm", "um", 1000),
    ],
)
def test_factors_are_the_published_ones(
    value: float, unit: str, into: str, expected: float
) -> None:
    """A factor is exact to the last bit, or one bit off where it is rounded twice."""
    assert expected == pytest.approx(convert(value, unit, into), rel=2.3e-16, abs=0)


def test_water_weighs_as_much_as_in_any_table() -> None:
    """62.428 lb/ft3 at 1000 kg/m3 (Perry's Chemical Engineers' Handbook, from memory)."""
    assert 62.428 == pytest.approx(convert(1000, "kg/m3", "lb/ft3"), abs=5e-4)


def test_an_ounce_to_the_ton_is_as_in_any_table() -> None:
    """34.2857 g/t (assayers' tables, from memory)."""
    assert 34.2857 == pytest.approx(convert(1, "ozt/st", "g/t"), abs=5e-5)


@pytest.fixture(scope="module")
def peer() -> "pint.UnitRegistry[Fraction]":
    """Give another library of units, counting in exact fractions."""
    return pint.UnitRegistry(non_int_type=Fraction)


def test_factors_agree_exactly_with_another_library(peer: "pint.UnitRegistry[Fraction]") -> None:
    """Sizes are fractions without rounding, and so are those of Pint."""
    for unit, into in PAIRS:
        theirs = peer.Quantity(Fraction(1), PEER[unit]).to(PEER[into]).magnitude
        assert theirs == UNITS[unit].size / UNITS[into].size, (unit, into)


def test_kinds_agree_with_the_dimensions_of_another_library(
    peer: "pint.UnitRegistry[Fraction]",
) -> None:
    """Two units convert here if, and only if, they have the same dimensions there."""
    dimensions = {unit: peer.Quantity(Fraction(1), PEER[unit]).dimensionality for unit in UNITS}

    for unit, into in product(UNITS, UNITS):
        assert fit(unit, into) == (dimensions[unit] == dimensions[into]), (unit, into)


# --- exactness ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "fraction"),
    [
        (100, "%", 1.0),
        (1e6, "ppm", 1.0),
        (1e9, "ppb", 1.0),
        (1e6, "g/t", 1.0),
        (0.6, "g/t", 6e-7),
        (1, "fraction", 1),
    ],
)
def test_assays_become_mass_fractions(value: float, unit: str, fraction: float) -> None:
    """The whole is exactly 1 in every metric unit, so that 100 % is never above itself."""
    assert fraction == to_fraction(value, unit)
    assert value == from_fraction(fraction, unit)
    assert value == fraction * UNITS[unit].per_whole


@given(NUMBERS, st.sampled_from(sorted(UNITS)))
def test_a_unit_into_itself_changes_no_bit(value: float, unit: str) -> None:
    """What needs no conversion comes back as the same float."""
    assert value.hex() == convert(value, unit, unit).hex()


@given(NUMBERS, st.sampled_from(PAIRS))
def test_conversion_there_and_back_changes_nothing(value: float, pair: tuple[str, str]) -> None:
    """Two conversions cost no more than four roundings."""
    unit, into = pair

    assert value == pytest.approx(convert(convert(value, unit, into), into, unit), rel=5e-16)


@given(NUMBERS, st.sampled_from(PAIRS))
def test_a_conversion_is_off_by_two_roundings_at_most(value: float, pair: tuple[str, str]) -> None:
    """Held against the exact product of fractions."""
    unit, into = pair
    exact = Fraction(value) * UNITS[unit].size / UNITS[into].size

    assert abs(Fraction(convert(value, unit, into)) - exact) <= abs(exact) / 2**52


def test_factors_are_ratios_of_whole_numbers_that_a_float_holds() -> None:
    """Otherwise a conversion would be rounded once more."""
    for unit, into in PAIRS:
        ratio = UNITS[unit].size / UNITS[into].size
        assert max(ratio.numerator, ratio.denominator) < 2**53, (unit, into)


# --- what does not fit ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "into"),
    [("t", "t/h"), ("t/h", "m3"), ("%", "kg"), ("kg/m3", "kg"), ("um", "m3"), ("g/t", "g/h")],
)
def test_units_of_different_kinds_do_not_convert(unit: str, into: str) -> None:
    """The refusal names both units and what they measure."""
    with pytest.raises(UnitsDoNotFit, match=f"'{unit}'.*'{into}'"):
        convert(1.0, unit, into)
    with pytest.raises(UnitsDoNotFit):
        convert_mass(1.0, into, unit)


def test_only_assays_become_fractions() -> None:
    """A kilogram is no fraction of anything by itself."""
    with pytest.raises(UnitsDoNotFit):
        to_fraction(1.0, "kg")
    with pytest.raises(UnitsDoNotFit):
        from_fraction(1.0, "kg")


@pytest.mark.parametrize(
    ("mass_unit", "unit"), [("g", "g/h"), ("t/d", "t"), ("short ton", "lb/min"), ("ozt", "%")]
)
def test_a_mass_in_a_unit_of_another_kind_is_one_fault(mass_unit: str, unit: str) -> None:
    """A mass is not a mass per unit time; the reply says so and nothing else."""
    request = minimal()
    request["flowsheet"]["mass_unit"] = mass_unit
    request["readings"][0]["unit"] = unit

    assert {"/readings/0/unit": "unit-does-not-fit"} == faults(post(request))


# --- names ----------------------------------------------------------------------------------


def test_every_unit_is_offered_and_every_unit_offered_is_there() -> None:
    """The enumerations of the contract and the table of factors hold the same names."""
    offered = (*ASSAY_UNITS, *MASS_UNITS, *DENSITY_UNITS, *VOLUME_UNITS, *LENGTH_UNITS)

    assert len(offered) == len(set(offered))
    assert set(offered) == set(UNITS)
    assert set(SHARE_UNITS) <= set(ASSAY_UNITS)
    assert (*ASSAY_UNITS, *MASS_UNITS) == get_args(AnyUnit)


@pytest.mark.parametrize(
    ("unit", "code"),
    [
        *((u, u) for u in ("%", "g/t", "mg", "g", "kg", "t", "t/h", "kg/d", "g/min")),
        *((u, u) for u in ("kg/m3", "t/m3", "g/cm3", "m3", "L", "mL", "cm3", "um", "mm")),
        ("ppm", "[ppm]"),
        ("ppb", "[ppb]"),
        ("ozt/st", "[oz_tr]/[ston_av]"),
        ("fraction", "1"),
        ("lb", "[lb_av]"),
        ("ozt", "[oz_tr]"),
        ("short ton", "[ston_av]"),
        ("long ton/d", "[lton_av]/d"),
        ("lb/ft3", "[lb_av]/[ft_i]3"),
        ("ft3", "[ft_i]3"),
        ("in", "[in_i]"),
    ],
)
def test_each_unit_has_a_ucum_code(unit: str, code: str) -> None:
    """The Unified Code for Units of Measure, case-sensitive, quoted from memory."""
    assert code == UNITS[unit].ucum


def test_no_advice_is_about_a_unit_or_leads_to_none() -> None:
    """What is advised exists, and what exists needs no advice."""
    assert set(OTHER_SPELLINGS.values()) <= set(UNITS)
    assert not (set(OTHER_SPELLINGS) | set(UNCLEAR)) & set(UNITS)
    assert not set(OTHER_SPELLINGS) & set(UNCLEAR)
    assert all(word == word.lower() for word in (*OTHER_SPELLINGS, *UNCLEAR))


@pytest.mark.parametrize(
    ("spelling", "meant"),
    [
        ("\N{MICRO SIGN}m", "um"),
        ("\N{GREEK SMALL LETTER MU}m", "um"),
        ("kg/m\N{SUPERSCRIPT THREE}", "kg/m3"),
        ("KG", "kg"),
        (" T/H ", "t/h"),
        ("ml", "mL"),
        ("Tonnes", "t"),
    ],
)
def test_other_spellings_bring_the_one_used_here(spelling: str, meant: str) -> None:
    """Signs and capitals are no hindrance to advice; they are not accepted either."""
    assert spelling not in UNITS
    assert f"Did you mean '{meant}'?" == advice_on(spelling, tuple(UNITS))


def test_advice_is_only_about_what_could_stand_there() -> None:
    """A unit of mass is no help where an assay is named, and a strange word brings none."""
    assert not advice_on("tonnes", ASSAY_UNITS)
    assert not advice_on("firkin", tuple(UNITS))


@pytest.mark.parametrize(
    ("word", "choices"),
    [
        ("ton", ("'t'", "'short ton'", "'long ton'")),
        ("TPH", ("'t/h'", "'short ton/h'", "'long ton/h'")),
        ("tpd", ("'t/d'", "'short ton/d'", "'long ton/d'")),
        ("oz", ("'ozt'", "avoirdupois")),
        ("oz/ton", ("'ozt/st'", "'g/t'")),
    ],
)
def test_a_bare_ton_or_ounce_is_refused_and_never_guessed(
    word: str, choices: tuple[str, ...]
) -> None:
    """There are three tons and two ounces: the refusal says how to name each."""
    request = minimal()
    request["flowsheet"]["mass_unit"] = word

    reply = post(request)

    assert {"/flowsheet/mass_unit": "unknown-unit"} == faults(reply)
    mend = reply.json()["faults"][0]["mend"]
    assert "not guessed" in mend or "is guessed" in mend
    assert all(choice in mend for choice in choices)


# --- in a request ---------------------------------------------------------------------------


def test_a_balance_in_short_tons_is_that_in_grams() -> None:
    """Readings in pounds, troy ounces and long tons meet in the flowsheet's unit."""
    request = minimal()
    request["flowsheet"]["mass_unit"] = "short ton"
    for reading, unit, per_short_ton in zip(
        request["readings"], ("lb", "long ton", "short ton"), (2000, 1 / 1.12, 1), strict=False
    ):
        reading |= {
            "unit": unit,
            "value": reading["value"] * per_short_ton,
            "sd": reading["sd"] * per_short_ton,
        }

    ours, plain = post(request).json(), post(minimal()).json()

    assert "short ton" == ours["streams"][0]["mass"]["unit"]
    for one, other in zip(ours["streams"], plain["streams"], strict=True):
        assert other["mass"]["value"] == pytest.approx(one["mass"]["value"], rel=1e-8)


def test_an_assay_in_troy_ounces_a_short_ton_is_that_in_grams_a_tonne() -> None:
    """7 ozt/st are 240 g/t, in readings and in the reply."""
    by_gram = minimal()
    by_gram["flowsheet"]["components"] = [{"name": "Sn", "unit": "g/t"}]
    by_ounce = minimal()
    by_ounce["flowsheet"]["components"] = [{"name": "Sn", "unit": "ozt/st"}]
    for reading in by_ounce["readings"][3:]:
        reading["value"] *= 7 / 240

    grams, ounces = (post(r).json()["streams"][1]["assays"][0] for r in (by_gram, by_ounce))

    assert "ozt/st" == ounces["unit"]
    for member in ("value", "sd", "reading", "standardised"):
        assert grams[member] * (1 if member == "standardised" else 7 / 240) == pytest.approx(
            ounces[member], rel=1e-6
        )
