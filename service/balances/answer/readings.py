"""Readings of the answer, in the order of the request."""

from __future__ import annotations

from functools import lru_cache

from reconcile import Knowledge, Known
from reconcile.balance import Read
from reconcile.errors import Stage
from service.balances.terms.asked import COUNTED
from service.balances.terms.counts import Counted
from service.balances.terms.readings import Entry
from service.kit.replies import Members
from service.kit.strict_json import pointer
from service.kit.units import ratio

from .terms import PERCENT, Answering, share_of

_HEADS = "heads of readings"
"""Where the members that say what was read are kept, with what else is the same."""

_MOST_KEPT = 1000
"""Heads kept for the readings of one flowsheet, some 0.5 kB each."""

_NOTHING = Read(None, None, Knowledge.UNOBSERVABLE, None, None, 0.0)


def readings_of(it: Answering) -> list[Members]:
    """Give every reading that was taken, with what came out for it."""
    entries, same = it.intake.terms.entries, it.intake.terms.same
    heads: list[Members] | None = same.get(_HEADS)
    if heads is None:
        heads = [_head(entry) for entry in entries]
        if len(heads) <= _MOST_KEPT:
            same[_HEADS] = heads
    return [_reading(it, entry, head) for entry, head in zip(entries, heads, strict=True)]


def _head(entry: Entry) -> Members:
    """Give the members that say what was read, the same for every reading of a kind."""
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


def _reading(it: Answering, entry: Entry, head: Members) -> Members:
    read, knowledge, weight = _came_out(it, entry)
    value, sd, adjustment = read.value, read.sd, read.adjustment
    times, over = ratio(entry.base, entry.unit)
    return head | {
        "value": entry.value,
        "limit": None if entry.limit is None else entry.limit.value,
        "sd": entry.sd,
        "sd_from": entry.origin,
        "variance": _variance(tuple(entry.shares.items())),
        "reconciled": entry.value
        if adjustment == 0
        else None
        if value is None
        else value * times / over,
        "reconciled_sd": None if sd is None else sd * times / over,
        "class": knowledge,
        "adjustment": None if adjustment is None else adjustment * times / over,
        "standardised": read.standardised,
        "weight": weight,
        "left_out": entry.left_out,
        "counts": [] if entry.counted is None else _counts(it, entry, entry.counted, knowledge),
    }


def _came_out(it: Answering, entry: Entry) -> tuple[Read, Knowledge, float]:
    """
    Give what came out for a reading, its class and its weight.

    A count is several readings: it is checked as soon as one of its shares is, and counts as much
    as the least of them.
    """
    if entry.counted is None:
        read = it.balance.readings[entry.at[0]]
        return read, read.knowledge, read.weight
    found = [it.balance.readings[i] for i in entry.at]
    known = [read.knowledge for read in found] or [Knowledge.UNOBSERVABLE]
    knowledge = Knowledge.REDUNDANT if Knowledge.REDUNDANT in known else known[0]
    return _NOTHING, knowledge, min((read.weight for read in found), default=0.0)


@lru_cache(maxsize=256)
def _variance(shares: tuple[tuple[Stage, float], ...]) -> Members:
    """Give them in percent; of most readings all of the variance is of one stage."""
    share = dict(shares).get
    return {
        "sampling": PERCENT * share(Stage.SAMPLING, 0.0),
        "analysis": PERCENT * share(Stage.ANALYSIS, 0.0),
        "weighing": PERCENT * share(Stage.WEIGHING, 0.0),
        "undivided": PERCENT * share(Stage.UNDIVIDED, 0.0),
    }


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
