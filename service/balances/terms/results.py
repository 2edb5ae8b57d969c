"""The result of a reading: a value, replicates, a limit, a word, or a stock survey."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reconcile.errors import (
    Centre,
    ErrorModel,
    Pool,
    UnusableErrorInput,
    huber_location,
    huber_proposal_2,
    mean_of,
    pooled_sd,
    robust_pooled_sd,
)
from reconcile.faults import Where
from reconcile.readings import Limit
from service.balances.schemas import Of, OptionsObject, ReadingObject, SurveyObject
from service.balances.schemas.words import MASS, WET_MASS, MeasuredDensity, MeasuredVolume
from service.kit.units import UNITS, convert, fit

from .ledger import Ledger
from .measured import Measured
from .sheet import DENSITY_UNIT, Sheet

ENOUGH_OF_ITS_OWN = 6
"""Replicates from which a reading's own spread is used: its sd is then known to a third."""

QUANTIFICATION = 10 / 3
"""Quantification over detection limit: ten against three sd of the blank (Currie 1968)."""

FORMS = ("value", "replicates", "below", "above", "result", "counts", "survey")
"""The forms that a result can have; a reading has one of them."""


@dataclass(frozen=True, slots=True)
class Item:
    """A reading with what was measured and its unit."""

    wire: ReadingObject
    where: Where
    measured: Measured
    unit: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """
    A result in the unit of its reading.

    ``sd`` is what a survey brings with it; ``centre`` and ``pool`` are of replicates.
    """

    value: float
    limit: Limit | None = None
    sd: float | None = None
    centre: Centre | None = None
    pool: Pool | None = None


Pools = Mapping[Of, Pool]
"""The spread of replicates, by what was measured, in the engine's units."""


def is_measured(wire: ReadingObject) -> bool:
    """Say whether a reading has any result."""
    return any(getattr(wire, form) is not None for form in FORMS)


def form_of(wire: ReadingObject, where: Where, ledger: Ledger) -> str | None:
    """Give the form of a reading's result; none where it was not measured, or with a fault."""
    given = [form for form in FORMS if getattr(wire, form) is not None]
    if len(given) == 1:
        return given[0]
    if given:
        ledger.note(
            where,
            "several-results",
            f"The reading has several results: {', '.join(given)}.",
            "Give one of them; make several readings of several results.",
        )
    elif "value" not in wire.model_fields_set:
        ledger.note(
            (*where, "value"),
            "missing-field",
            "The member 'value' is missing.",
            f"Add it, or another form of result: {', '.join(FORMS[1:])}. Null is not measured.",
        )
    return None


def pools_of(items: Sequence[Item], options: OptionsObject) -> Pools:
    """
    Pool the spread of replicates over the readings of one quantity.

    Where it cannot be pooled, because nothing was read twice or a level is not above zero, each
    reading is left to its own replicates.
    """
    groups: dict[Of, list[Item]] = defaultdict(list)
    for item in items:
        if item.wire.replicates and item.wire.of is not None:
            groups[item.wire.of].append(item)
    found = {}
    for of, alike in groups.items():
        measured = alike[0].measured
        relative = options.pooling == "relative" if options.pooling else not measured.is_amount
        pool = robust_pooled_sd if options.robust_replicates else pooled_sd
        values = [_inside(item, item.wire.replicates or []) for item in alike]
        try:
            found[of] = pool(values, relative=relative)
        except UnusableErrorInput:
            continue
    return found


def _inside(item: Item, values: Sequence[float]) -> list[float]:
    base = item.measured.base or item.unit
    return [convert(value, item.unit, base) for value in values]


def outcome_of(
    item: Item, sheet: Sheet, pools: Pools, options: OptionsObject, ledger: Ledger
) -> Outcome | None:
    """Give the result of a reading in its unit, or none with a fault."""
    wire = item.wire
    if wire.replicates is not None:
        return _replicates(item, wire.replicates, pools, options, ledger)
    if wire.result is not None:
        return _word(item, wire.result, sheet, ledger)
    if wire.survey is not None:
        return _survey(item, wire.survey, ledger)
    if wire.below is not None:
        return _below(item, wire.below, ledger)
    if wire.above is not None:
        return Outcome(wire.above, Limit.ABOVE)
    return None if wire.value is None else Outcome(wire.value)


