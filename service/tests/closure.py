"""How a pass closes by its readings alone, before anything is reconciled."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from reconcile import Reading
from reconcile.metallurgy.passes import Role
from service.balances.schemas.words import MASS
from service.balances.terms.readings import Entry
from service.kit.figures import plus_minus
from service.kit.units import convert

from .reply import PassClosure
from .terms.request import Expanded

_Terms = list[tuple[Reading, float]]
"""Readings with the derivatives of a sum by them."""


@dataclass(frozen=True)
class _Sum:
    """A sum over streams, and how it moves with each reading."""

    value: float
    terms: _Terms


Read = dict[tuple[str, str], tuple[Entry, Reading]]
"""Readings by stream and word."""


def closures_of(it: Expanded, read: Read, run: int) -> Iterator[PassClosure]:
    """
    Give the closure of a pass by weight, and by each component assayed of all it moved.

    ``read`` are the readings of the test (:func:`read_of`).
    """
    pass_, network = it.test.passes[run], it.network
    fed = network.feeds[run]
    into = [fed] if fed is not None and (fed, MASS) in read else [*network.drawn[run]]
    out = [product.name for product in pass_.products]
    yield _closure(it, read, MASS, into, out)
    for component in it.sheet.components:
        found = _closure(it, read, component.name, into, out)
        if found.difference is not None:
            yield found


def read_of(it: Expanded) -> Read:
    """Give the readings of whole streams that count, by stream and word."""
    return {
        (entry.place.names[0], entry.words): (entry, it.terms.readings[entry.at[0]])
        for entry in it.terms.entries
        if entry.limit is None and entry.counted is None and entry.left_out is None
    }


def _closure(it: Expanded, read: Read, of: str, into: list[str], out: list[str]) -> PassClosure:
    unit = it.sheet.mass_unit
    missing = [s for s in (*into, *out) if (s, MASS) not in read]
    fed, made = _sum(it, read, of, into), _sum(it, read, of, out)
    if fed is None or made is None:
        what = "weighed" if missing else f"assayed for {of}"
        lacking = ", ".join(f"'{s}'" for s in missing)
        statement = f"Not everything was {what}{f': {lacking} not' if lacking else ''}."
        return PassClosure(
            of=of,
            fed=None if fed is None else fed.value,
            made=None if made is None else made.value,
            difference=None,
            sd=None,
            standardised=None,
            unit=unit,
            statement=statement,
        )
    difference = made.value - fed.value
    sd = _sd([*made.terms, *((reading, -slope) for reading, slope in fed.terms)])
    return PassClosure(
        of=of,
        fed=fed.value,
        made=made.value,
        difference=difference,
        sd=sd,
        standardised=difference / sd if sd else None,
        unit=unit,
        statement=_statement(of, fed.value, made.value, sd, unit) + _of_losses(it, read, of, out),
    )


def _sum(it: Expanded, read: Read, of: str, streams: list[str]) -> _Sum | None:
    """Give what the readings say of some streams together, in the mass unit of the sheet."""
    total, terms = 0.0, _Terms()
    for stream in streams:
        weight, assay = read.get((stream, MASS)), read.get((stream, of))
        if weight is None or assay is None:
            return None
        mass = weight[1].value
        if of == MASS:
            total += mass
            terms.append((weight[1], 1.0))
        else:
            total += mass * assay[1].value
            terms += [(weight[1], assay[1].value), (assay[1], mass)]
    unit = next((read[s, MASS][0].base for s in streams), it.sheet.mass_unit)
    factor = convert(1.0, unit, it.sheet.mass_unit)
    return _Sum(total * factor, [(reading, slope * factor) for reading, slope in terms])


def _sd(terms: _Terms) -> float:
    """Own errors add in squares; what a shared cause brings adds up first (JCGM 100, 5.2.2)."""
    shared: dict[str, float] = defaultdict(float)
    for reading, slope in terms:
        for cause, size in reading.causes:
            shared[cause] += slope * size
    return math.hypot(*(slope * reading.sd for reading, slope in terms), *shared.values())


def _of_losses(it: Expanded, read: Read, of: str, out: list[str]) -> str:
    """Say how much of what came out is nothing but what was expected to be lost."""
    lost = [name for name in out if it.network.flow(name).role is Role.LOSS]
    expected = _sum(it, read, of, lost) if lost else None
    if expected is None:
        return ""
    return f" Of that {expected.value:.6g} {it.sheet.mass_unit} is what was expected to be lost."


def _statement(of: str, fed: float, made: float, sd: float, unit: str) -> str:
    what = unit if of == MASS else f"{unit} {of}"
    difference = made - fed
    way = "less" if difference < 0 else "more"
    sds = f" ({abs(difference) / sd:.1f} sd)" if sd else ""
    return (
        f"Of {fed:.6g} {what} fed, {made:.6g} {unit} came out: "
        f"{plus_minus(abs(difference), sd)} {unit} {way}{sds}."
    )
