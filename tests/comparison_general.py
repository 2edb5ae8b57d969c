"""Compare a balance of everything a circuit contains with a judge's unknowns."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from reconcile import SOLIDS, Balance, Estimate, Knowledge, Known, Part, Reading
from reconcile.flowsheet import Quantity
from reconcile.measurands import analyte, assay, measurand, moisture
from tests.peers.everything import Array, Key, Whole, cost
from tests.surveys import Survey, Truth

LEAST = 1e-3
"""Values are compared relative to themselves, to their sd, or to this share of the largest of their
kind, whichever is largest."""


def stated(case: Survey, empty: frozenset[Key] = frozenset()) -> Whole:
    """Write a survey as the judge's problem, scaled by its truth."""
    sheet, amounts = case.flowsheet, case.truth.amounts
    throughput = np.max(np.abs(amounts), axis=0)
    typical = {
        (stream.name, q): max(abs(amounts[s, i]), (0.1 if stream.signed else 1e-3) * throughput[i])
        for s, stream in enumerate(sheet.streams)
        for i, q in enumerate(sheet.quantities)
    }
    return Whole(sheet, case.readings, case.options.robust, typical, empty)


def unknowns(whole: Whole, truth: Truth) -> Array:
    """Give the true unknowns."""
    sheet, x = whole.flowsheet, np.zeros(whole.unknowns)
    for (stream, quantity), i in whole.amount.items():
        x[i] = truth.amounts[sheet.stream_index[stream], sheet.quantity_index[quantity]]
    for key, i in whole.content.items():
        x[i] = truth.contents[key]
    for name, i in whole.cause.items():
        x[i] = truth.causes[name]
    return x


def amount_of(balance: Balance, stream: str, quantity: Quantity) -> Known | Estimate:
    """Give what a balance says of one amount."""
    if quantity == SOLIDS:
        return balance.masses[stream]
    if (stream, quantity) in balance.amounts:
        return balance.amounts[stream, quantity]
    return balance.component_masses[stream, str(quantity)]


def reported(whole: Whole, balance: Balance) -> Array:
    """Give the unknowns that the engine reports, NaN where it reports none."""
    x = np.full(whole.unknowns, np.nan)
    for (stream, quantity), i in whole.amount.items():
        found = amount_of(balance, stream, quantity).value
        x[i] = math.nan if found is None else found
    for key, i in whole.content.items():
        x[i] = balance.contents[key].value
    shared = {s.name: s.value for s in balance.shared}
    for name, i in whole.cause.items():
        x[i] = shared[name]
    return x


def without_the_undefined(case: Survey, balance: Balance) -> tuple[Survey, frozenset[Key]]:
    """
    Give the survey without readings over what is reconciled to nothing, and what that is.

    A trace of solids may have any assay, so in the limit such readings are met.
    """
    gone = [read.knowledge is Knowledge.UNDEFINED for read in balance.readings]
    if not any(gone):
        return case, frozenset()
    kept = tuple(r for r, left_out in zip(case.readings, gone, strict=True) if not left_out)
    sheet = case.flowsheet
    empty = frozenset(
        (s.name, q)
        for s in sheet.streams
        for q in sheet.quantities
        if sheet.holds(s, q) and not s.signed and amount_of(balance, s.name, q).value == 0.0
    )
    return replace(case, readings=kept), empty


# --- the engine's objective, from what it reports -------------------------------------------------


def _shared_part(balance: Balance, reading: Reading) -> float:
    shared = {s.name: s.value for s in balance.shared}
    return math.fsum(size * shared[name] for name, size in reading.causes)


def objective(case: Survey, balance: Balance) -> tuple[float, list[int]]:
    """
    Give the objective of what the engine reports, and the readings it gives no value for.

    Worked out from the reconciled value of each reading, the shared errors and the contents; a
    reading over what is reconciled to nothing counts as met.
    """
    costs, without = [s.value**2 for s in balance.shared], []
    for i, (reading, read) in enumerate(zip(case.readings, balance.readings, strict=True)):
        if reading.sd == 0 or math.isinf(reading.sd) or read.knowledge is Knowledge.UNDEFINED:
            continue
        if read.value is None:
            without.append(i)
            continue
        e = (read.value + _shared_part(balance, reading) - reading.value) / reading.sd
        costs.append(cost(e, reading.limit, case.options.robust))
    for (mineral, carried), estimate in balance.contents.items():
        known = case.flowsheet.contents[mineral][carried]
        costs.append((((estimate.value or 0.0) - known.value) / known.sd) ** 2)
    return math.fsum(costs), without


# --- values ---------------------------------------------------------------------------------------

Kind = tuple[object, ...]
Pair = tuple[Kind, str, Known | Estimate | None, float]
"""What kind of value, where, what the engine reports, and what the judge has."""