def _below(item: Item, limit: float, ledger: Ledger) -> Outcome | None:
    wrong = ledger.note_if(
        limit == 0,
        (*item.where, "below"),
        "below-zero",
        "Nothing is below zero.",
        "Give the detection limit.",
    )
    return None if wrong else Outcome(limit, Limit.BELOW)


def _replicates(
    item: Item, values: list[float], pools: Pools, options: OptionsObject, ledger: Ledger
) -> Outcome | None:
    of = item.wire.of
    pool = pools.get(of) if of is not None and len(values) < ENOUGH_OF_ITS_OWN else None
    if pool is not None and pool.streams == 1 and len(values) > 1:
        pool = None
    try:
        centre = _centre(item, values, pool, options)
    except UnusableErrorInput as fault:
        ledger.note(
            (*item.where, "replicates"),
            "unusable-error-input",
            fault.what,
            "Give two replicates or more, here or in other readings of the same quantity.",
        )
        return None
    return Outcome(centre.value, centre=centre, pool=pool)


def _centre(item: Item, values: list[float], pool: Pool | None, options: OptionsObject) -> Centre:
    """Give the mean, or the robust location, with the spread that is known best."""
    if not values:
        raise UnusableErrorInput("replicates", "There are no replicates in the list.")
    stated = item.wire.sd is not None or item.wire.relative_sd is not None
    if item.wire.error_model is not None or (pool is None and stated and len(values) == 1):
        return mean_of(values, 0.0)
    if pool is None:
        return huber_proposal_2(values) if options.robust_replicates else mean_of(values)
    base = item.measured.base or item.unit
    level = sorted(_inside(item, values))[len(values) // 2]
    spread = convert(pool.of_one(level), base, item.unit)
    return huber_location(values, spread) if pool.robust and spread else mean_of(values, spread)


def _word(item: Item, word: str, sheet: Sheet, ledger: Ledger) -> Outcome | None:
    name = item.measured.name
    limit = None if name is None else sheet.detection_limit_of(name)
    if limit is None or name is None:
        ledger.note(
            (*item.where, "result"),
            "missing-detection-limit",
            f"'{word}' says nothing without a detection limit.",
            "Give the component its 'detection_limit', or write 'below' with the limit.",
        )
        return None
    limit = convert(limit, sheet.unit_of(name), item.unit)
    return Outcome(limit * QUANTIFICATION if word == "trace" else limit, Limit.BELOW)


def _relative_sd(of: MeasuredVolume | MeasuredDensity) -> float:
    return ErrorModel(of.sd or 0.0, of.relative_sd or 0.0).sd(of.value) / of.value


def _survey(item: Item, survey: SurveyObject, ledger: Ledger) -> Outcome | None:
    """Volume times bulk density; relative variances add (JCGM 100:2008, 5.1.6)."""
    place = (*item.where, "survey")
    if ledger.note_if(
        item.measured.words not in (MASS, WET_MASS),
        place,
        "survey-of-no-mass",
        f"A survey gives a mass, not '{item.measured.words}'.",
        f"Leave 'of' out, or read '{MASS}' or '{WET_MASS}'.",
    ) or ledger.note_if(
        not fit(item.unit, "kg"),
        place,
        "unit-does-not-fit",
        f"A survey gives a mass, but masses are in '{item.unit}' ({UNITS[item.unit].kind}).",
        "Use a unit of mass.",
    ):
        return None
    wrong = False
    for name, part in (("volume", survey.volume), ("bulk_density", survey.bulk_density)):
        wrong |= ledger.note_if(
            part.sd is None and part.relative_sd is None,
            (*place, name),
            "reading-without-sd",
            f"The {name.replace('_', ' ')} has no standard deviation.",
            "Give 'sd', 'relative_sd' or both.",
        )
    if wrong:
        return None
    volume = convert(survey.volume.value, survey.volume.unit, "m3")
    density = convert(survey.bulk_density.value, survey.bulk_density.unit, DENSITY_UNIT)
    mass = convert(volume * density, "kg", item.unit)
    relative = math.hypot(_relative_sd(survey.volume), _relative_sd(survey.bulk_density))
    return Outcome(mass, sd=relative * mass)
