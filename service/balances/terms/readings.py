"""Readings in the engine's terms, each with what the reply will tell of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

from reconcile import Reading, measurands
from reconcile.errors import Contribution, SdParts, Source, Stage
from reconcile.faults import Where
from reconcile.flowsheet import SOLIDS
from reconcile.readings import Limit
from service.balances.schemas import BalanceRequest, Of, OptionsObject, ReadingObject
from service.balances.schemas.words import MASS, PULP_DENSITY
from service.kit.units import MASS_UNITS, convert

from .counts import Counted, counted_of, readings_of
from .declared import declared
from .errors import Errors, Result, errors_of
from .ledger import Ledger
from .measured import Measured, measured
from .places import Place, place_of
from .pulps import density_errors, is_no_density, pulp_density
from .results import FORMS, Item, Outcome, Pools, form_of, is_measured, outcome_of, pools_of
from .sheet import DENSITY_UNIT, Sheet
from .usual import SMALLEST_SD, SMALLEST_VALUE, Taken, taken

_SIZES_OF_ERROR = ("sd", "relative_sd", "error_model", "replicates", "step")
"""Members that can make an error small."""


class Entry(NamedTuple):
    """
    One reading of the request as the reply tells of it, in its own unit.

    ``number`` is its position among the request's readings, and ``where`` the place told of it.
    ``at`` are the positions of its readings among the engine's: one, or several for a count.
    ``may_be_negative`` says that it is of a difference or of an analyte that may be lost;
    ``relative_sd`` is the one that was stated; ``left_out`` is the caller's reason for leaving it
    out.
    """

    number: int
    where: Where
    place: Place
    words: str
    unit: str
    base: str
    at: tuple[int, ...]
    value: float | None = None
    sd: float | None = None
    limit: Limit | None = None
    relative_sd: float | None = None
    origin: str = ""
    shares: Mapping[Stage, float] = MappingProxyType({})
    counted: Counted | None = None
    may_be_negative: bool = False
    is_of_size: bool = False
    left_out: str | None = None


@dataclass(frozen=True)
class _Judged:
    """A reading judged: what the engine takes, and what the reply tells of it."""

    readings: tuple[Reading, ...]
    entry: Entry


class Reader:
    """Takes the readings of one request, one by one, and notes what is wrong with them."""

    def __init__(self, request: BalanceRequest, sheet: Sheet, ledger: Ledger) -> None:
        self.sheet = sheet
        self.ledger = ledger
        self.options = request.options or OptionsObject()
        self.known = declared(request, ledger)
        self.wires = request.readings
        self.pools: Pools = {}
        self.kinds: tuple[int, ...] | None = None  # of the readings, where all are usual ones
        self._taken = 0  # readings given to the engine so far
        self._met: dict[Of, Measured] = {}  # what was read before needs no second judgement

    def judged(self) -> Iterator[_Judged]:
        """Give every reading that was taken and can be used."""
        usual = [taken(wire, self.sheet) for wire in self.wires]
        if all(usual):
            self.kinds = tuple(one.kind.number for one in usual if one is not None)
        prepared = [
            (None, None) if one is not None else self._prepared(i, wire)
            for i, (wire, one) in enumerate(zip(self.wires, usual, strict=True))
        ]
        self.pools = pools_of([item for item, _ in prepared if item is not None], self.options)
        for i, (wire, one, known) in enumerate(zip(self.wires, usual, prepared, strict=True)):
            where: Where = ("readings", i)
            if one is None:
                found = self._in_full(wire, where, *known)
            else:
                found = _Judged((one.reading,), entry_of(one, where, self._taken))
            if found is not None:
                self._taken += len(found.readings)
                yield found if wire.left_out is None else _left_out(found, wire.left_out)

    def _in_full(
        self, wire: ReadingObject, where: Where, item: Item | None, place: Place | None
    ) -> _Judged | None:
        form = form_of(wire, where, self.ledger)
        if form == "counts":
            return self._count(wire, place, where)
        return None if form is None or item is None else self._reading(item, place)

    def _prepared(self, i: int, wire: ReadingObject) -> tuple[Item | None, Place | None]:
        """Give what was measured, in which unit, and where."""
        where: Where = ("readings", i)
        place = place_of(wire, self.sheet, where, self.ledger)
        if wire.counts is not None:
            self.ledger.note_if(
                wire.of is not None,
                (*where, "of"),
                "count-of-something",
                "A count says by itself what was counted.",
                "Leave 'of' out.",
            )
            return None, place
        of = wire.of or (Of(quantity=MASS) if wire.survey is not None else None)
        if of is None:
            self.ledger.note(
                (*where, "of"),
                "missing-field",
                "The member 'of' is missing.",
                'Add it, for example "of": "Sn".',
            )
            return None, place
        found = self._measured(of, (*where, "of"))
        if found is not None and found.words == PULP_DENSITY:
            found = pulp_density(found, wire.solid_density, self.sheet, where, self.ledger)
        unit = None if found is None else self._unit(wire, found, where)
        item = None if found is None or unit is None else Item(wire, where, found, unit)
        return item, place

    def _measured(self, of: Of, where: Where) -> Measured | None:
        if of in self._met:
            return self._met[of]
        before = self.ledger.count
        found = measured(of, self.sheet, where, self.ledger)
        if found is not None and self.ledger.count == before:
            self._met[of] = found
        return found

    def _unit(self, wire: ReadingObject, found: Measured, where: Where) -> str | None:
        """Give the unit of a reading, or none where it does not say or does not fit."""
        if wire.unit is None and found.unit is None and not found.is_amount:
            self.ledger.note(
                (*where, "unit"),
                "missing-unit",
                f"The reading of '{found.words}' has no unit.",
                f"Add 'unit', one of: {', '.join(found.units)}.",
            )
        if found.is_amount and found.base is None and is_measured(wire):
            self.ledger.note(
                ("flowsheet", "mass_unit"),
                "missing-mass-unit",
                "Masses are read, but the flowsheet does not say in which unit.",
                f"Add 'mass_unit', one of: {', '.join(MASS_UNITS)}.",
            )
        if wire.unit is None or wire.unit in found.units:
            return wire.unit or found.unit
        self.ledger.note(
            (*where, "unit"),
            "unit-does-not-fit",
            f"'{wire.unit}' is not a unit for '{found.words}' in this flowsheet.",
            f"Use one of: {', '.join(found.units)}.",
        )
        return None

    def _count(self, wire: ReadingObject, place: Place | None, where: Where) -> _Judged | None:
        assert wire.counts is not None  # noqa: S101 - the form says so
        counted = counted_of(wire.counts, self.sheet, where, self.ledger)
        if counted is None or place is None:
            return None
        readings = tuple(readings_of(counted, place))
        entry = Entry(
            number=int(where[-1]),
            where=where,
            place=place,
            words=f"count of {counted.grains} grains",
            unit="%",
            base="fraction",
            at=tuple(range(self._taken, self._taken + len(readings))),
            relative_sd=wire.relative_sd,
            origin=f"the multinomial error of counting {counted.grains} grains by {counted.basis}",
            shares={Stage.ANALYSIS: 1.0},
            counted=counted,
        )
        return _Judged(readings, entry)

    def _reading(self, item: Item, place: Place | None) -> _Judged | None:
        outcome = outcome_of(item, self.sheet, self.pools, self.options, self.ledger)
        if outcome is None or is_no_density(item, outcome, self.ledger):
            return None
        errors = self._errors(item, outcome)
        if errors is None or place is None:
            return None
        self._note_negative(item, outcome, errors)
        base = item.measured.base or item.unit
        entry = Entry(
            number=int(item.where[-1]),
            where=item.where,
            place=place,
            words=item.measured.words,
            unit=item.unit,
            base=base,
            at=(self._taken,),
            value=outcome.value,
            sd=errors.total,
            limit=outcome.limit,
            relative_sd=item.wire.relative_sd,
            origin=errors.sentence,
            shares=errors.shares,
            may_be_negative=bool(item.measured.of.carried) or self._is_difference(place),
            is_of_size=item.wire.of is not None and item.wire.of.size is not None,
        )
        reading = Reading(
            place.stream,
            item.measured.word or item.measured.of,
            convert(outcome.value, item.unit, base),
            convert(errors.own.total, item.unit, base),
            tuple((s.name, convert(s.size, item.unit, base)) for s in errors.shared),
            outcome.limit,
        )
        self._note_too_small(item, reading)
        return _Judged((reading,), entry)

    def _is_difference(self, place: Place) -> bool:
        sheet = self.sheet.flowsheet
        return any(sheet.streams[sheet.stream_index[name]].signed for name in place.names)

    def _errors(self, item: Item, outcome: Outcome) -> Errors | None:
        result = Result(
            outcome.value,
            item.unit,
            item.measured.is_amount,
            item.measured.is_assay,
            outcome.centre,
            outcome.pool,
            outcome.limit is not None,
        )
        if outcome.sd is not None:
            words = "from the volume and the bulk density of the survey"
            part = Contribution(Source.STATED, Stage.WEIGHING, outcome.sd, words)
            return Errors(SdParts((part,)))
        errors = errors_of(item.wire, result, self.known, item.where, self.ledger)
        if errors is None or item.measured.base != DENSITY_UNIT:
            return errors
        return replace(errors, shared=(*errors.shared, *density_errors(item, outcome, self.sheet)))

    def _note_negative(self, item: Item, outcome: Outcome, errors: Errors) -> None:
        if outcome.value < 0 and errors.total == 0 and item.measured.of.above:
            self.ledger.note(
                (*item.where, "value"),
                "negative-fixed-value",
                f"A value of {outcome.value:.6g} {item.unit} is fixed by its standard deviation of "
                "zero, but nothing can be negative.",
                "Give the reading a standard deviation above zero, or correct the value.",
            )

    def _note_too_small(self, item: Item, reading: Reading) -> None:
        self.ledger.note_if(
            0 < abs(reading.value) < SMALLEST_VALUE,
            _told(item, FORMS),
            "value-too-small",
            "The value is not zero but too small to calculate with.",
            "Give 0 if zero is meant; check the unit and the exponent.",
        )
        self.ledger.note_if(
            0 < reading.sd < SMALLEST_SD,
            _told(item, _SIZES_OF_ERROR),
            "sd-too-small",
            "The standard deviation is above zero but too small to calculate with.",
            "Give 0 if the value is fixed; check the unit and the exponent.",
        )


def entry_of(one: Taken, where: Where, at: int) -> Entry:
    """Give what the reply tells of a usual reading, the engine's at this position."""
    kind = one.kind
    return Entry(
        number=int(where[-1]),
        where=where,
        place=kind.place,
        words=kind.words,
        unit=kind.unit,
        base=kind.base,
        at=(at,),
        value=one.value,
        sd=one.sd,
        relative_sd=one.relative_sd,
        origin=one.origin,
        shares=one.shares,
        may_be_negative=kind.may_be_negative,
    )


