"""Readings of the answer, in the order of the request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import orjson
from numpy.typing import NDArray

from reconcile import Knowledge, Known
from reconcile.columns import (
    KNOWLEDGE,
    READ_ADJUSTMENT,
    REDUNDANT,
    SD,
    UNOBSERVABLE,
    VALUE,
    WEIGHT,
    Columns,
)
from reconcile.errors import Stage
from service.balances.terms.asked import COUNTED
from service.balances.terms.counts import Counted
from service.balances.terms.readings import Entry
from service.kit.blanks import Body, Figures, Rows
from service.kit.replies import Members, members_as_bytes
from service.kit.strict_json import pointer
from service.kit.units import ratio

from .layout import layout_of
from .terms import PERCENT, Answering, share_of

_KEPT = "readings without figures"
"""Where what is the same for readings of the same kinds is kept."""

_MOST_KEPT = 1000
"""Readings of one flowsheet of which it is kept, some 1 kB each."""

_IN_UNIT = slice(VALUE, READ_ADJUSTMENT + 1)
"""Numbers of what came out that are in the unit of the reading: value, sd and adjustment."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """
    Readings without their figures.

    ``at`` (readings,) are their positions among the engine's; one of the engine's unit is
    ``times`` over ``over``, (readings,), of the reading's.  ``plain`` says that all are values
    that count, no limits and no counts.  ``variances`` are their shares, if all have an sd above
    zero.  ``same`` are positions of what was read for itself and of
    its reading here, if the reply tells the same figures of both.
    """

    rows: Rows
    at: NDArray[np.int64]
    times: NDArray[np.float64]
    over: NDArray[np.float64]
    plain: bool
    variances: Figures | None
    same: tuple[tuple[int, int], ...] | None


@dataclass(frozen=True, slots=True)
class ReadingFigures:
    """
    What is told of readings, ready to be written.

    ``columns`` are value and sd as read, then what came out; ``words`` (..., readings) follow.
    ``unmoved`` (readings,) came out as they were read.  ``same`` as in :class:`_Kept`.
    """

    rows: Rows
    columns: Columns
    words: Figures
    unmoved: frozenset[int]
    same: tuple[tuple[int, int], ...] | None


def readings_of(it: Answering) -> ReadingFigures:
    """Give every reading that was taken, with what came out for it."""
    entries, same = it.intake.terms.entries, it.intake.terms.same
    kept: _Kept | None = same.get(_KEPT)
    if kept is None:
        kept = _kept(it)
        if len(entries) <= _MOST_KEPT:
            same[_KEPT] = kept
    found = _came_out(it, entries, kept.at)
    numbers, told = found.numbers, found.told
    # A null is no number.
    read = np.array(
        ([entry.value for entry in entries], [entry.sd for entry in entries]), dtype=np.float64
    )
    unmoved = told[READ_ADJUSTMENT] & (numbers[READ_ADJUSTMENT] == 0)
    numbers[_IN_UNIT] *= kept.times
    numbers[_IN_UNIT] /= kept.over
    there = ~np.isnan(read)
    still = np.flatnonzero(unmoved)
    if len(still):
        numbers[VALUE, unmoved], told[VALUE, unmoved] = read[0, unmoved], there[0, unmoved]
    columns = Columns(np.concatenate((read, numbers)), np.concatenate((there, told)), found.kinds)
    uncertain = bool(read[SD].all())
    words = [
        *[orjson.dumps(entry.origin) for entry in entries],
        *((kept.variances if uncertain else None) or _variances(entries)),
        *([] if kept.plain else _unusual(it, entries, found)),
    ]
    # What is exact is known by its reading, whatever follows.
    shared = kept.same if uncertain else None
    return ReadingFigures(kept.rows, columns, words, frozenset(still.tolist()), shared)


def _came_out(it: Answering, entries: Sequence[Entry], at: NDArray[np.int64]) -> Columns:
    """
    Give what came out for each reading.

    A count is several readings: it is checked as soon as one of its shares is, and counts as much
    as the least of them.
    """
    found = it.balance.readings.columns.at(at)
    for k, entry in enumerate(entries):
        if entry.counted is not None:
            found.told[:, k] = False
            found.numbers[WEIGHT, k], found.kinds[k] = _of_count(it, entry)
            found.told[WEIGHT, k] = True
    return found


def _of_count(it: Answering, entry: Entry) -> tuple[float, int]:
    """Give the weight of a count and its class."""
    shares = it.balance.readings.columns.at(np.array(entry.at, dtype=np.int64))
    kinds = shares.kinds.tolist() or [UNOBSERVABLE]
    least = min(shares.numbers[WEIGHT].tolist(), default=0.0)
    return least, REDUNDANT if REDUNDANT in kinds else kinds[0]


def _kept(it: Answering) -> _Kept:
    entries = it.intake.terms.entries
    plain = all(e.limit is None and e.left_out is None and e.counted is None for e in entries)
    times, over = np.array([ratio(e.base, e.unit) for e in entries]).reshape(-1, 2).T
    body = Body()
    return _Kept(
        body.rows([_head(entry) for entry in entries], _reading(it, body, plain=plain)),
        np.array([entry.at[0] if entry.counted is None else 0 for entry in entries], dtype=int),
        times,
        over,
        plain,
        _variances(entries) if plain and all(e.sd for e in entries) else None,
        _same(it) if plain else None,
    )


def _same(it: Answering) -> tuple[tuple[int, int], ...] | None:
    """Give positions of what was read for itself and of its reading, if all are in one unit."""
    layout, own = layout_of(it), it.balance.own.positions
    same = []
    for k, entry in enumerate(it.intake.terms.entries):
        position, unit = layout.readable.get((entry.place.names[0], entry.words), (None, None))
        if position is None:
            continue
        if unit not in (entry.unit, None):
            return None
        if ratio(entry.base, entry.unit) != (layout.factors[position], 1.0):
            return None
        same.append((position, k))
    return tuple(same) if sorted(own.tolist()) == sorted(at for at, _ in same) else None


def _head(entry: Entry) -> Members:
    """Give the members that say what was read."""
    place = entry.place
    return {
        "pointer": pointer(entry.where),
        "streams": place.streams,
        "periods": [period for period in place.periods if period is not None],
        "stock": place.stock,
        "at": place.at,
        "of": entry.words,
        "unit": entry.unit,
    }


def _reading(it: Answering, body: Body, *, plain: bool) -> Members:
    """Give the further members of a reading, with blanks in the order of its figures."""
    layout, count = layout_of(it), len(it.intake.terms.entries)
    value, sd, reconciled, reconciled_sd, adjustment, standardised, weight, *words = (
        body.blank(layout.of_readings(place, count)) for place in range(13)
    )
    knowledge, sd_from, variance, limit, left_out, counts = words
    return {
        "value": value,
        "limit": None if plain else limit,
        "sd": sd,
        "sd_from": sd_from,
        "variance": variance,
        "reconciled": reconciled,
        "reconciled_sd": reconciled_sd,
        "class": knowledge,
        "adjustment": adjustment,
        "standardised": standardised,
        "weight": weight,
        "left_out": None if plain else left_out,
        "counts": [] if plain else counts,
    }


def _unusual(it: Answering, entries: Sequence[Entry], found: Columns) -> Figures:
    """Give limits, then why readings were left out, then counts."""
    kinds = [KNOWLEDGE[kind] for kind in found.kinds.tolist()]
    return [
        *[orjson.dumps(None if e.limit is None else e.limit.value) for e in entries],
        *[orjson.dumps(e.left_out) for e in entries],
        *[
            b"[]" if e.counted is None else members_as_bytes(_counts(it, e, e.counted, kind))
            for e, kind in zip(entries, kinds, strict=True)
        ],
    ]


def _variances(entries: Sequence[Entry]) -> Figures:
    return [_variance(tuple(entry.shares.items())) for entry in entries]


@lru_cache(maxsize=256)
def _variance(shares: tuple[tuple[Stage, float], ...]) -> bytes:
    """Write them in percent; of most readings all of the variance is of one stage."""
    share = dict(shares).get
    return members_as_bytes(
        {
            "sampling": PERCENT * share(Stage.SAMPLING, 0.0),
            "analysis": PERCENT * share(Stage.ANALYSIS, 0.0),
            "weighing": PERCENT * share(Stage.WEIGHING, 0.0),
            "undivided": PERCENT * share(Stage.UNDIVIDED, 0.0),
        }
    )


def _counts(it: Answering, entry: Entry, counted: Counted, knowledge: Knowledge) -> list[Members]:
    shares = zip(counted.minerals, counted.counts, counted.shares(), strict=True)
    return [
        {
            "of": mineral,
            "count": count,
            "counted": share_of(Known(value, sd, knowledge)),
            "reconciled": share_of(it.answered((COUNTED, str(entry.number), mineral))),
        }
        for mineral, count, (value, sd) in shares
    ]
