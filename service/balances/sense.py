"""Does the request make sense: the engine's own checks, and those that need the wire's units."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import chain

from reconcile import Flowsheet, Reading, Stream
from reconcile.faults import Fault
from reconcile.flowsheet import faults_of as flowsheet_faults_of
from reconcile.readings import combined_sd
from reconcile.readings import faults_of as reading_faults_of
from service.kit.units import ASSAY_UNITS, MASS_UNITS, fit, to_fraction

from .engine_terms import in_engine_units
from .salvage import Salvaged, SalvagedReading
from .schemas import MASS

SMALLEST_SD = 1e-15
"""Least sd above zero, as a mass fraction or in the mass unit: a millionth of a ppb."""

_STAND_IN = "\0"  # no name on the wire can hold it


def _stand_in(kind: str, i: int) -> str:
    return f"{_STAND_IN}{kind} number {i + 1}"


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The flowsheet with stand-ins for what could not be read, and which lists have any."""

    flowsheet: Flowsheet
    nodes_known: bool
    streams_known: bool
    streams_whole: bool
    components_known: bool


def _sheet(salvaged: Salvaged) -> _Sheet:
    nodes, streams = salvaged.nodes or [], salvaged.streams or []
    components = salvaged.components or []
    flowsheet = Flowsheet(
        tuple(name or _stand_in("node", i) for i, name in enumerate(nodes)),
        tuple(
            Stream(s.name or _stand_in("stream", i), s.source, s.target)
            for i, s in enumerate(streams)
        ),
        tuple(c.name or _stand_in("component", i) for i, c in enumerate(components)),
    )
    return _Sheet(
        flowsheet,
        nodes_known=salvaged.nodes is not None and all(nodes),
        streams_known=salvaged.streams is not None and all(s.name for s in streams),
        streams_whole=salvaged.streams is not None and all(s.whole for s in streams),
        components_known=salvaged.components is not None and all(c.name for c in components),
    )


def _flowsheet_faults(salvaged: Salvaged, sheet: _Sheet) -> list[Fault]:
    """Give the engine's findings, less those that only a stand-in brought about."""

    def stands(fault: Fault) -> bool:
        if fault.code == "unknown-node":
            return sheet.nodes_known
        if fault.code.startswith("node-without"):
            return sheet.streams_whole
        if fault.code == "stream-without-ends":
            return bool(salvaged.streams and salvaged.streams[int(fault.where[1])].whole)
        return True

    found = flowsheet_faults_of(sheet.flowsheet)
    return [fault.under("flowsheet") for fault in found if stands(fault)]


def _theoretical_faults(salvaged: Salvaged) -> list[Fault]:
    return [
        Fault(
            ("flowsheet", "components", i, "theoretical"),
            "theoretical-above-100-percent",
            "The theoretical content is more than the whole.",
            "Check the value and the component's unit.",
        )
        for i, component in enumerate(salvaged.components or ())
        if component.theoretical is not None
        and component.unit is not None
        and to_fraction(component.theoretical, component.unit) > 1
    ]


@dataclass(frozen=True, slots=True)
class _Units:
    """The unit in which each quantity is read unless a reading says otherwise."""

    of: dict[str, str | None]

    def unit(self, reading: SalvagedReading) -> str | None:
        return reading.unit or self.of.get(reading.of or "")


def _units(salvaged: Salvaged) -> _Units:
    of = {c.name: c.unit for c in salvaged.components or () if c.name}
    return _Units({**of, MASS: salvaged.mass_unit})


def _mass_unit_faults(salvaged: Salvaged) -> list[Fault]:
    masses = any(r.of == MASS and r.measured for r in salvaged.readings or ())
    if not (masses and salvaged.mass_unit_absent):
        return []
    return [
        Fault(
            ("flowsheet", "mass_unit"),
            "missing-mass-unit",
            "Masses are read, but the flowsheet does not say in which unit.",
            f"Add 'mass_unit', one of: {', '.join(MASS_UNITS)}.",
        )
    ]


@cache
def _units_for_masses(mass_unit: str | None) -> tuple[str, ...]:
    return tuple(unit for unit in MASS_UNITS if mass_unit is None or fit(unit, mass_unit))


def _units_for(of: str, mass_unit: str | None) -> tuple[str, ...]:
    """Give the units in which a quantity may be read."""
    return _units_for_masses(mass_unit) if of == MASS else ASSAY_UNITS


def _unit_faults(i: int, reading: SalvagedReading, salvaged: Salvaged) -> list[Fault]:
    """Find a unit that does not measure what was read."""
    if reading.unit is None or reading.of is None:
        return []
    known = _units_for(reading.of, salvaged.mass_unit)
    if reading.unit in known:
        return []
    return [
        Fault(
            ("readings", i, "unit"),
            "unit-does-not-fit",
            f"'{reading.unit}' is not a unit for '{reading.of}' in this flowsheet.",
            f"Use one of: {', '.join(known)}.",
        )
    ]


