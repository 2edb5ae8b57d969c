"""Sums and ratios that the reply tells of, asked of the engine as readings without weight."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from reconcile import SOLIDS, Reading, measurands
from reconcile.measurands import Measurand, measurand
from reconcile.minerals import UnreadableFormula, read_formula
from service.balances.schemas import AnalyteObject

from .minerals import formula_of
from .readings import Entry
from .sheet import Sheet

WET_MASS, PASSING, OXIDES, COUNTED = "wet mass", "passing", "oxides", "counted"

Key = tuple[str, str, str]
"""What is asked, of which stream or reading, and the class or mineral."""

_FEWEST_OXIDES = 2


@dataclass(frozen=True)
class Asked:
    """
    Readings that count for nothing, and where each answer is found.

    ``at`` are positions among all the engine's readings; a quantity that was read anyway is not
    asked again.
    """

    readings: tuple[Reading, ...]
    at: dict[Key, int]


def asked_of(sheet: Sheet, entries: tuple[Entry, ...], read: tuple[Reading, ...]) -> Asked:
    """Give what has to be asked for the reply; ``read`` are the readings that count."""
    asked = (*_of_streams(sheet), *_of_counts(entries))
    if not asked:
        return Asked((), {})
    known: dict[tuple[tuple[str, ...], Measurand], int] = {}
    for i, reading in enumerate(read):
        if reading.streams:
            known[reading.streams, measurand(sheet.flowsheet, reading.of)] = i
    more: list[Reading] = []
    at: dict[Key, int] = {}
    for key, streams, of in asked:
        if (streams, of) not in known:
            known[streams, of] = len(read) + len(more)
            more.append(Reading(streams, of, 0.0, math.inf))
        at[key] = known[streams, of]
    return Asked(tuple(more), at)


def _of_streams(sheet: Sheet) -> Iterator[tuple[Key, tuple[str, ...], Measurand]]:
    oxides = oxides_of(sheet)
    if not sheet.wire.water and sheet.ladder is None and oxides is None:
        return
    for name in sheet.unrolled.streams.values():
        stream = sheet.flowsheet.streams[sheet.flowsheet.stream_index[name]]
        if sheet.wire.water:
            yield (WET_MASS, name, ""), (name,), measurands.wet_mass()
        if stream.signed or not sheet.flowsheet.holds(stream, SOLIDS):
            continue
        if sheet.ladder is not None:
            for k, size in enumerate(sheet.ladder.classes[:-1]):
                passing = measurands.size_fraction(sheet.ladder.passing(k))
                yield (PASSING, name, size), (name,), passing
        if oxides is not None:
            yield (OXIDES, name, ""), (name,), oxides


def _of_counts(entries: tuple[Entry, ...]) -> Iterator[tuple[Key, tuple[str, ...], Measurand]]:
    for entry in entries:
        if entry.counted is None:
            continue
        minerals = entry.counted.minerals
        for mineral in minerals:
            of = Measurand(
                f"{mineral} among those counted",
                ((mineral, 1.0),),
                tuple((other, 1.0) for other in minerals),
            )
            yield (COUNTED, str(entry.number), mineral), entry.place.names, of


def is_oxide(analyte: AnalyteObject) -> bool:
    """Say whether an analyte is an oxide, or several."""
    formula = formula_of(analyte)
    if formula is None:
        return False
    try:
        terms = [read_formula(term).atoms for term in formula.split("+")]
    except UnreadableFormula:
        return False
    return all("O" in atoms and len(atoms) > 1 for atoms in terms)


def oxides_of(sheet: Sheet) -> Measurand | None:
    """Give the sum of the oxides; none with fewer than two."""
    oxides = [a.name for a in sheet.wire.analytes if is_oxide(a)]
    if len(oxides) < _FEWEST_OXIDES:
        return None
    carried = tuple(
        (mineral, mineral, analyte)
        for mineral, contents in sheet.flowsheet.contents.items()
        for analyte in oxides
        if analyte in contents
    )
    return Measurand("oxide total", (), ((SOLIDS, 1.0),), carried)
