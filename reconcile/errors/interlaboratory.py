"""
How far laboratories differ, from nothing but the content: a last resort.

These functions sum up thousands of collaborative trials, mostly of foods and drugs by wet
chemistry.  They give reproducibility, that is *between* laboratories; repeatability within one
is commonly half to two thirds of it.  They are far too wide for fused-bead X-ray fluorescence of
major oxides, where 0.2 to 0.5 % relative is usual.  Use them only where no replicate, duplicate
or control sample is to be had.

Contents are mass fractions, above 0 and at most 1.
"""

from __future__ import annotations

import math

from .checks import mass_fraction

LOW = 1.2e-7
"""Below it Thompson's relative sd is constant; the first two branches meet here within 0.1 %."""

HIGH = 0.138
"""Above it Thompson's sd grows with the root; the last two branches meet here within 0.1 %."""


def horwitz_relative_sd(fraction: float) -> float:
    """
    Give Horwitz's relative standard deviation between laboratories, dimensionless.

    ``2^(1 - 0.5 log10 C)`` in %, for a mass fraction C: 2 % for a pure substance, doubling for
    each hundredfold dilution.  Horwitz, Kamps and Boyer, J. Assoc. Off. Anal. Chem. 63, 1980,
    1344 (quoted from memory).  Raises `UnusableErrorInput` outside (0, 1].
    """
    return math.exp2(1 - 0.5 * math.log10(mass_fraction("fraction", fraction))) / 100


def horwitz_sd(fraction: float) -> float:
    """Give Horwitz's standard deviation between laboratories as a mass fraction."""
    return fraction * horwitz_relative_sd(fraction)


def thompson_sd(fraction: float) -> float:
    """
    Give Thompson's form of Horwitz's function, a standard deviation as a mass fraction.

    ``0.22 C`` below 1.2e-7, ``0.02 C^0.8495`` up to 0.138, ``0.01 C^0.5`` above: the original is
    too wide at both ends.  Thompson, Analyst 125, 2000, 385 (quoted from memory).  Raises
    `UnusableErrorInput` outside (0, 1].
    """
    c = mass_fraction("fraction", fraction)
    if c < LOW:
        return 0.22 * c
    return 0.02 * c**0.8495 if c <= HIGH else 0.01 * math.sqrt(c)


def thompson_relative_sd(fraction: float) -> float:
    """Give Thompson's standard deviation relative to the content, dimensionless."""
    return thompson_sd(fraction) / fraction
