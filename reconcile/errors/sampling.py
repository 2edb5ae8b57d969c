"""
The fundamental sampling error: the least error of a sample of grains, however well it is cut.

Gy's formula (Gy, Sampling of Particulate Materials, 1979; Wills' Mineral Processing Technology,
sampling chapter; quoted from memory).  It leaves out segregation, increments badly cut, losses
and analysis, which add to it.  Where the relative standard deviation comes out above about 0.3
the few grains that matter follow a Poisson law rather than a normal one (a nugget of gold): take
a larger sample instead of trusting the figure.

Any consistent units: sizes in cm, densities in g/cm³ and masses in g, or m, kg/m³ and kg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .checks import UnusableErrorInput, mass_fraction, positive


@dataclass(frozen=True, slots=True)
class Material:
    """
    Broken ore, as far as its sampling error depends on it.

    ``top_size`` is the aperture that passes 95 % of the mass, ``liberation_size`` that at which
    the mineral is free of the gangue, both lengths.  ``mineral_fraction`` is the mass fraction of
    the *mineral* (galena, not lead), between 0 and 1; ``mineral_density`` and ``gangue_density``
    are those of solid grains.  ``shape_factor`` is the volume of a grain over the cube of its
    size (0.5 for most, 0.2 for flakes of gold, 1 for cubes), ``range_factor`` the mean grain
    volume, weighted by mass, over the top one (0.25 for an unsized product, 0.5 to 0.75 for one
    between two screens).  Raises `UnusableErrorInput` for impossible values.
    """

    top_size: float
    liberation_size: float
    mineral_fraction: float
    mineral_density: float
    gangue_density: float
    shape_factor: float = 0.5
    range_factor: float = 0.25

    def __post_init__(self) -> None:
        """Refuse what no material can be."""
        for name in ("top_size", "liberation_size", "mineral_density", "gangue_density"):
            positive(name, getattr(self, name))
        if mass_fraction("mineral_fraction", self.mineral_fraction) == 1:
            raise UnusableErrorInput("mineral_fraction", "A pure mineral has no composition error.")
        for name in ("shape_factor", "range_factor"):
            if positive(name, getattr(self, name)) > 1:
                raise UnusableErrorInput(name, f"{getattr(self, name):g} is above 1.")

    @property
    def composition_factor(self) -> float:
        """The mineralogical factor, a density: ``(1-a)/a ((1-a) mineral + a gangue)``."""
        a = self.mineral_fraction
        return (1 - a) / a * ((1 - a) * self.mineral_density + a * self.gangue_density)

    @property
    def liberation_factor(self) -> float:
        """``sqrt(liberation size / top size)``, and 1 below the liberation size."""
        return min(1.0, math.sqrt(self.liberation_size / self.top_size))

    @property
    def heterogeneity(self) -> float:
        """The mass whose sample has a relative variance of 1: all factors by top size cubed."""
        grain = self.shape_factor * self.range_factor * self.top_size**3
        return grain * self.liberation_factor * self.composition_factor


def sampling_relative_sd(
    material: Material, sample_mass: float, lot_mass: float | None = None
) -> float:
    """
    Give the fundamental sampling error of a sample, relative to the mineral content.

    ``sqrt(heterogeneity (1/sample_mass - 1/lot_mass))``, dimensionless; without ``lot_mass`` the
    lot counts as endless.  Masses in the unit that the material's sizes and densities make.  The
    error of an element is the same share of its assay if one mineral carries it.  Raises
    `UnusableErrorInput` for masses not above zero and a sample above its lot.
    """
    inverse = 1 / positive("sample_mass", sample_mass)
    if lot_mass is not None:
        if sample_mass > positive("lot_mass", lot_mass):
            raise UnusableErrorInput("sample_mass", "The sample is heavier than its lot.")
        inverse -= 1 / lot_mass
    return math.sqrt(material.heterogeneity * inverse)


def sample_mass_for(material: Material, relative_sd: float, lot_mass: float | None = None) -> float:
    """
    Give the sample mass whose fundamental sampling error is ``relative_sd``.

    The inverse of `sampling_relative_sd`, in the same units.  Never more than ``lot_mass``.
    Raises `UnusableErrorInput` for a relative sd or a lot mass not above zero.
    """
    inverse = positive("relative_sd", relative_sd) ** 2 / material.heterogeneity
    if lot_mass is not None:
        inverse += 1 / positive("lot_mass", lot_mass)
    return 1 / inverse