def _told(item: Item, members: Sequence[str]) -> Where:
    """Give the place of the first of some members that the caller wrote, or of the reading."""
    written = item.wire.model_fields_set
    return next(((*item.where, name) for name in members if name in written), item.where)


def _left_out(judged: _Judged, reason: str) -> _Judged:
    """Let a reading count for nothing; it is still told what came out for it."""
    readings = tuple(replace(reading, sd=math.inf, causes=()) for reading in judged.readings)
    return _Judged(readings, judged.entry._replace(left_out=reason))


def closures_of(sheet: Sheet) -> Iterator[tuple[Where, Reading]]:
    """Give the closures that have an sd as readings of the total, one for each stream."""
    for i, closure in enumerate(sheet.wire.closures):
        if closure.sd is None:
            continue
        names = closure.streams
        for (name, _), engine_name in sheet.unrolled.streams.items():
            stream = sheet.flowsheet.streams[sheet.flowsheet.stream_index[engine_name]]
            if (names is None or name in names) and _has_ratios(sheet, stream.name):
                total = measurands.total(tuple(closure.components))
                value, sd = closure.total / 100, closure.sd / 100
                yield ("flowsheet", "closures", i), Reading((engine_name,), total, value, sd)


def _has_ratios(sheet: Sheet, name: str) -> bool:
    """Say whether a stream has grades at all: it holds solids and is no mere difference."""
    stream = sheet.flowsheet.streams[sheet.flowsheet.stream_index[name]]
    return not stream.signed and sheet.flowsheet.holds(stream, SOLIDS)
