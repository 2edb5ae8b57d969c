"""The whole request in the engine's terms, and everything in it that makes no sense."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from reconcile import Flowsheet, Reading
from reconcile.faults import Fault, Where
from reconcile.measurands import Measurand, measurand
from reconcile.readings import faults_of as reading_faults_of
from service.balances.schemas import BalanceRequest
from service.kit.strict_json import pointer

from .controls import controls_of
from .ledger import Ledger
from .likenesses import likenesses_of
from .performance import Beyond, beyond_of
from .readings import Entry, Reader, closures_of, entry_of
from .sheet import Sheet, sheet_of
from .usual import Taken

_ORIGINS = "origins"
"""Where the places of readings are kept that were found to make sense together, with no others."""


@dataclass(frozen=True)
class Terms:
    """
    What the engine takes, and what the reply tells of each reading.

    ``origins`` gives for each engine reading its place in the request; ``beyond`` is what is asked
    beyond the balance.  ``same`` is room for what is the same in every balance of these readings;
    whoever fills it bounds it.
    """

    sheet: Sheet
    readings: tuple[Reading, ...]
    origins: tuple[Where, ...]
    entries: tuple[Entry, ...]
    beyond: Beyond = field(default_factory=Beyond)
    same: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def flowsheet(self) -> Flowsheet:
        """The flowsheet over all periods."""
        return self.sheet.flowsheet


def terms_of(request: BalanceRequest) -> tuple[Terms, list[Fault]]:
    """Give a request in the engine's terms, as far as it makes sense, and where it does not."""
    ledger = Ledger()
    sheet = sheet_of(request, ledger)
    reader = Reader(request, sheet, ledger)
    readings: list[Reading] = []
    origins: list[Where] = []
    entries: list[Entry] = []
    for judged in reader.judged():
        readings += judged.readings
        origins += [judged.entry.where] * len(judged.readings)
        entries.append(judged.entry)
    others = (
        *closures_of(sheet),
        *likenesses_of(sheet, readings, ledger),
        *controls_of(request.controls, {c.name: c for c in request.causes}, ledger),
    )
    for where, reading in others:
        readings.append(reading)
        origins.append(where)
    beyond = beyond_of(request, sheet, ledger)
    same = sheet.same(reader.kinds)
    terms = Terms(sheet, tuple(readings), tuple(origins), tuple(entries), beyond, same)
    _note_repeats(terms, ledger)
    _note_prior(request, ledger)
    ledger.faults += _engine_findings(terms, request)
    if not ledger.faults and not others and reader.kinds is not None:
        same[_ORIGINS] = terms.origins
    return terms, _once(ledger.faults)


def terms_again(request: BalanceRequest, sheet: Sheet, readings: Sequence[Taken]) -> Terms | None:
    """
    Give the terms of a request that was judged before but for its numbers.

    Parameters
    ----------
    request
        the request; its own readings are passed over.
    sheet
        its flowsheet.
    readings
        all its readings, in the numbers of which nothing is wrong.

    There are none unless readings of the same kinds were found to make sense together.
    """
    same = sheet.same(tuple([one.kind.number for one in readings]))
    origins: tuple[Where, ...] | None = same.get(_ORIGINS)
    if origins is None:
        return None
    ledger = Ledger()
    beyond = beyond_of(request, sheet, ledger)
    _note_prior(request, ledger)
    if ledger.faults:
        return None
    entries = [
        entry_of(one, where, i)
        for i, (one, where) in enumerate(zip(readings, origins, strict=True))
    ]
    taken = tuple([one.reading for one in readings])
    return Terms(sheet, taken, origins, tuple(entries), beyond, same)


def _note_prior(request: BalanceRequest, ledger: Ledger) -> None:
    prior = request.evidence.prior
    ledger.note_if(
        prior.reading + prior.leak + prior.exchange == 0,
        ("evidence", "prior"),
        "prior-of-nothing",
        "No kind of error is possible beforehand, so none could be found.",
        "Give at least one kind a weight above zero, or skip the evidence.",
    )


def _engine_findings(terms: Terms, request: BalanceRequest) -> list[Fault]:
    """Give what the engine finds wrong with the readings, each in its place in the request."""
    if not request.readings or not terms.entries:
        null = request.readings and all(
            r.value is None and "value" in r.model_fields_set for r in request.readings
        )
        if request.readings and not null:
            return []
        what = "Every reading is null" if null else "There are no readings"
        return [
            Fault(
                ("readings",),
                "no-readings",
                f"{what}, so there is nothing to reconcile.",
                "Give at least one measured mass or assay.",
            )
        ]
    found = reading_faults_of(terms.flowsheet, terms.readings)
    return [
        Fault((*terms.origins[int(f.where[1])], *f.where[2:]), f.code, f.what, f.mend)
        for f in found
        if len(f.where) > 1 and f.code != "repeated-reading"
    ]


def _note_repeats(terms: Terms, ledger: Ledger) -> None:
    """Take note of a quantity read twice, by its places in the request."""
    first: dict[tuple[tuple[str, ...], int], Where] = {}
    numbers: dict[Measurand, int] = {}
    known: dict[str | Measurand, int] = {}  # the same few are read of many streams
    for where, reading in zip(terms.origins, terms.readings, strict=True):
        if not reading.streams or math.isinf(reading.sd):
            continue
        number = known.get(reading.of)
        if number is None:
            of = measurand(terms.flowsheet, reading.of)
            number = known[reading.of] = numbers.setdefault(of, len(numbers))
        key = (reading.streams, number)
        if key in first:
            ledger.note(
                where,
                "repeated-reading",
                f"'{reading.name}' of stream {reading.where} was already read at "
                f"{pointer(first[key])}.",
                "Give one reading with 'replicates', or the mean of n with sd divided by the "
                "square root of n.",
            )
        first.setdefault(key, where)


def _once(faults: list[Fault]) -> list[Fault]:
    once: dict[tuple[Where, str], Fault] = {}
    for fault in faults:
        once.setdefault((fault.where, fault.code), fault)
    return list(once.values())