def _error_faults(i: int, reading: SalvagedReading, unit: str | None) -> list[Fault]:
    """Find a missing or meaningless standard deviation of a reading that has a value."""
    if not reading.sd_known or reading.value is None:
        return []
    if reading.sd is None and reading.relative_sd is None:
        return [
            Fault(
                ("readings", i),
                "reading-without-sd",
                "The reading has no standard deviation.",
                "Give 'sd', 'relative_sd' or both; an sd of 0 fixes the value.",
            )
        ]
    if not reading.sd and reading.relative_sd and reading.value <= 0:
        what = "zero" if reading.value == 0 else "negative"
        return [
            Fault(
                ("readings", i, "relative_sd"),
                f"relative-sd-on-{what}",
                f"The value is {what}, and a fraction of it cannot be its standard deviation.",
                "Give an 'sd' above zero, in the unit of the value.",
            )
        ]
    sd = combined_sd(reading.value, reading.sd, reading.relative_sd)
    if reading.value < 0 and sd == 0:
        return [
            Fault(
                ("readings", i, "value"),
                "negative-fixed-value",
                f"A value of {reading.value:.6g}{f' {unit}' if unit else ''} is fixed by its "
                "standard deviation of zero, but nothing can be negative.",
                "Give the reading a standard deviation above zero, or correct the value.",
            )
        ]
    return []


def _as_engine_reading(
    i: int, reading: SalvagedReading, unit: str | None, mass_unit: str | None
) -> Reading:
    """Give the reading for the engine's checks, with harmless stand-ins for what is missing."""
    stream = reading.stream or _stand_in("stream of reading", i)
    of = reading.of or _stand_in("quantity of reading", i)
    if reading.value is None or unit not in _units_for(of, mass_unit):
        return Reading(stream, of, 0.0, 1.0)
    value = in_engine_units(reading.value, of, unit, mass_unit or unit)
    sd = combined_sd(reading.value, reading.sd, reading.relative_sd)
    return Reading(stream, of, value, in_engine_units(sd, of, unit, mass_unit or unit))


def _small_sd_faults(i: int, reading: Reading) -> list[Fault]:
    if not 0 < reading.sd < SMALLEST_SD:
        return []
    return [
        Fault(
            ("readings", i, "sd"),
            "sd-too-small",
            "The standard deviation is above zero but too small to calculate with.",
            "Give 0 if the value is fixed; check the unit and the exponent.",
        )
    ]


def _engine_findings(salvaged: Salvaged, sheet: _Sheet, readings: list[Reading]) -> list[Fault]:
    """
    Run the engine's checks; a reading of null is the same as none and repeats nothing.

    Readings of null are checked one by one for the names they use.
    """
    measured = [r.measured for r in salvaged.readings or ()]
    standing = [
        r if m else Reading(_stand_in("unmeasured", i), MASS, 0.0, 1.0)
        for i, (r, m) in enumerate(zip(readings, measured, strict=True))
    ]
    found = [
        f
        for f in reading_faults_of(sheet.flowsheet, standing)
        if len(f.where) < 2 or measured[int(f.where[1])]  # noqa: PLR2004 - list and position
    ]
    for i, (r, m) in enumerate(zip(readings, measured, strict=True)):
        if not m:
            alone = reading_faults_of(sheet.flowsheet, [r])
            found += [Fault(("readings", i, *f.where[2:]), f.code, f.what, f.mend) for f in alone]
    return found


def _reading_faults(salvaged: Salvaged, sheet: _Sheet) -> list[Fault]:
    units = _units(salvaged)
    faults: list[Fault] = []
    readings: list[Reading] = []
    for i, reading in enumerate(salvaged.readings or ()):
        unit = units.unit(reading)
        readings.append(_as_engine_reading(i, reading, unit, salvaged.mass_unit))
        faults += _unit_faults(i, reading, salvaged)
        faults += _error_faults(i, reading, unit)
        faults += _small_sd_faults(i, readings[i])
    for fault in _engine_findings(salvaged, sheet, readings):
        if fault.code == "unknown-stream" and not sheet.streams_known:
            continue
        if fault.code == "unknown-component" and not sheet.components_known:
            continue
        faults.append(fault)
    if salvaged.readings and not any(r.measured for r in salvaged.readings):
        faults.append(
            Fault(
                ("readings",),
                "no-readings",
                "Every reading is null, so there is nothing to reconcile.",
                "Give at least one measured mass or assay.",
            )
        )
    return faults


def faults_of_sense(salvaged: Salvaged) -> list[Fault]:
    """Give everything in a request that is well written but makes no sense."""
    sheet = _sheet(salvaged)
    found = chain(
        _flowsheet_faults(salvaged, sheet),
        _theoretical_faults(salvaged),
        _mass_unit_faults(salvaged),
        _reading_faults(salvaged, sheet),
    )
    once: dict[tuple[object, str], Fault] = {}
    for f in found:
        shown = Fault(f.where, f.code, *(t.replace(_STAND_IN, "") for t in (f.what, f.mend)))
        once.setdefault((f.where, f.code), shown)
    return list(once.values())
