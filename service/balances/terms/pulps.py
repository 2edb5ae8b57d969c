"""Pulp densities: what they need to be read, and the errors of the densities that they rest on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from reconcile import measurands
from reconcile.errors import Stage
from reconcile.faults import Where
from service.balances.schemas import Density
from service.kit.units import convert

from .errors import Shared
from .ledger import Ledger
from .measured import Measured
from .results import Item, Outcome
from .sheet import DENSITY_UNIT, Sheet, density


def pulp_density(
    found: Measured, solids: Density | None, sheet: Sheet, where: Where, ledger: Ledger
) -> Measured | None:
    """Complete a pulp density by the densities of solids and water."""
    given = solids or sheet.wire.solid_density
    if given is None:
        ledger.note(
            where,
            "missing-solid-density",
            "A pulp density says nothing about the solids without their density.",
            "Give 'solid_density', in the reading or in the flowsheet.",
        )
        return None
    of = measurands.pulp_density(density(given), density(sheet.wire.water_density))
    return replace(found, of=of)


def is_no_density(item: Item, outcome: Outcome, ledger: Ledger) -> bool:
    """Say whether a pulp density is not above zero, and take note of it."""
    return ledger.note_if(
        item.measured.base == DENSITY_UNIT and outcome.value <= 0,
        item.where,
        "density-not-above-zero",
        f"A pulp density of {outcome.value:g} {item.unit} is none.",
        "Correct the value; check its unit.",
    )


def density_errors(item: Item, outcome: Outcome, sheet: Sheet) -> Iterator[Shared]:
    """
    Give what one sd of the densities of solids and water does to a pulp density.

    With 1/pulp = c/solids + (1 - c)/water and the mass fraction c of solids: the derivative is
    pulp² c/solids², and the like for water.
    """
    solids = item.wire.solid_density or sheet.wire.solid_density
    water = sheet.wire.water_density
    if solids is None:
        return
    pulp = convert(outcome.value, item.unit, DENSITY_UNIT)
    share = _solids_by_mass(pulp, density(solids), density(water))
    parts = ((solids, share, "solids"), (water, 1 - share, "water"))
    for given, of_pulp, name in parts:
        if given.sd:
            sd = density(given) * given.sd / given.value
            size = convert(pulp**2 * of_pulp / density(given) ** 2 * sd, DENSITY_UNIT, item.unit)
            yield Shared(_density_name(given, name), size, Stage.ANALYSIS)


def _solids_by_mass(pulp: float, solids: float, water: float) -> float:
    """Give the mass fraction of solids in a pulp from the three densities, within 0 to 1."""
    if solids == water:
        return 0.0
    share = (1 / water - 1 / pulp) / (1 / water - 1 / solids)
    return min(max(share, 0.0), 1.0)


def _density_name(given: Density, of: str) -> str:
    return f"density of the {of} ({given.value:g} {given.unit})"
