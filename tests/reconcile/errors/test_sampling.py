"""The fundamental sampling error, against a textbook case and a simulated lot of grains."""

import math
from dataclasses import replace

import numpy as np
import pytest

from reconcile.errors import Material, UnusableErrorInput, sample_mass_for, sampling_relative_sd

# Lead ore of Wills' Mineral Processing Technology, sampling chapter (inputs from memory): 5 % Pb as
# galena with 86.6 % Pb, liberated at 0.015 cm; cm, g/cm3, g.  The masses are arithmetic on these
# inputs, held to 1 % since rounding the fraction to 0.058 moves them by half a percent.
LEAD_ORE = Material(
    top_size=2.5,
    liberation_size=0.015,
    mineral_fraction=5 / 86.6,
    mineral_density=7.5,
    gangue_density=2.65,
    shape_factor=0.5,
    range_factor=0.25,
)


@pytest.mark.parametrize(("top_size", "mass"), [(2.5, 178_260.0), (0.5, 3189.0), (0.1, 57.04)])
def test_lead_ore_needs_the_mass_of_the_textbook_case(top_size: float, mass: float) -> None:
    """±0.1 % Pb at two sds, a relative sd of 0.01: 178.26 kg, 3.189 kg and 57.04 g."""
    ore = replace(LEAD_ORE, top_size=top_size)

    assert pytest.approx(mass, rel=0.01) == sample_mass_for(ore, 0.01)
    assert pytest.approx(0.01, rel=0.01) == sampling_relative_sd(ore, mass)


def test_the_factors_of_lead_ore_are_those_of_the_textbook_case() -> None:
    """Composition 117.83 g/cm3, liberation 0.07746."""
    assert pytest.approx(117.83, rel=0.001) == LEAD_ORE.composition_factor
    assert pytest.approx(0.07746, rel=0.001) == LEAD_ORE.liberation_factor


def test_below_the_liberation_size_the_factor_is_one() -> None:
    """Grains that are free already cannot become freer."""
    assert 1 == replace(LEAD_ORE, top_size=0.01).liberation_factor


def test_liberated_cubes_of_one_size_vary_as_the_binomial_law_says() -> None:
    """
    Equal densities, one size, all free: the error is that of counting grains.

    A sample of n grains with a share a of mineral has the relative sd sqrt((1-a)/(a n)).
    """
    cubes = Material(0.1, 0.1, 0.2, 3.0, 3.0, shape_factor=1.0, range_factor=1.0)
    grains = 1000
    mass = grains * 3.0 * 0.1**3

    assert pytest.approx(math.sqrt(0.8 / 0.2 / grains)) == sampling_relative_sd(cubes, mass)


def test_grains_drawn_at_random_vary_as_the_formula_says() -> None:
    """Free grains of two densities, 20,000 samples: the spread is the formula's within 3 %."""
    a, heavy, light, size = 0.1, 7.5, 2.65, 0.1
    material = Material(size, size, a, heavy, light, shape_factor=1.0, range_factor=1.0)
    by_number = a / heavy / (a / heavy + (1 - a) / light)
    grains = 4000
    mineral = np.random.default_rng(4).binomial(grains, by_number, 20_000)
    masses = size**3 * (mineral * heavy + (grains - mineral) * light)
    contents = size**3 * mineral * heavy / masses

    expected = sampling_relative_sd(material, float(masses.mean()))

    assert pytest.approx(expected, rel=0.03) == contents.std() / contents.mean()


def test_the_whole_lot_has_no_sampling_error() -> None:
    """1/M_S - 1/M_L: zero for the lot itself, less by the root of a half for half of it."""
    whole = sampling_relative_sd(LEAD_ORE, 1000.0)

    assert 0 == sampling_relative_sd(LEAD_ORE, 1000.0, lot_mass=1000.0)
    assert pytest.approx(whole / math.sqrt(2)) == sampling_relative_sd(LEAD_ORE, 1000.0, 2000.0)


@pytest.mark.parametrize("lot_mass", [None, 5000.0])
def test_the_mass_for_an_error_has_that_error(lot_mass: float | None) -> None:
    """The two functions undo each other."""
    mass = sample_mass_for(LEAD_ORE, 0.05, lot_mass)

    assert pytest.approx(0.05) == sampling_relative_sd(LEAD_ORE, mass, lot_mass)


def test_units_may_be_any_that_fit() -> None:
    """Metres and kilograms give the error that centimetres and grams give."""
    in_metres = replace(
        LEAD_ORE,
        top_size=0.025,
        liberation_size=0.00015,
        mineral_density=7500.0,
        gangue_density=2650.0,
    )

    assert pytest.approx(sampling_relative_sd(LEAD_ORE, 2000.0)) == sampling_relative_sd(
        in_metres, 2.0
    )


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("top_size", 0.0),
        ("liberation_size", -1.0),
        ("mineral_fraction", 0.0),
        ("mineral_fraction", 1.0),
        ("mineral_fraction", 5.8),
        ("mineral_density", math.nan),
        ("gangue_density", math.inf),
        ("shape_factor", 1.5),
        ("range_factor", 0.0),
    ],
)
def test_impossible_material_is_refused(member: str, value: float) -> None:
    """The exception names the member."""
    with pytest.raises(UnusableErrorInput) as refusal:
        replace(LEAD_ORE, **{member: value})

    assert member == refusal.value.argument


@pytest.mark.parametrize(
    ("argument", "call"),
    [
        ("sample_mass", lambda: sampling_relative_sd(LEAD_ORE, -1.0)),
        ("sample_mass", lambda: sampling_relative_sd(LEAD_ORE, 2.0, lot_mass=1.0)),
        ("lot_mass", lambda: sampling_relative_sd(LEAD_ORE, 2.0, lot_mass=0.0)),
        ("relative_sd", lambda: sample_mass_for(LEAD_ORE, 0.0)),
    ],
)
def test_impossible_masses_are_refused(argument: str, call) -> None:
    """A sample weighs something, and no more than its lot."""
    with pytest.raises(UnusableErrorInput) as refusal:
        call()

    assert argument == refusal.value.argument
