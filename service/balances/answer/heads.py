"""Heads as read beside heads as calculated, from the engine's figures to the reply."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.metallurgy.heads import Head
from service.balances.reply import HeadComparison
from service.balances.schemas.words import MASS
from service.balances.terms.readings import Entry
from service.kit.strict_json import pointer
from service.kit.units import UNITS, convert

from . import said
from .terms import Answering, times


def heads_of(it: Answering, heads: Sequence[Head]) -> list[HeadComparison]:
    """Give the comparisons, the weights before the assays."""
    entries = {entry.at[0]: entry for entry in it.intake.terms.entries if entry.at}
    told = [(entries[head.reading], head) for head in heads if head.reading in entries]
    told.sort(key=lambda pair: pair[0].words != MASS)
    compared = sum(head.p_value is not None for _, head in told)
    return [_compared(it, entry, head, compared) for entry, head in told]


def _compared(it: Answering, entry: Entry, head: Head, compared: int) -> HeadComparison:
    is_mass = entry.words == MASS
    unit = it.mass_unit if is_mass else it.sheet.unit_of(entry.words)
    factor = 1.0 if is_mass or unit is None else UNITS[unit].per_whole
    reading = it.intake.terms.readings[head.reading]
    assayed = entry.value
    if assayed is not None and unit is not None:
        assayed = convert(assayed, entry.unit, unit)
    calculated, calculated_sd, difference, difference_sd = (
        times(x, factor)
        for x in (head.calculated, head.calculated_sd, head.difference, head.difference_sd)
    )
    told = HeadComparison(
        stream=entry.place.names[0],
        of=entry.words,
        unit=unit,
        pointer=pointer(entry.where),
        assayed=assayed,
        assayed_sd=None if reading.limit is not None else reading.sd * factor,
        calculated=calculated,
        calculated_sd=calculated_sd,
        difference=difference,
        difference_sd=difference_sd,
        standardised=head.standardised,
        p_value=head.p_value,
        among_all=head.among_all,
        statement="",
    )
    return told.model_copy(update={"statement": said.about_head(told, head.because, compared)})
