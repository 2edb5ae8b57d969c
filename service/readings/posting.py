"""What becomes of the lines of a batch: each judged alone, then taken one after the other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from reconcile.faults import Fault, Where
from service.balances.terms.results import FORMS
from service.kit.identifiers import new_id
from service.kit.instants import now, written
from service.kit.intake import fitted
from service.kit.problems import FaultEntry
from service.kit.strict_json import pointer
from service.kit.units import UNITS
from service.sites.repository import Site

from . import repository
from .formats import Line
from .repository import Identity, Known, NewVersion
from .schemas import BatchReply, LineReply, Outcome, ReadingLine

MOST_AHEAD = timedelta(days=1)
"""How far ahead of this machine's clock a reading may be: more than any two clocks differ."""

_RESULTS = tuple(form for form in FORMS if form in ReadingLine.model_fields)


@dataclass
class Judged:
    """A line with what was read of it, and what became of it."""

    line: Line
    reading: ReadingLine | None
    faults: list[Fault]
    outcome: Outcome = "rejected"
    reading_id: UUID | None = None

    @property
    def identity(self) -> Identity:
        """By what its reading is known."""
        of = self._read
        return Identity(
            of.source,
            of.tag or "",
            of.sample_point or "",
            of.analyte or "",
            of.sample or "",
            of.time,
        )

    @property
    def version(self) -> int:
        """Its version."""
        return self._read.version

    @property
    def body(self) -> dict[str, Any]:
        """What it says beyond its identity, in the one form in which it is kept and compared."""
        return self._read.model_dump(
            mode="json",
            by_alias=True,
            exclude_none=True,
            exclude={*Identity._fields, "version"},
        )

    @property
    def _read(self) -> ReadingLine:
        assert self.reading is not None  # noqa: S101 - only lines that could be read are asked
        return self.reading


def judged(line: Line, source: str | None) -> Judged:
    """Judge a line by itself; ``source`` stands in where it names none."""
    document = line.document
    if source is not None and isinstance(document, dict):
        document = {"source": source} | document
    if line.document is None and line.faults:
        return Judged(line, None, line.faults)
    reading, found = fitted(document, ReadingLine, {})
    unread = {f.where[len(line.where) :] for f in line.faults}
    faults = [f for f in found if not any(f.where[: len(u)] == u for u in unread)]
    if reading is not None:
        faults += _findings(reading)
    placed = [Fault((*line.where, *f.where), f.code, f.what, f.mend) for f in faults]
    return Judged(line, reading, [*line.faults, *placed])


def _findings(reading: ReadingLine) -> list[Fault]:
    faults = [*_of_identity(reading), *_of_result(reading)]
    span = reading.composite
    if span is not None and span.from_ >= span.to:
        what = "The composite ends before it begins."
        faults.append(Fault(("composite",), "empty-composite", what, "Exchange 'from' and 'to'."))
    latest = now() + MOST_AHEAD
    if reading.time > latest:
        what = f"The time is ahead: later than {written(latest)}."
        faults.append(Fault(("time",), "time-ahead", what, "Correct the time or its offset."))
    return faults


def _of_identity(reading: ReadingLine) -> list[Fault]:
    has_tag = reading.tag is not None
    lab = [reading.sample_point is not None, reading.analyte is not None]
    if has_tag == any(lab) or any(lab) != all(lab):
        what = "It is not clear what was read."
        mend = "Give either 'tag', or 'sample_point' and 'analyte'."
        return [Fault((), "unclear-tag", what, mend)]
    if has_tag and reading.sample is not None:
        what = "An instrument takes no sample."
        return [Fault(("sample",), "sample-of-a-tag", what, "Leave 'sample' out.")]
    return []


def _of_result(reading: ReadingLine) -> list[Fault]:
    given = [form for form in _RESULTS if getattr(reading, form) is not None]
    if len(given) > 1:
        what = f"The reading has several results: {', '.join(given)}."
        return [Fault((), "several-results", what, "Give one of them.")]
    if not given and "value" not in reading.model_fields_set:
        what = "The member 'value' is missing."
        mend = f"Add it, or another form of result: {', '.join(_RESULTS[1:])}. Null withdraws."
        return [Fault(("value",), "missing-field", what, mend)]
    if reading.replicates is not None and not reading.replicates:
        what = "There are no replicates in the list."
        return [Fault(("replicates",), "no-replicates", what, "Give one or more.")]
    if reading.below == 0:
        what = "Nothing is below zero."
        return [Fault(("below",), "below-zero", what, "Give the detection limit.")]
    return []


