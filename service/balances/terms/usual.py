"""
The usual reading: one word of one stream, a value above zero and a stated standard deviation.

Most readings are of this kind, shift after shift of the same quantities.  What does not depend on
their values is judged once for a flowsheet, by the code that judges every reading, and kept with
it.  Whatever is out of the ordinary is left to that code.  A reading of a kind that is kept is
taken as JSON holds it, without the schema's object, if nothing can be wrong with its numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import Annotated, NamedTuple

import msgspec
from msgspec import Meta

from reconcile import Reading
from reconcile.errors import ErrorModel, Stage, stated
from reconcile.measurands import Measurand
from service.balances.schemas import ReadingObject
from service.balances.schemas.words import PULP_DENSITY
from service.kit.fields import LARGEST_NUMBER, LARGEST_RELATIVE_SD
from service.kit.units import ratio

from .errors import usual_stage
from .ledger import Ledger
from .measured import measured
from .places import Place, place_of
from .sheet import Sheet

_MEMBERS = frozenset({"stream", "of", "value", "sd", "relative_sd", "unit"})

_SENTENCES_KEPT = 4096

_WHOLE = 1.0
"""No share of anything is more; what is said of one that is, the judgement in full knows."""

SMALLEST_VALUE = 1e-300
"""Least size of a value that is not zero: one over it has to be a number as well."""

SMALLEST_SD = 1e-15
"""Least sd above zero, as a mass fraction or in the mass unit: a millionth of a ppb."""

_KINDS_EACH = 20
"""Kinds kept a stream: a flowsheet has a dozen components, and few units of each are used."""

_NUMBERS = count()

_CERTAIN: Mapping[Stage, float] = {}


@dataclass(frozen=True, slots=True)
class Kind:
    """
    What all usual readings of one quantity of one stream in one unit have in common.

    ``number`` tells it from every other, those of other flowsheets and of other threads included.
    """

    number: int
    place: Place
    stream: str | tuple[str, ...]
    of: str | Measurand
    words: str
    unit: str
    base: str
    may_be_negative: bool
    shares: Mapping[Stage, float]


class Taken(NamedTuple):
    """A usual reading as the engine takes it, and its standard deviation in its own unit."""

    kind: Kind
    reading: Reading
    value: float
    sd: float
    relative_sd: float | None
    origin: str

    @property
    def shares(self) -> Mapping[Stage, float]:
        """Share of each stage in the variance; empty where there is none."""
        return self.kind.shares if self.sd else _CERTAIN


@lru_cache(maxsize=_SENTENCES_KEPT)
def _sentence(absolute: float, relative: float) -> str:
    """Say where such an error comes from; it is the same at every value."""
    return stated(ErrorModel(absolute, relative), 0.0).words


def taken(wire: ReadingObject, sheet: Sheet) -> Taken | None:
    """Give a reading if it is a usual one, in which nothing is wrong by itself."""
    value = wire.value
    if value is None or value <= 0 or not wire.model_fields_set <= _MEMBERS:
        return None
    if wire.sd is None and wire.relative_sd is None:
        return None
    kind = _kind(wire, sheet)
    if kind is None:
        return None
    found = _taken(kind, value, wire.sd, wire.relative_sd)
    if found.reading.value < SMALLEST_VALUE or 0 < found.reading.sd < SMALLEST_SD:
        return None
    return found


def _taken(kind: Kind, value: float, absolute: float | None, relative: float | None) -> Taken:
    sd = math.hypot(absolute or 0.0, (relative or 0.0) * value)
    times, over = ratio(kind.unit, kind.base)
    reading = Reading(kind.stream, kind.of, value * times / over, sd * times / over)
    return Taken(kind, reading, value, sd, relative, _sentence(absolute or 0.0, relative or 0.0))


class UsualReading(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A usual reading as JSON holds it; an error that was not stated is zero."""

    stream: str
    of: str
    value: Annotated[float, Meta(gt=0, le=LARGEST_NUMBER)]
    sd: Annotated[float, Meta(gt=0, le=LARGEST_NUMBER)] = 0.0
    relative_sd: Annotated[float, Meta(gt=0, le=LARGEST_RELATIVE_SD)] = 0.0
    unit: str | None = None

    @property
    def members(self) -> int:
        """How many members were written, if none was null and none came twice."""
        return 3 + (self.sd > 0) + (self.relative_sd > 0) + (self.unit is not None)


def taken_again(wire: UsualReading, sheet: Sheet) -> Taken | None:
    """
    Give a reading as JSON holds it, if one of its kind was judged before.

    There is none where the engine could find something wrong with its numbers.
    """
    kind: Kind | None = sheet.kept.get((wire.stream, wire.of, wire.unit))
    if kind is None:
        return None
    found = _taken(kind, wire.value, wire.sd, wire.relative_sd or None)
    reading, most = found.reading, _WHOLE if kind.base == "fraction" else math.inf
    fine = SMALLEST_VALUE <= reading.value <= most and reading.sd >= SMALLEST_SD
    return found if fine else None


def _kind(wire: ReadingObject, sheet: Sheet) -> Kind | None:
    of = wire.of
    if of is None or of.quantity is None or of.size is not None or of.basis != "dry":
        return None
    if wire.stream is None or len(wire.stream) != 1:
        return None
    key = (wire.stream[0], of.quantity, wire.unit)
    known: dict[tuple[str, str, str | None], Kind | None] = sheet.kept
    if key in known:
        return known[key]
    found = _judged(wire, sheet)
    if len(known) < _KINDS_EACH * len(sheet.wire.streams):
        known[key] = found
    return found


def _judged(wire: ReadingObject, sheet: Sheet) -> Kind | None:
    """Judge as every reading is; none where there is something to say of it."""
    assert wire.of is not None  # noqa: S101 - the caller saw to it
    ledger = Ledger()
    place = place_of(wire, sheet, (), ledger)
    found = measured(wire.of, sheet, (), ledger)
    if place is None or found is None or ledger.faults or found.words == PULP_DENSITY:
        return None
    if found.base is None or found.unit is None or (wire.unit or found.unit) not in found.units:
        return None
    streams = sheet.flowsheet.streams
    signed = any(streams[sheet.flowsheet.stream_index[name]].signed for name in place.names)
    return Kind(
        next(_NUMBERS),
        place,
        place.stream,
        found.word or found.of,
        found.words,
        wire.unit or found.unit,
        found.base,
        bool(found.of.carried) or signed,
        {usual_stage(is_amount=found.is_amount): 1.0},
    )
