"""Readings of the answer, in the order of the request."""

from __future__ import annotations

from functools import lru_cache

from reconcile import Knowledge
from reconcile.balance import Read
from reconcile.errors import Stage
from service.balances.reply import CountedShare, ReadingResult, Share, VarianceShares
from service.balances.terms.asked import COUNTED
from service.balances.terms.readings import Entry
from service.kit.strict_json import pointer
from service.kit.units import convert

from .terms import PERCENT, Answering

_NOTHING = Read(None, None, Knowledge.UNOBSERVABLE, None, None, 0.0)


def readings_of(it: Answering) -> list[ReadingResult]:
    """Give every reading that was taken, with what came out for it."""
    return [_reading(it, entry) for entry in it.intake.terms.entries]


def _reading(it: Answering, entry: Entry) -> ReadingResult:
    read = _NOTHING if entry.counted is not None else it.balance.readings[entry.at[0]]
    weights = [it.balance.readings[i].weight for i in entry.at]

    def shown(value: float | None) -> float | None:
        return None if value is None else convert(value, entry.base, entry.unit)

    place = entry.place
    return ReadingResult(
        pointer=pointer(entry.where),
        streams=list(place.streams),
        periods=[period for period in place.periods if period is not None],
        stock=place.stock,
        at=place.at,
        of=entry.words,
        unit=entry.unit,
        value=entry.value,
        limit=None if entry.limit is None else entry.limit.value,
        sd=entry.sd,
        sd_from=entry.origin,
        variance=_variance(entry),
        reconciled=entry.value if read.adjustment == 0 else shown(read.value),
        reconciled_sd=shown(read.sd),
        class_=_class(it, entry),
        adjustment=shown(read.adjustment),
        standardised=read.standardised,
        weight=min(weights, default=0.0),
        left_out=entry.left_out,
        counts=_counts(it, entry),
    )


def _class(it: Answering, entry: Entry) -> Knowledge:
    """Give the class of a reading; a count is checked as soon as one of its shares is."""
    found = [it.balance.readings[i].knowledge for i in entry.at]
    if Knowledge.REDUNDANT in found:
        return Knowledge.REDUNDANT
    return found[0] if found else Knowledge.UNOBSERVABLE


def _variance(entry: Entry) -> VarianceShares:
    share = entry.shares.get
    return _shares(
        share(Stage.SAMPLING, 0.0),
        share(Stage.ANALYSIS, 0.0),
        share(Stage.WEIGHING, 0.0),
        share(Stage.UNDIVIDED, 0.0),
    )


@lru_cache(maxsize=256)
def _shares(sampling: float, analysis: float, weighing: float, undivided: float) -> VarianceShares:
    """Give them in percent; of most readings all of the variance is of one stage."""
    return VarianceShares(
        sampling=PERCENT * sampling,
        analysis=PERCENT * analysis,
        weighing=PERCENT * weighing,
        undivided=PERCENT * undivided,
    )


def _counts(it: Answering, entry: Entry) -> list[CountedShare]:
    counted = entry.counted
    if counted is None:
        return []
    shares = zip(counted.minerals, counted.counts, counted.shares(), strict=True)
    return [
        CountedShare(
            of=mineral,
            count=count,
            counted=Share(value=PERCENT * value, sd=PERCENT * sd, class_=_class(it, entry)),
            reconciled=it.share(it.answered((COUNTED, str(entry.number), mineral))),
        )
        for mineral, count, (value, sd) in shares
    ]