@dataclass
class _Taking:
    """What a batch adds to the readings of a site."""

    known: dict[Identity, Known]
    received_at: datetime
    made: dict[Identity, Known] = field(default_factory=dict)
    raised: dict[UUID, Known] = field(default_factory=dict)
    added: list[NewVersion] = field(default_factory=list)

    def take(self, one: Judged) -> None:
        """Take one line; what came before in the batch counts as stored."""
        identity, body = one.identity, one.body
        found = self.known.get(identity)
        if found is None:
            found = Known(new_id(), one.version)
            self.known[identity] = self.made[identity] = found
            one.outcome = "accepted"
        elif one.version in found.bodies:
            self._compare(one, found.bodies[one.version], body)
            one.reading_id = None if one.faults else found.id
            return
        elif one.version > found.newest:
            found.newest = one.version
            if identity not in self.made:
                self.raised[found.id] = found
            one.outcome = "accepted"
        else:
            one.outcome = "superseded"
        one.reading_id = found.id
        found.bodies[one.version] = body
        self.added.append(_new_version(one, body, found.id, self.received_at))

    def _compare(self, one: Judged, kept: dict[str, Any], sent: dict[str, Any]) -> None:
        if kept == sent:
            one.outcome = "repeated"
            return
        differ = sorted(n for n in {*kept, *sent} if kept.get(n) != sent.get(n))
        what = f"Version {one.version} of this reading came before with another "
        what += f"{', '.join(repr(n) for n in differ)}."
        mend = "Send a correction with a higher 'version'; nothing stored is overwritten."
        where = (*one.line.where, "version")
        one.faults = [*one.faults, Fault(where, "conflicting-version", what, mend)]


def _new_version(
    one: Judged, body: dict[str, Any], reading_id: UUID, received_at: datetime
) -> NewVersion:
    reading = one._read  # noqa: SLF001 - of this module
    value = reading.value
    if reading.replicates is not None:
        value = sum(reading.replicates) / len(reading.replicates)
    unit = UNITS[reading.unit] if reading.unit is not None else None
    span = reading.composite
    return NewVersion(
        reading_id=reading_id,
        version=reading.version,
        status=reading.status,
        value=value,
        unit=reading.unit,
        unit_kind=None if unit is None else unit.kind.value,
        amount=None if unit is None or value is None else value * float(unit.size),
        is_withdrawn=all(getattr(reading, form) is None for form in _RESULTS),
        composite_from=None if span is None else span.from_,
        composite_to=None if span is None else span.to,
        body=body,
        received_at=received_at,
    )


def take(connection: Connection, site: Site, lines: list[Judged]) -> None:
    """Store what can be of these lines, and note at each what became of it; the site is locked."""
    sound = [one for one in lines if not one.faults]
    _check_units(connection, site, sound)
    sound = [one for one in sound if not one.faults]
    identities = dict.fromkeys(one.identity for one in sound)
    taking = _Taking(repository.known(connection, site.id, identities), now())
    for one in sound:
        taking.take(one)
    repository.keep(connection, site.id, taking.made, taking.raised.values(), taking.added)


def _check_units(connection: Connection, site: Site, lines: Iterable[Judged]) -> None:
    """Reject units that the tag of a line cannot have, where the tag is mapped at its time."""
    named = [one for one in lines if one.reading is not None and one.reading.unit is not None]
    units = repository.units_of(connection, site.id, {one.identity.channel for one in named})
    for one in named:
        for since, until, mapped in units.get(one.identity.channel, ()):
            holds = since <= one.identity.time and (until is None or one.identity.time < until)
            sent = str(one.reading.unit if one.reading is not None else "")
            if holds and UNITS[sent].kind is not UNITS[mapped].kind:
                what = f"'{sent}' ({UNITS[sent].kind}) is no unit for what the tag is mapped to, "
                what += f"which is read in '{mapped}' ({UNITS[mapped].kind})."
                where: Where = (*one.line.where, "unit")
                mend = "Correct the unit, or the mapping."
                one.faults = [*one.faults, Fault(where, "unit-does-not-fit", what, mend)]


def reply_of(connection: Connection, lines: list[Judged]) -> BatchReply:
    """Give what became of the lines, as it stands now."""
    ids = {one.reading_id for one in lines if one.reading_id is not None}
    standings = repository.standings(connection, ids)
    replies = [_line_reply(one, standings) for one in lines]
    counts = {
        word: sum(reply.outcome == word for reply in replies)
        for word in ("accepted", "repeated", "superseded", "parked", "rejected")
    }
    return BatchReply(**counts, lines=replies)


def _line_reply(one: Judged, standings: dict[UUID, str]) -> LineReply:
    standing: Any = None if one.reading_id is None else standings[one.reading_id]
    is_parked = one.outcome == "accepted" and standing == "parked"
    return LineReply(
        line=one.line.number,
        outcome="parked" if is_parked else one.outcome,
        reading=one.reading_id,
        standing=standing,
        faults=[
            FaultEntry(pointer=pointer(f.where), code=f.code, detail=f.what, mend=f.mend)
            for f in one.faults
        ],
    )
