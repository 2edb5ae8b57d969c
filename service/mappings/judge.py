"""Whether a tag mapping makes sense, on the flowsheets that hold when it begins."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from reconcile.faults import Fault, Where
from service.balances.schemas import BalanceRequest, ReadingObject
from service.balances.terms.request import terms_of
from service.balances.terms.results import FORMS
from service.kit.units import UNITS, Kind
from service.versions.repository import Version

from .schemas import MappingEntry, ValidRange

STAND_IN = 0.5
"""
A value in whose place any will come, so that the terms of a reading can be judged without one.

Half a percent, half a tonne and half a kilogram per litre are all sound.
"""

_NO_PART = ("at", "period", *FORMS)

# Two instruments may read one thing; the entries that read nothing are told by what they lack.
_NO_FAULTS = frozenset({"repeated-reading", "no-readings"})

Channel = tuple[str, str, str]
"""Tag, sample point, analyte; empty where an entry or a reading has none."""

FlowsheetAt = Callable[[str], Version | None]
"""Gives the version of a flowsheet that holds when the mapping begins."""


@dataclass
class Judged:
    """What was found of the entries: their faults, and the unit of each that makes sense."""

    faults: list[Fault] = field(default_factory=list)
    units: dict[int, str] = field(default_factory=dict)


def channel_of(entry: MappingEntry) -> Channel:
    """Give by what the results of an entry are known."""
    return entry.tag or "", entry.sample_point or "", entry.analyte or ""


def judge(entries: Mapping[int, MappingEntry], of: str, flowsheet_at: FlowsheetAt) -> Judged:
    """Judge the entries at their places in the request; ``of`` is the mapping's flowsheet."""
    judged = Judged()
    judged.faults += _faults_of_channels(entries)
    for i, entry in entries.items():
        judged.faults += _faults_of_parts(entry, ("entries", i))
    by_flowsheet: dict[str, dict[int, MappingEntry]] = {of: {}}
    for i, entry in entries.items():
        by_flowsheet.setdefault(entry.flowsheet or of, {})[i] = entry
    for key, its in by_flowsheet.items():
        held = flowsheet_at(key)
        if held is None:
            judged.faults += _unknown_flowsheet(key, of, its)
        elif its:
            _judge_readings(its, held.body, judged)
    return judged


def _unknown_flowsheet(key: str, of: str, its: Iterable[int]) -> list[Fault]:
    places: list[Where] = (
        [("flowsheet",)] if key == of else [("entries", i, "flowsheet") for i in its]
    )
    what = f"No flowsheet '{key}' holds when the mapping begins."
    mend = "Store it with a 'valid_from' not after that of the mapping, or correct the key."
    return [Fault(place, "unknown-flowsheet", what, mend) for place in places]


def _faults_of_channels(entries: Mapping[int, MappingEntry]) -> list[Fault]:
    faults: list[Fault] = []
    first: dict[Channel, int] = {}
    for i, entry in entries.items():
        tag, point, analyte = channel = channel_of(entry)
        if bool(tag) == bool(point or analyte) or bool(point) != bool(analyte):
            what = "It is not clear which results are meant."
            mend = "Give either 'tag', or 'sample_point' and 'analyte'."
            faults.append(Fault(("entries", i), "unclear-tag", what, mend))
        elif channel in first:
            what = f"Its results are those of the entry at /entries/{first[channel]} already."
            faults.append(Fault(("entries", i), "duplicate-tag", what, "Keep one of the two."))
        first.setdefault(channel, i)
    return faults


def _faults_of_parts(entry: MappingEntry, where: Where) -> list[Fault]:
    """Results, which come later, and ranges that nothing lies in."""
    faults = [
        Fault(
            (*where, "reading", part),
            "not-of-a-mapping",
            f"'{part}' is no part of a mapping; it comes with the results.",
            "Leave it out.",
        )
        for part in _NO_PART
        if part in entry.reading.model_fields_set
    ]
    span = entry.valid_range or ValidRange()
    if span.low is not None and span.high is not None and span.low > span.high:
        what = "No value is in the range: its low end is above its high end."
        faults.append(Fault((*where, "valid_range"), "empty-range", what, "Exchange the two."))
    return faults


def _judge_readings(
    entries: Mapping[int, MappingEntry], body: dict[str, Any], judged: Judged
) -> None:
    """Judge what the entries are readings of, by the terms of a request for a balance."""
    request = BalanceRequest.model_validate(body | {"readings": []})
    places = list(entries)
    sheet_unit = request.flowsheet.mass_unit
    of_masses = sheet_unit is not None and UNITS[sheet_unit].kind is Kind.MASS
    integral = {i for i, e in entries.items() if e.combine == "integral"}
    readings = [_stand_in(e, as_mass=i in integral) for i, e in entries.items()]
    terms, findings = terms_of(request.model_copy(update={"readings": readings}))
    for fault in findings:
        if fault.where[:1] != ("readings",) or fault.code in _NO_FAULTS:
            continue
        where = ("entries", places[int(fault.where[1])], "reading", *fault.where[2:])
        judged.faults.append(Fault(where, fault.code, fault.what, fault.mend))
    for i in integral:
        if not of_masses or not _is_rate(entries[i].reading.unit):
            where = ("entries", i, "combine")
            what = "An integral is of a rate, in a flowsheet of masses."
            mend = "Give the reading a unit such as t/h, or combine otherwise."
            judged.faults.append(Fault(where, "integral-of-no-rate", what, mend))
    for entry in terms.entries:
        i = places[int(entry.where[1])]
        judged.units[i] = entries[i].reading.unit or entry.unit


def _is_rate(unit: str | None) -> bool:
    return unit is not None and UNITS[unit].kind is Kind.RATE


def _stand_in(entry: MappingEntry, *, as_mass: bool) -> ReadingObject:
    """Give the reading of an entry with a value; an integral in the unit of mass of its rate."""
    span = entry.valid_range or ValidRange()
    ends = [end for end in (span.low, span.high) if end is not None]
    value = sum(ends) / len(ends) if ends and sum(ends) > 0 else STAND_IN
    changes: dict[str, Any] = dict.fromkeys(_NO_PART) | {"value": value}
    if as_mass and entry.reading.unit is not None:
        changes["unit"] = entry.reading.unit.partition("/")[0]
    if entry.reading.stock is not None:
        changes["at"] = "closing"
    return entry.reading.model_copy(update=changes)
