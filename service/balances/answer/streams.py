"""Streams and stocks of the answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reconcile import SOLIDS, Estimate, Knowledge, Known
from reconcile.balance import Read
from reconcile.flowsheet import WATER, Part, Stream
from service.balances.schemas import StreamObject
from service.balances.terms.asked import OXIDES, PASSING, WET_MASS
from service.balances.terms.readings import Entry
from service.kit.blanks import Body, Figures, Rows
from service.kit.replies import Members, Written, members_as_bytes
from service.kit.units import UNITS

from .layout import Place, layout_of
from .terms import Answering, share_of, times

Role = Literal["feed", "internal", "product", "loss", "gain", "unaccounted"]

_NO_MORE: Members = {"analytes": [], "oxide_total": None, "water": None, "sizes": []}
"""Members that only some flowsheets have anything in; there they are made one by one."""

_NOTHING = Known(None, None, Knowledge.UNDEFINED)


def role_of(wire: StreamObject) -> Role:
    """Say what a stream is to the flowsheet."""
    if wire.kind is not None:
        return wire.kind
    if wire.from_ is None:
        return "feed"
    return "product" if wire.to is None else "internal"


def streams_of(it: Answering, figures: Figures) -> Written:
    """Give the streams, in the order of the request, period by period."""
    rows = it.kept("streams", lambda: _rows(it))
    return rows.filled([*figures, *_further(it)] if _has_more(it) else figures)


def _rows(it: Answering) -> Rows:
    sheet = it.sheet
    labels = [(wire, period) for period in sheet.periods for wire in sheet.wire.streams]
    names = [sheet.unrolled.streams[wire.name, period] for wire, period in labels]
    streams = np.array([sheet.flowsheet.stream_index[name] for name in names], dtype=np.int64)
    body = Body()
    return body.rows([_head(*label) for label in labels], _stream(it, body, streams))


def _head(wire: StreamObject, period: str | None) -> Members:
    return {
        "name": wire.name,
        "period": period,
        "from": wire.from_,
        "to": wire.to,
        "role": role_of(wire),
    }


def _stream(it: Answering, body: Body, streams: NDArray[np.int64]) -> Members:
    """Give what follows of each of some streams of the engine, with blanks for its figures."""
    balance, layout, components = it.balance, layout_of(it), it.components
    count = len(it.sheet.flowsheet.streams)

    def known(positions: NDArray[np.int64]) -> Members:
        value, sd, knowledge = (
            body.blank(layout.of(place, positions))
            for place in (Place.VALUE, Place.SD, Place.CLASS)
        )
        return {"value": value, "sd": sd, "class": knowledge}

    def may_be_read(positions: NDArray[np.int64], unit: str | None) -> Members:
        figures = {place: body.blank(layout.of(place, positions)) for place in Place}
        return {
            "reading": figures[Place.READING],
            "reading_sd": figures[Place.READING_SD],
            "value": figures[Place.VALUE],
            "sd": figures[Place.SD],
            "adjustment": figures[Place.ADJUSTMENT],
            "standardised": figures[Place.STANDARDISED],
            "class": figures[Place.CLASS],
            "unit": unit,
        }

    # Of each stream in turn, every component.
    assays = balance.assays.positions.reshape(count, -1)[streams].T
    masses = balance.component_masses.positions.reshape(count, -1)[streams].T
    return {
        "mass": may_be_read(balance.masses.positions[streams], it.mass_unit),
        "yield": known(balance.yields.positions[streams]) | {"unit": "%"},
        "assays": [
            {"component": of} | may_be_read(positions, unit)
            for (of, unit), positions in zip(components, assays, strict=True)
        ],
        "component_masses": [
            {"component": of} | known(positions) | {"unit": it.mass_unit}
            for (of, _), positions in zip(components, masses, strict=True)
        ],
        **(_more(body, streams, count) if _has_more(it) else _NO_MORE),
    }


def _has_more(it: Answering) -> bool:
    wire = it.sheet.wire
    return bool(wire.analytes) or wire.water or it.sheet.ladder is not None


def _more(body: Body, streams: NDArray[np.int64], count: int) -> Members:
    """Give blanks for what :func:`_further` puts behind all figures, so counted from the end."""
    lists = len(_NO_MORE)
    return {name: body.blank((k - lists) * count + streams) for k, name in enumerate(_NO_MORE)}


def _further(it: Answering) -> Figures:
    """Give of all streams what only some flowsheets follow, one member after the other."""
    told = set(it.sheet.unrolled.streams.values())
    makers: tuple[Callable[[Stream], Members | list[Members] | None], ...] = (
        lambda stream: _analytes(it, stream.name),
        lambda stream: _oxides(it, stream),
        lambda stream: _water(it, stream),
        lambda stream: _sizes(it, stream),
    )
    return [
        members_as_bytes(make(stream) if stream.name in told else None)
        for make in makers
        for stream in it.sheet.flowsheet.streams
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
