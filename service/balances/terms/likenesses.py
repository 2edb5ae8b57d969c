"""Streams that were said to be alike, as readings of grades less a level that they share."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from statistics import fmean

from reconcile import Reading
from reconcile.faults import Where
from reconcile.measurands import less_level, measurand
from reconcile.periods import Period
from service.balances.schemas import AlikeObject, LikenessObject
from service.kit.units import to_fraction

from .ledger import Ledger
from .sheet import Sheet

_FEWEST = 2
_LEVEL = "grade of {name} that all of likeness {number} share"


def likenesses_of(
    sheet: Sheet, readings: Sequence[Reading], ledger: Ledger
) -> Iterator[tuple[Where, Reading]]:
    """
    Give for each likeness, period, component and stream the reading of a difference of zero.

    ``readings`` are those of the request: they say how large the grades are.
    """
    grades = _grades(sheet, readings) if sheet.wire.likenesses else {}
    for i, wire in enumerate(sheet.wire.likenesses):
        where: Where = ("flowsheet", "likenesses", i)
        if not _is_clear(wire, sheet, where, ledger):
            continue
        for period in sheet.periods:
            for name in wire.components or dict.fromkeys(name for _, name in grades):
                level = _LEVEL.format(name=name, number=f"{i + 1} {period or ''}".strip())
                yield from _of_component(wire, sheet, period, name, level, grades, where)


def _of_component(
    wire: LikenessObject,
    sheet: Sheet,
    period: Period,
    name: str,
    level: str,
    grades: Mapping[tuple[str, str], float],
    where: Where,
) -> Iterator[tuple[Where, Reading]]:
    places = [tuple(sheet.unrolled.streams[s, period] for s in one.stream) for one in wire.streams]
    near = [grades[s, name] for place in places for s in place if (s, name) in grades]
    grade = fmean(near or [v for (_, n), v in grades.items() if n == name] or [0.0])
    of = less_level(measurand(sheet.flowsheet, name), level)
    for j, (one, place) in enumerate(zip(wire.streams, places, strict=True)):
        sd = _sd(one, wire, grade, sheet.unit_of(name))
        if sd > 0:
            yield (
                (*where, "streams", j),
                Reading(place if len(place) > 1 else place[0], of, 0.0, sd),
            )


def _sd(one: AlikeObject, wire: LikenessObject, grade: float, unit: str) -> float:
    """Give how far a stream may be from the others, as a mass fraction."""
    told = one if one.sd is not None or one.relative_sd is not None else wire
    absolute = 0.0 if told.sd is None else to_fraction(told.sd, unit)
    return math.hypot(absolute, (told.relative_sd or 0.0) * grade)


def _is_clear(wire: LikenessObject, sheet: Sheet, where: Where, ledger: Ledger) -> bool:
    before = ledger.count
    names = [name for one in wire.streams for name in one.stream]
    known = [*sheet.flowsheet.components, *sheet.flowsheet.analytes]
    for j, one in enumerate(wire.streams):
        place = (*where, "streams", j)
        for name in one.stream:
            ledger.known((*place, "stream"), "stream", name, sheet.stream_names)
        told = one if one.sd is not None or one.relative_sd is not None else wire
        ledger.note_if(
            told.sd is None and not told.relative_sd,
            place,
            "likeness-without-error",
            f"Nothing says how like the others {' + '.join(map(repr, one.stream))} is.",
            "Give a 'relative_sd' above zero, such as 0.02 for 2 %, or an 'sd'.",
        )
    for j, name in enumerate(wire.components or ()):
        ledger.known((*where, "components", j), "component", name, known)
    ledger.note_if(
        len(wire.streams) < _FEWEST or len(set(names)) < len(names),
        (*where, "streams"),
        "likeness-of-one-stream",
        "A likeness is one of two streams or more, each named once.",
        "List the streams that are alike.",
    )
    return ledger.count == before


def _grades(sheet: Sheet, readings: Sequence[Reading]) -> Mapping[tuple[str, str], float]:
    """Give assays above zero that count, by the engine's stream and the component or analyte."""
    named = {*sheet.flowsheet.components, *sheet.flowsheet.analytes}
    return {
        (reading.streams[0], reading.name): reading.value
        for reading in readings
        if len(reading.streams) == 1
        and reading.limit is None
        and math.isfinite(reading.sd)
        and reading.name in named
        and reading.value > 0
    }
