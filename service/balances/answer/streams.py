"""Streams and stocks of the answer."""

from __future__ import annotations

from typing import Literal

from reconcile import SOLIDS, Estimate, Knowledge, Known
from reconcile.balance import Read
from reconcile.flowsheet import WATER, Part, Stream
from service.balances.schemas import StreamObject
from service.balances.terms.asked import OXIDES, PASSING, WET_MASS
from service.balances.terms.readings import Entry
from service.kit.replies import Members
from service.kit.units import UNITS

from .terms import Answering, share_of, times

Role = Literal["feed", "internal", "product", "loss", "gain", "unaccounted"]

_NOTHING = Known(None, None, Knowledge.UNDEFINED)


def role_of(wire: StreamObject) -> Role:
    """Say what a stream is to the flowsheet."""
    if wire.kind is not None:
        return wire.kind
    if wire.from_ is None:
        return "feed"
    return "product" if wire.to is None else "internal"


def streams_of(it: Answering) -> list[Members]:
    """Give the streams, in the order of the request, period by period."""
    return [
        _stream(it, wire, period) for period in it.sheet.periods for wire in it.sheet.wire.streams
    ]


def _stream(it: Answering, wire: StreamObject, period: str | None) -> Members:
    name = it.sheet.unrolled.streams[wire.name, period]
    stream = it.sheet.flowsheet.streams[it.sheet.flowsheet.stream_index[name]]
    return {
        "name": wire.name,
        "period": period,
        "from": wire.from_,
        "to": wire.to,
        "role": role_of(wire),
        "mass": it.mass(it.balance.masses[name], it.read.get((name, SOLIDS))),
        "yield": share_of(it.balance.yields[name]),
        "assays": _assays(it, name),
        "component_masses": _component_masses(it, name),
        "analytes": _analytes(it, name),
        "oxide_total": _oxides(it, stream),
        "water": _water(it, stream),
        "sizes": _sizes(it, stream),
    }


def _assays(it: Answering, name: str) -> list[Members]:
    assays, read = it.balance.assays, it.read
    return [
        {"component": of} | it.assay(assays[name, of], unit, read.get((name, of)))
        for of, unit in it.components
    ]


def _component_masses(it: Answering, name: str) -> list[Members]:
    masses, unit = it.balance.component_masses, it.mass_unit
    return [
        {"component": c, "value": mass.value, "sd": mass.sd, "class": mass.knowledge, "unit": unit}
        for c in it.sheet.flowsheet.components
        for mass in [masses[name, c]]
    ]


def _analytes(it: Answering, name: str) -> list[Members]:
    return [
        {"analyte": a.name}
        | it.assay(_read_analyte(it, name, a.name), a.unit, it.read.get((name, a.name)))
        for a in it.sheet.wire.analytes
    ]


def _read_analyte(it: Answering, name: str, analyte: str) -> Estimate:
    """Give an analyte of a stream together with its reading, if it has one."""
    known = it.balance.analytes.get((name, analyte), _NOTHING)
    entry: Entry | None = it.read.get((name, analyte))
    if entry is None:
        return Estimate(known.value, known.sd, known.knowledge)
    read: Read = it.balance.readings[entry.at[0]]
    return Estimate(
        known.value,
        known.sd,
        read.knowledge,
        adjustment=read.adjustment,
        standardised=read.standardised,
    )


def _oxides(it: Answering, stream: Stream) -> Members | None:
    key = (OXIDES, stream.name, "")
    return share_of(it.answered(key)) if key in it.asked.at else None


def _water(it: Answering, stream: Stream) -> Members | None:
    if not it.sheet.wire.water:
        return None
    moisture = it.balance.moistures.get(stream.name, _NOTHING)
    solids = Known(
        None if moisture.value is None else 1 - moisture.value, moisture.sd, moisture.knowledge
    )
    return {
        "mass": it.amount_of(it.balance.amounts.get((stream.name, WATER), _NOTHING)),
        "wet_mass": it.amount_of(it.answered((WET_MASS, stream.name, ""))),
        "moisture": share_of(moisture),
        "percent_solids": share_of(solids),
    }


def _sizes(it: Answering, stream: Stream) -> list[Members]:
    ladder = it.sheet.ladder
    if ladder is None:
        return []
    fractions = it.balance.fractions
    return [
        {
            "size": size,
            "share": share_of(fractions.get((stream.name, Part(SOLIDS, size)), _NOTHING)),
            "passing": _passing(it, stream.name, size),
            "assays": _class_assays(it, stream.name, size),
        }
        for size in ladder.classes
    ]


def _passing(it: Answering, name: str, size: str) -> Members:
    """Give what passes the lower end of a class; nothing is finer than the last."""
    key = (PASSING, name, size)
    if key in it.asked.at:
        return share_of(it.answered(key))
    whole = it.balance.fractions.get((name, Part(SOLIDS, size)), _NOTHING)
    known = whole.value is not None
    return share_of(Known(0.0 if known else None, 0.0 if known else None, whole.knowledge))


def _class_assays(it: Answering, name: str, size: str) -> list[Members]:
    assays = []
    for component in it.sheet.flowsheet.sized:
        unit = it.sheet.unit_of(component)
        known = it.balance.class_assays.get((name, Part(component, size)), _NOTHING)
        assays.append(
            {
                "component": component,
                "value": times(known.value, UNITS[unit].per_whole),
                "sd": times(known.sd, UNITS[unit].per_whole),
                "class": known.knowledge,
                "unit": unit,
            }
        )
    return assays


def stocks_of(it: Answering) -> list[Members]:
    """Give the stocks, node by node and period by period."""
    unrolled = it.sheet.unrolled
    return [
        {
            "node": node,
            "period": period,
            "opening": _content(it, opening),
            "closing": _content(it, closing),
            "change": _content(it, unrolled.changes[node, period]),
        }
        for node, names in unrolled.stocks.items()
        for period, opening, closing in zip(it.sheet.periods, names, names[1:], strict=False)
    ]


def _content(it: Answering, name: str) -> Members:
    mass = it.balance.masses[name]
    water = it.balance.amounts.get((name, WATER), _NOTHING)
    return {
        "mass": it.amount_of(Known(mass.value, mass.sd, mass.knowledge)),
        "water": it.amount_of(water) if it.sheet.wire.water else None,
        "component_masses": _component_masses(it, name),
    }
