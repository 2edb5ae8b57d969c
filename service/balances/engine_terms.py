"""A valid request in the engine's terms: mass fractions, and one mass unit throughout."""

from __future__ import annotations

from reconcile import Flowsheet, Reading, Stream
from reconcile.readings import combined_sd
from service.kit.units import convert_mass, to_fraction

from .schemas import MASS, BalanceRequest, FlowsheetObject


def engine_flowsheet(wire: FlowsheetObject) -> Flowsheet:
    """Give the flowsheet as the engine takes it."""
    return Flowsheet(
        nodes=tuple(node.name for node in wire.nodes),
        streams=tuple(Stream(s.name, s.from_, s.to) for s in wire.streams),
        components=tuple(component.name for component in wire.components),
    )


def in_engine_units(value: float, of: str, unit: str, mass_unit: str) -> float:
    """Give a reading's value, or its sd, as a mass fraction or in the flowsheet's mass unit."""
    return convert_mass(value, unit, mass_unit) if of == MASS else to_fraction(value, unit)


def engine_readings(request: BalanceRequest) -> tuple[tuple[Reading, ...], tuple[int, ...]]:
    """Give the readings that have a value, and the position of each in the request."""
    mass_unit = request.flowsheet.mass_unit or ""
    units = {component.name: str(component.unit) for component in request.flowsheet.components}
    units[MASS] = mass_unit
    readings, positions = [], []
    for i, wire in enumerate(request.readings):
        if wire.value is None:
            continue
        unit = wire.unit or units[wire.of]
        sd = combined_sd(wire.value, wire.sd, wire.relative_sd)
        value, sd = (in_engine_units(x, wire.of, unit, mass_unit) for x in (wire.value, sd))
        readings.append(Reading(wire.stream, wire.of, value, sd))
        positions.append(i)
    return tuple(readings), tuple(positions)