def feeds_of(whole: Whole) -> dict[str, list[str]]:
    """Give the feeds of the connected part that each stream belongs to."""
    sheet = whole.flowsheet
    part = {node: {node} for node in sheet.nodes}
    for s in sheet.streams:
        if s.source is not None and s.target is not None:
            joined = part[s.source] | part[s.target]
            part |= dict.fromkeys(joined, joined)
    return {
        s.name: [f.name for f in sheet.feeds if f.target in part[s.source or s.target or ""]]
        for s in sheet.streams
    }


def _ratio(above: float, below: float) -> float:
    return above / below if below > 0 else math.nan


class _Values:
    """All values of a judge's unknowns, paired with a balance."""

    def __init__(self, whole: Whole, case: Survey, balance: Balance, x: Array) -> None:
        self.whole, self.case, self.balance, self.x = whole, case, balance, x
        self.sheet = case.flowsheet
        self.names = [s.name for s in self.sheet.streams]

    def amount(self, s: str, q: Quantity) -> float:
        """Give one amount of the judge's."""
        return float(self.whole.sum_of(self.x, (s,), ((q, 1.0),)))

    def amounts(self) -> Iterator[Pair]:
        """Pair amounts and what share of the feed they are."""
        feeds, balance = feeds_of(self.whole), self.balance
        for s in self.names:
            for q in self.sheet.quantities:
                theirs = self.amount(s, q)
                yield ("amount", q), s, amount_of(balance, s, q), theirs
                share = balance.yields[s] if q == SOLIDS else balance.recoveries[s, q]
                fed = math.fsum(self.amount(f, q) for f in feeds[s])
                yield ("share of the feed", q), s, share, _ratio(theirs, fed)

    def ratios(self) -> Iterator[Pair]:
        """Pair assays, analytes, moistures, size fractions and assays by class."""
        sheet, balance = self.sheet, self.balance
        largest = max(self.amount(s, SOLIDS) for s in self.names)
        for s in self.names:
            if self.amount(s, SOLIDS) <= 1e-8 * largest:
                continue
            for c in sheet.components:
                theirs = self.whole.measured(self.x, (s,), assay(c))
                yield ("assay", c), s, balance.assays[s, c], theirs
            for a in sheet.analytes:
                theirs = self.whole.measured(self.x, (s,), analyte(sheet, a))
                yield ("analyte", a), s, balance.analytes[s, a], theirs
            if sheet.water:
                theirs = self.whole.measured(self.x, (s,), moisture())
                yield ("moisture",), s, balance.moistures[s], theirs
            for size in sheet.classes:
                yield from self.by_class(s, size)

    def by_class(self, s: str, size: str) -> Iterator[Pair]:
        """Pair the fraction in a class and the assays in it."""
        part, solids = Part(SOLIDS, size), self.amount(s, SOLIDS)
        inside = self.amount(s, part)
        yield ("fraction", size), s, self.balance.fractions[s, part], _ratio(inside, solids)
        if inside <= 1e-8 * solids:
            return
        for c in self.sheet.sized:
            theirs = _ratio(self.amount(s, Part(c, size)), inside)
            yield ("class assay", c), s, self.balance.class_assays[s, Part(c, size)], theirs

    def others(self) -> Iterator[Pair]:
        """Pair contents, shared errors, and the values that answer the readings."""
        for key, i in self.whole.content.items():
            yield ("content", *key), "", self.balance.contents[key], float(self.x[i])
        for error in self.balance.shared:
            known = Known(error.value, error.sd, Knowledge.OBSERVABLE)
            yield ("cause", error.name), "", known, float(self.x[self.whole.cause[error.name]])
        for reading, read in zip(self.case.readings, self.balance.readings, strict=True):
            of = measurand(self.sheet, reading.of)
            below = self.whole.sum_of(self.x, reading.streams, of.below) if of.below else 1.0
            if below > 0 and read.value is not None:
                known = Known(read.value, read.sd, read.knowledge)
                theirs = float(self.whole.measured(self.x, reading.streams, of))
                yield ("reading", of.is_amount), f"{of.name} of {reading.where}", known, theirs


def paired(whole: Whole, case: Survey, balance: Balance, x: Array) -> list[Pair]:
    """Pair everything that a balance reports with what follows from unknowns ``x``."""
    values = _Values(whole, case, balance, x)
    return [*values.amounts(), *values.ratios(), *values.others()]


def disagreement(whole: Whole, case: Survey, balance: Balance, x: Array) -> tuple[float, str]:
    """Give the largest difference of a reported value from the judge's, and what it is of."""
    pairs = paired(whole, case, balance, x)
    largest: dict[Kind, float] = {}
    for kind, _, _, theirs in pairs:
        if not math.isnan(theirs):
            largest[kind] = max(largest.get(kind, 0.0), abs(theirs))
    worst, what = 0.0, ""
    for kind, where, known, theirs in pairs:
        if known is None or known.value is None or math.isnan(theirs):
            continue
        scale = max(abs(known.value), abs(theirs), known.sd or 0.0, LEAST * largest[kind], 1e-300)
        apart = abs(known.value - theirs) / scale
        if not apart <= worst:
            worst, what = apart, f"{kind} {where}: {known.value:.9g} against {theirs:.9g}"
    return worst, what
