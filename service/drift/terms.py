"""The request in the engine's terms, and everything in it that makes no sense."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from reconcile import Flowsheet, Reading
from reconcile.drift import FEWEST_SHIFTS, Subject, subject_of
from reconcile.faults import Fault, Where
from service.balances.schemas import BalanceRequest, Of, OptionsObject, ReadingObject
from service.balances.terms.ledger import Ledger, doubles
from service.balances.terms.readings import Entry
from service.balances.terms.request import Terms, terms_of

from .schemas import DriftRequest, InstrumentObject, ShiftObject

_OF_A_VALUE = frozenset(
    {
        "relative-sd-on-zero",
        "relative-sd-on-negative",
        "assay-above-100-percent",
        "negative-fixed-value",
        "sd-too-small",
        "unusable-error-input",
    }
)
"""Faults that a value brings about, wherever they point within a reading."""

_RESULTS = ("value", "replicates", "below", "above", "result", "counts", "survey")


@dataclass(frozen=True)
class Label:
    """
    What was read, in the request's words.

    ``unit`` is that of the values on the wire and ``base`` that of the engine.
    """

    words: str
    where: str
    unit: str
    base: str
    streams: tuple[str, ...]
    is_amount: bool

    @property
    def name(self) -> str:
        """What it is called where it is an instrument of its own."""
        return f"{self.words} of {self.where}"


@dataclass(frozen=True)
class Instrument:
    """An instrument with the subjects that it reads."""

    name: str
    subjects: tuple[Subject, ...]


@dataclass(frozen=True)
class SeriesTerms:
    """
    What the engine takes: a flowsheet, the readings of every shift, and whose they are.

    ``models`` are the error models that readings refer to, each with the subjects that do.
    """

    flowsheet: Flowsheet | None
    shifts: tuple[tuple[Reading, ...], ...]
    instruments: tuple[Instrument, ...]
    models: tuple[Instrument, ...]
    labels: dict[Subject, Label]


def series_terms_of(request: DriftRequest, most_readings: int) -> tuple[SeriesTerms, list[Fault]]:
    """
    Give a request in the engine's terms, as far as it makes sense, and where it does not.

    One of more than ``most_readings`` in all shifts is not looked at any further.
    """
    ledger = Ledger()
    count = sum(len(shift.values) + len(shift.readings) for shift in request.shifts)
    if ledger.note_if(
        max(count, len(request.shifts)) > most_readings,
        ("shifts",),
        "too-many-readings",
        f"There are {count} readings in {len(request.shifts)} shifts; this service takes "
        f"{most_readings} of either.",
        "Look at a part of the series, or run a service with a higher limit.",
    ):
        return SeriesTerms(None, (), (), (), {}), ledger.faults
    _note_templates(request, ledger)
    _note_shifts(request, ledger)
    once: dict[tuple[Where, str], Fault] = {}
    parts: list[Terms] = []
    for number, shift in enumerate(request.shifts):
        terms, faults = terms_of(_balance(request, shift))
        parts.append(terms)
        for fault in faults:
            if fault.code != "no-readings":
                placed = _placed(fault, number, len(request.readings))
                once.setdefault((placed.where, placed.code), placed)
    instruments = _instruments(request, parts, ledger)
    ledger.note_if(
        parts and not any(part.readings for part in parts),
        ("shifts",),
        "no-readings",
        "No shift has a reading, so there is nothing to look at.",
        "Give the values of the readings in each shift.",
    )
    labels: dict[Subject, Label] = {}
    for part in parts:
        for subject, _, entry in _subjects(part):
            labels.setdefault(subject, _label(subject, entry))
    shifts = tuple(part.readings for part in parts)
    sheet = parts[0].flowsheet if parts else None
    whole = SeriesTerms(sheet, shifts, instruments, _models(request, parts), labels)
    return whole, [*once.values(), *ledger.faults]


def _note_templates(request: DriftRequest, ledger: Ledger) -> None:
    for j, reading in enumerate(request.readings):
        given = [name for name in _RESULTS if getattr(reading, name) is not None]
        if given:
            ledger.note(
                ("readings", j, given[0]),
                "result-outside-shifts",
                "The reading has a result, but it says what is read in every shift.",
                "Leave the result out here, and give it under 'shifts': under 'values', or as a "
                "reading of its own where it is more than a value.",
            )


def _note_shifts(request: DriftRequest, ledger: Ledger) -> None:
    count = len(request.shifts)
    ledger.note_if(
        count < FEWEST_SHIFTS,
        ("shifts",),
        "too-few-shifts",
        f"There are {count} shifts; fewer than {FEWEST_SHIFTS} show no drift.",
        f"Give at least {FEWEST_SHIFTS}; balance a single one at /v1/balances.",
    )
    for number in doubles(shift.name for shift in request.shifts):
        name = request.shifts[number].name
        ledger.note(
            ("shifts", number, "name"),
            "repeated-name",
            f"There is another shift named '{name}'.",
            "Give every shift a name of its own.",
        )
    wanted = len(request.readings)
    for number, shift in enumerate(request.shifts):
        ledger.note_if(
            shift.values and len(shift.values) != wanted,
            ("shifts", number, "values"),
            "values-do-not-fit",
            f"There are {len(shift.values)} values for {wanted} readings.",
            "Give one value for each of the request's 'readings', in their order; null where one "
            "was not read.",
        )


def _balance(request: DriftRequest, shift: ShiftObject) -> BalanceRequest:
    """Give one shift as a request for its balance."""
    options = request.options
    values = shift.values or [None] * len(request.readings)
    filled = [
        reading.model_copy(update=dict.fromkeys(_RESULTS) | {"value": value})
        for reading, value in zip(request.readings, values, strict=False)
    ]
    return BalanceRequest.model_construct(
        flowsheet=request.flowsheet,
        error_models=request.error_models,
        causes=request.causes,
        readings=[*filled, *shift.readings],
        options=OptionsObject(
            pooling=options.pooling if options else None,
            robust_replicates=bool(options and options.robust_replicates),
        ),
    )


def _placed(fault: Fault, shift: int, templates: int) -> Fault:
    """Give a fault of one shift's balance its place in the whole request."""
    where = fault.where
    if where[0] != "readings" or len(where) == 1:
        return fault
    j, rest = int(where[1]), where[2:]
    if j >= templates:
        place: Where = ("shifts", shift, "readings", j - templates, *rest)
    elif rest[:1] == ("value",) or fault.code in _OF_A_VALUE:
        place = ("shifts", shift, "values", j)
    else:
        place = ("readings", j, *rest)
    return Fault(place, fault.code, fault.what, fault.mend)


