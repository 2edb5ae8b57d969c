"""What can be read of a request in which some places cannot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from reconcile.faults import Fault, Where
from service.kit.units import ASSAY_UNITS, MASS_UNITS

# Faults that leave the place itself readable.
_HARMLESS = frozenset({"duplicate-member", "unknown-field", "member-name-too-long"})


@dataclass(frozen=True, slots=True)
class SalvagedStream:
    """A stream; ``whole`` if nothing at all is wrong with how it is written."""

    name: str | None
    source: str | None
    target: str | None
    whole: bool


@dataclass(frozen=True, slots=True)
class SalvagedComponent:
    """A component; ``unit`` is ``None`` where it could not be read."""

    name: str | None
    unit: str | None
    theoretical: float | None


@dataclass(frozen=True, slots=True)
class SalvagedReading:
    """
    A reading; members are ``None`` where absent, null or unreadable.

    ``measured`` is false only for a value of null; ``sd_known`` is false where an sd could not
    be read, or may hide in an unknown member.
    """

    stream: str | None
    of: str | None
    value: float | None
    sd: float | None
    relative_sd: float | None
    unit: str | None
    measured: bool
    sd_known: bool


@dataclass(frozen=True, slots=True)
class Salvaged:
    """
    The readable parts of a request, in their places.

    A list that is ``None`` could not be read at all.
    """

    nodes: list[str | None] | None
    streams: list[SalvagedStream] | None
    components: list[SalvagedComponent] | None
    readings: list[SalvagedReading] | None
    mass_unit: str | None
    mass_unit_absent: bool


def unread_places(faults: Iterable[Fault]) -> frozenset[Where]:
    """Give the places that cannot be read because of these faults."""
    return frozenset(fault.where for fault in faults if fault.code not in _HARMLESS)


def lies_within(where: Where, places: frozenset[Where]) -> bool:
    """Tell whether a place is one of these or inside one."""
    return bool(places) and any(where[:n] in places for n in range(len(where) + 1))


class _Reader:
    """Takes members out of the document unless a fault has been found in their place."""

    def __init__(self, document: Any, faults: list[Fault]) -> None:  # noqa: ANN401
        self._document = document
        self._unread = unread_places(faults)
        self._touched = frozenset(
            fault.where[:n] for fault in faults for n in range(len(fault.where) + 1)
        )
        self._with_strangers = frozenset(f.where[:-1] for f in faults if f.code == "unknown-field")

    def whole(self, where: Where) -> bool:
        return where not in self._touched

    def has_strangers(self, where: Where) -> bool:
        return where in self._with_strangers

    def readable(self, where: Where) -> bool:
        return not lies_within(where, self._unread)

    def member(self, holder: Any, where: Where, name: str) -> Any:  # noqa: ANN401
        if not isinstance(holder, dict) or not self.readable((*where, name)):
            return None
        return holder.get(name)

    def items(self, holder: Any, where: Where, name: str) -> list[Any] | None:  # noqa: ANN401
        found = self.member(holder, where, name)
        return found if isinstance(found, list) else None

    def name(self, item: Any, where: Where) -> str | None:  # noqa: ANN401
        if isinstance(item, str):
            return item if self.readable(where) else None
        found = self.member(item, where, "name")
        return found if isinstance(found, str) else None

    def flowsheet(self) -> Any:  # noqa: ANN401
        return self.member(self._document, (), "flowsheet")

    def readings(self) -> list[Any] | None:
        return self.items(self._document, (), "readings")


def _stream(reader: _Reader, item: Any, where: Where) -> SalvagedStream:  # noqa: ANN401
    return SalvagedStream(
        reader.member(item, where, "name"),
        reader.member(item, where, "from"),
        reader.member(item, where, "to"),
        reader.whole(where),
    )


def _component(reader: _Reader, item: Any, where: Where) -> SalvagedComponent:  # noqa: ANN401
    unit = "%"
    if isinstance(item, dict) and "unit" in item:
        unit = reader.member(item, where, "unit")
    return SalvagedComponent(
        reader.name(item, where),
        unit if unit in ASSAY_UNITS else None,
        reader.member(item, where, "theoretical"),
    )


def _reading(reader: _Reader, item: Any, where: Where) -> SalvagedReading:  # noqa: ANN401
    def taken(name: str) -> Any:  # noqa: ANN401
        return reader.member(item, where, name)

    return SalvagedReading(
        stream=taken("stream"),
        of=taken("of"),
        value=taken("value"),
        sd=taken("sd"),
        relative_sd=taken("relative_sd"),
        unit=taken("unit"),
        measured=not (isinstance(item, dict) and item.get("value", 0) is None),
        sd_known=not reader.has_strangers(where)
        and all(reader.readable((*where, name)) for name in ("sd", "relative_sd")),
    )


def salvaged(document: Any, faults: list[Fault]) -> Salvaged:  # noqa: ANN401 - any JSON value
    """Give what can be read of the document, in which these faults were found."""
    reader = _Reader(document, faults)
    sheet, at = reader.flowsheet(), ("flowsheet",)
    nodes = reader.items(sheet, at, "nodes")
    streams = reader.items(sheet, at, "streams")
    components = reader.items(sheet, at, "components")
    readings = reader.readings()
    if isinstance(sheet, dict) and "components" not in sheet:
        components = []
    unit = reader.member(sheet, at, "mass_unit")
    return Salvaged(
        nodes=nodes and [reader.name(item, (*at, "nodes", i)) for i, item in enumerate(nodes)],
        streams=streams
        and [_stream(reader, item, (*at, "streams", i)) for i, item in enumerate(streams)],
        components=components
        and [_component(reader, c, (*at, "components", i)) for i, c in enumerate(components)],
        readings=readings
        and [_reading(reader, item, ("readings", i)) for i, item in enumerate(readings)],
        mass_unit=unit if unit in MASS_UNITS else None,
        mass_unit_absent=isinstance(sheet, dict) and sheet.get("mass_unit") is None,
    )
