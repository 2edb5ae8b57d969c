"""
What can be measured: each a ratio of two sums of extensive quantities.

A mass is ``solids / 1``, an assay ``component / solids``, a moisture ``water / (solids + water)``;
the amounts of several streams may be added on both sides (a composite, a weigher over two belts).
New kinds of reading are new rows of this vocabulary, not new branches of the calculation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from .flowsheet import SOLIDS, WATER, Flowsheet, Part, Quantity

Terms = tuple[tuple[Quantity, float], ...]


@dataclass(frozen=True, slots=True)
class Measurand:
    """
    A quantity that can be read.

    ``above`` and ``below`` are sums of a stream's quantities, ``below`` empty for an amount;
    ``carried`` adds to ``above`` what minerals carry of an analyte: (amount of the mineral,
    mineral, analyte).  ``level`` names a number of which nothing is known, taken off the ratio: all
    that names the same level is so far from the same number.
    """

    name: str
    above: Terms
    below: Terms = ()
    carried: tuple[tuple[Quantity, str, str], ...] = ()
    level: str | None = None

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """All quantities that it involves."""
        terms = (*self.above, *self.below)
        return tuple(dict.fromkeys((*(q for q, _ in terms), *(q for q, _, _ in self.carried))))

    @property
    def is_amount(self) -> bool:
        """Whether it is an amount rather than a ratio of amounts."""
        return not self.below

    @property
    def is_plain(self) -> bool:
        """Whether it is one quantity as it is, or over the dry solids of the same streams."""
        alone = len(self.above) == 1 and self.above[0][1] == 1.0 and not self.carried
        alone = alone and self.level is None
        return alone and (not self.below or self.below == _OVER_SOLIDS)


_OVER_SOLIDS: Terms = ((SOLIDS, 1.0),)


def _sum(*quantities: Quantity) -> Terms:
    return tuple((quantity, 1.0) for quantity in quantities)


PULP = _sum(SOLIDS, WATER)
"""Solids and water together."""


_SOLIDS = Measurand(SOLIDS, _sum(SOLIDS))


def solids() -> Measurand:
    """Mass of dry solids."""
    return _SOLIDS


def water() -> Measurand:
    """Mass of water."""
    return Measurand(WATER, _sum(WATER))


def wet_mass() -> Measurand:
    """Mass of solids and water together."""
    return Measurand("wet mass", PULP)


def moisture() -> Measurand:
    """Water as a fraction of the wet mass."""
    return Measurand("moisture", _sum(WATER), PULP)


def solids_content() -> Measurand:
    """Solids as a fraction of the pulp's mass, "percent solids"."""
    return Measurand("solids content", _sum(SOLIDS), PULP)


def pulp_density(solid_density: float, water_density: float) -> Measurand:
    """Mass of the pulp over the sum of the volumes of solids and water, in the unit given."""
    volumes = ((SOLIDS, 1 / solid_density), (WATER, 1 / water_density))
    return Measurand("pulp density", PULP, volumes)


def assay(component: str, sizes: Sequence[str] = (), *, as_received: bool = False) -> Measurand:
    """
    Mass fraction of a component in the dry solids.

    ``sizes`` restricts it to size classes assayed together; ``as_received`` takes it on wet mass.
    """
    if sizes:
        above = _sum(*(Part(component, size) for size in sizes))
        below = _sum(*(Part(SOLIDS, size) for size in sizes))
        return Measurand(f"{component} in {_listed(sizes)}", above, below)
    name = f"{component}, as received" if as_received else component
    return Measurand(name, _sum(component), PULP if as_received else _sum(SOLIDS))


def size_fraction(sizes: Sequence[str]) -> Measurand:
    """Mass fraction of the solids in the size classes named, together."""
    above = _sum(*(Part(SOLIDS, size) for size in sizes))
    return Measurand(f"fraction {_listed(sizes)}", above, _sum(SOLIDS))


def analyte(flowsheet: Flowsheet, name: str, *, as_received: bool = False) -> Measurand:
    """Mass fraction of an analyte that several minerals may carry, in the dry solids."""
    carried = tuple((m, m, name) for m, contents in flowsheet.contents.items() if name in contents)
    label = f"{name}, as received" if as_received else name
    return Measurand(label, (), PULP if as_received else _sum(SOLIDS), carried)


def share_by_volume(
    part: Sequence[str], of: Sequence[str], density: Mapping[str, float]
) -> Measurand:
    """
    Volume of some minerals as a fraction of the volume of others that include them.

    Grains of equal size counted by number, or areas on a section (Delesse), measure volumes;
    ``density`` in any one unit.
    """
    return Measurand(
        f"{_listed(part)} of the grains",
        tuple((mineral, 1 / density[mineral]) for mineral in part),
        tuple((mineral, 1 / density[mineral]) for mineral in of),
    )


def total(components: Sequence[str]) -> Measurand:
    """Sum of components as a fraction of the dry solids."""
    return Measurand(f"total of {_listed(components)}", _sum(*components), _sum(SOLIDS))


def less_level(of: Measurand, level: str) -> Measurand:
    """
    Give a ratio less a level that others share, as of streams whose grade is the same.

    Read as zero of several streams it holds their grades together, wherever these are.
    """
    return replace(of, level=level)


def nothing(name: str) -> Measurand:
    """Give a measurand of no stream: a reading of shared errors alone, as of a control sample."""
    return Measurand(name, ())


def _listed(names: Sequence[str]) -> str:
    return " + ".join(names)


@lru_cache(maxsize=1024)
def _plain_assay(component: str) -> Measurand:
    """Give the assay of a whole stream; the same names come again with every balance."""
    return assay(component)


def measurand(flowsheet: Flowsheet, of: str | Measurand) -> Measurand:
    """
    Give the measurand that a word names: ``"mass"``, ``"water"``, a component or an analyte.

    Raises
    ------
    KeyError
        if the flowsheet has no such quantity.
    """
    if isinstance(of, Measurand):
        return of
    if of == SOLIDS:
        return _SOLIDS
    if of == WATER and flowsheet.water:
        return water()
    if of in flowsheet.components:
        return _plain_assay(of)
    if of in flowsheet.analytes:
        return analyte(flowsheet, of)
    raise KeyError(of)