def _subjects(terms: Terms) -> Iterator[tuple[Subject, Reading, Entry | None]]:
    """Give what each reading that counts is of, with the entry that it comes from."""
    entries = {k: entry for entry in terms.entries for k in entry.at}
    for k, reading in enumerate(terms.readings):
        if reading.streams and math.isfinite(reading.sd):
            yield subject_of(terms.flowsheet, reading), reading, entries.get(k)


def _label(subject: Subject, entry: Entry | None) -> Label:
    streams, of = subject
    if entry is None:
        return Label(
            f"'{of.name}'", " + ".join(map(repr, streams)), "%", "fraction", streams, False
        )
    place = entry.place
    names = place.streams or ((place.stock,) if place.stock else ())
    words = entry.words if entry.counted is None else "grain count"
    return Label(words, place.words, entry.unit, entry.base, tuple(names), of.is_amount)


def _wires(request: DriftRequest, shift: ShiftObject) -> list[ReadingObject]:
    return [*request.readings, *shift.readings]


def _has(instrument: InstrumentObject, wire: ReadingObject) -> bool:
    """Say whether a reading is one of an instrument's."""
    if instrument.stream is None and instrument.of is None:
        return False
    streams = wire.stream or []
    of = wire.of or Of(quantity="mass" if wire.survey is not None else None)
    there = instrument.stream is None or (bool(streams) and set(streams) <= set(instrument.stream))
    return there and (instrument.of is None or of in instrument.of)


def _instruments(
    request: DriftRequest, parts: list[Terms], ledger: Ledger
) -> tuple[Instrument, ...]:
    """Give the instruments named, then those of a single reading each, or a count of grains."""
    named: list[dict[Subject, None]] = [{} for _ in request.instruments]
    alone: dict[str, dict[Subject, None]] = {}
    for shift, terms in zip(request.shifts, parts, strict=True):
        wires = _wires(request, shift)
        for subject, _, entry in _subjects(terms):
            wire = wires[int(entry.where[1])] if entry is not None else None
            mine = [g for g, one in enumerate(request.instruments) if wire and _has(one, wire)]
            name = _label(subject, entry).name
            for g in mine:
                ledger.note_if(
                    g != mine[0] and subject not in named[g],
                    ("instruments", g),
                    "reading-of-two-instruments",
                    f"{name} is also read by '{request.instruments[mine[0]].name}'.",
                    "Let each reading have one instrument.",
                )
                named[g][subject] = None
            if not mine:
                alone.setdefault(name, {})[subject] = None
    _note_instruments(request, named, ledger)
    return (
        *(
            Instrument(one.name, tuple(subjects))
            for one, subjects in zip(request.instruments, named, strict=True)
        ),
        *(Instrument(name, tuple(subjects)) for name, subjects in alone.items()),
    )


def _models(request: DriftRequest, parts: list[Terms]) -> tuple[Instrument, ...]:
    """Give the error models with what refers to each, by its first shift."""
    of: dict[Subject, str | None] = {}
    for shift, terms in zip(request.shifts, parts, strict=True):
        wires = _wires(request, shift)
        for subject, _, entry in _subjects(terms):
            if entry is not None:
                of.setdefault(subject, wires[int(entry.where[1])].error_model)
    names = [model.name for model in request.error_models]
    using = {name: tuple(s for s, model in of.items() if model == name) for name in names}
    return tuple(Instrument(name, subjects) for name, subjects in using.items() if subjects)


def _note_instruments(
    request: DriftRequest, named: list[dict[Subject, None]], ledger: Ledger
) -> None:
    for g in doubles(one.name for one in request.instruments):
        ledger.note(
            ("instruments", g, "name"),
            "repeated-name",
            f"There is another instrument named '{request.instruments[g].name}'.",
            "Give every instrument a name of its own.",
        )
    for g, (one, subjects) in enumerate(zip(request.instruments, named, strict=True)):
        everything = ledger.note_if(
            one.stream is None and one.of is None,
            ("instruments", g),
            "instrument-of-everything",
            f"'{one.name}' would have all readings.",
            "Say by 'stream' or 'of' which readings it has.",
        )
        ledger.note_if(
            not subjects and not everything,
            ("instruments", g),
            "instrument-without-readings",
            f"No shift has a reading of '{one.name}'.",
            "Correct its streams and quantities, or leave it out.",
        )
