"""The error of one reading: its own, with where it comes from, and what it shares with others."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from reconcile.errors import (
    Centre,
    Contribution,
    ErrorModel,
    Material,
    Pool,
    Precision,
    SdParts,
    Source,
    Stage,
    detection_sd,
    from_interlaboratory,
    from_pool,
    from_precision,
    from_replicates,
    from_sampling,
    rounding_floor,
    stated,
)
from reconcile.faults import Where
from service.balances.schemas import (
    Cause,
    CauseObject,
    Density,
    Length,
    MaterialObject,
    ReadingObject,
)
from service.kit.units import UNITS, Kind, convert, fit, to_fraction

from .declared import Declared, tried
from .ledger import Ledger

_GRAM_PER_CM3 = "g/cm3"
_MM_PER_CM = 10.0


@dataclass(frozen=True, slots=True)
class Shared:
    """A shared cause at work in a reading: its size there, in the unit of the reading."""

    name: str
    size: float
    stage: Stage


@dataclass(frozen=True, slots=True)
class Errors:
    """The own and the shared errors of one reading, in its unit."""

    own: SdParts
    shared: tuple[Shared, ...] = ()

    @property
    def total(self) -> float:
        """Standard deviation of all of them together."""
        return math.hypot(self.own.total, *(s.size for s in self.shared))

    @property
    def sentence(self) -> str:
        """Where the standard deviation came from, in words."""
        names = ", ".join(dict.fromkeys(s.name for s in self.shared))
        return f"{self.own.sentence}; shared with others: {names}" if names else self.own.sentence

    @property
    def shares(self) -> Mapping[Stage, float]:
        """Share of each stage in the variance; empty where there is none."""
        if not self.shared:
            return self.own.shares
        whole = self.total**2
        if not whole:
            return {}
        own = self.own.total**2 / whole
        shares = {stage: own * share for stage, share in self.own.shares.items()}
        for s in self.shared:
            shares[s.stage] = shares.get(s.stage, 0.0) + s.size**2 / whole
        return shares


@dataclass(frozen=True, slots=True)
class Result:
    """A result whose error is wanted, in the unit of the reading."""

    value: float
    unit: str
    is_amount: bool
    is_assay: bool
    centre: Centre | None = None
    pool: Pool | None = None
    is_limit: bool = False


def errors_of(
    wire: ReadingObject, result: Result, known: Declared, where: Where, ledger: Ledger
) -> Errors | None:
    """
    Give the errors of a reading in its unit, and take note of what is wrong with them.

    None, with a fault, where nothing says how large they are.
    """
    before = ledger.count
    shared = [
        found
        for k, cause in enumerate(wire.causes)
        if (found := _shared(cause, result, known, (*where, "causes", k), ledger)) is not None
    ]
    parts = [
        *_stated(wire, result),
        *_by_model(wire, result, known, where, ledger),
        *_of_replicates(wire, result),
        *_of_sampling(wire, result, where, ledger),
        *_of_laboratories(wire, result, where, ledger),
    ]
    if result.is_limit and not parts and result.value > 0:
        parts = [_of_limit(result)]
    floors = _floors(wire, result)
    if not parts and not floors:
        if ledger.count == before:
            _note_no_error(where, ledger)
        return None
    relative = wire.relative_sd or any(p.sd == 0 for p in parts)
    if _is_relative_to_nothing(wire, result, parts, known) and not floors and relative:
        _note_relative(result, where, ledger)
        return None
    own = tried(lambda: SdParts(tuple(parts), tuple(floors)), where, ledger)
    return None if own is None else Errors(own, tuple(shared))


def _note_no_error(where: Where, ledger: Ledger) -> None:
    ledger.note(
        where,
        "reading-without-sd",
        "The reading has no standard deviation.",
        "Give 'sd', 'relative_sd' or both; an sd of 0 fixes the value.",
    )


def _note_relative(result: Result, where: Where, ledger: Ledger) -> None:
    what = "zero" if result.value == 0 else "negative"
    ledger.note(
        (*where, "relative_sd"),
        f"relative-sd-on-{what}",
        f"The value is {what}, and a fraction of it cannot be its standard deviation.",
        "Give an 'sd' above zero, in the unit of the value.",
    )


def _is_relative_to_nothing(
    wire: ReadingObject, result: Result, parts: list[Contribution], known: Declared
) -> bool:
    """Say whether all of the error is a fraction of a value that has none to give."""
    if result.value > 0 or wire.sd or wire.replicates is not None:
        return False
    model, _ = known.models.get(wire.error_model or "", (ErrorModel(), None))
    absolute = model.absolute if isinstance(model, ErrorModel) else model.model.absolute
    is_relative = (
        bool(wire.relative_sd) or wire.sampling is not None or wire.error_model is not None
    )
    return is_relative and not absolute and bool(parts)


def _stage(wire: ReadingObject, result: Result) -> Stage:
    """Give the stage of what is stated or replicated."""
    if wire.error_of is not None:
        return Stage(wire.error_of)
    is_sampled_apart = wire.sampling is not None and not result.is_amount
    return Stage.ANALYSIS if is_sampled_apart else usual_stage(is_amount=result.is_amount)


def usual_stage(*, is_amount: bool) -> Stage:
    """Give the stage of an error of which nothing is said but its size."""
    return Stage.WEIGHING if is_amount else Stage.UNDIVIDED


def _last_stage(result: Result) -> Stage:
    return Stage.WEIGHING if result.is_amount else Stage.ANALYSIS


def _stated(wire: ReadingObject, result: Result) -> list[Contribution]:
    if wire.sd is None and wire.relative_sd is None:
        return []
    model = ErrorModel(wire.sd or 0.0, wire.relative_sd or 0.0)
    return [stated(model, result.value, _stage(wire, result))]


def _by_model(
    wire: ReadingObject, result: Result, known: Declared, where: Where, ledger: Ledger
) -> list[Contribution]:
    if wire.error_model is None:
        return []
    place = (*where, "error_model")
    if not ledger.known(place, "error-model", wire.error_model, known.models):
        return []
    model, unit = known.models[wire.error_model]
    if unit is not None and not _fits(unit, result.unit, place, ledger):
        return []
    count = result.centre.count if result.centre is not None else 1
    if isinstance(model, Precision):
        value = convert(result.value, result.unit, unit or result.unit)
        found = from_precision(model, value, count)
        return [replace(found, sd=convert(found.sd, unit or result.unit, result.unit))]
    absolute = convert(model.absolute, unit or result.unit, result.unit)
    found = stated(ErrorModel(absolute, model.relative), result.value, _stage(wire, result))
    words = f"{found.words} by the error model '{wire.error_model}'"
    return [replace(found, sd=found.sd / math.sqrt(count), words=words)]


def _fits(unit: str, into: str, where: Where, ledger: Ledger) -> bool:
    return not ledger.note_if(
        not fit(unit, into),
        where,
        "unit-does-not-fit",
        f"An error in '{unit}' does not fit a reading in '{into}'.",
        "Give it in a unit of the same kind.",
    )


def _of_replicates(wire: ReadingObject, result: Result) -> list[Contribution]:
    centre = result.centre
    is_single = centre is not None and centre.count == 1 and result.pool is None
    if centre is None or is_single or wire.error_model is not None:
        return []
    if result.pool is not None:
        return [from_pool(result.pool, centre, _stage(wire, result))]
    return [from_replicates(centre, _stage(wire, result))]


def _centimetres(length: Length) -> float:
    return convert(length.value, length.unit, "mm") / _MM_PER_CM


def _grams(mass: float | None, unit: str) -> float | None:
    return None if mass is None else convert(mass, unit, "g")


def _grams_per_cm3(density: Density) -> float:
    return convert(density.value, density.unit, _GRAM_PER_CM3)


def material_of(wire: MaterialObject) -> Material:
    """Give grains in the engine's terms: centimetres and g/cm³."""
    return Material(
        top_size=_centimetres(wire.top_size),
        liberation_size=_centimetres(wire.liberation_size),
        mineral_fraction=wire.mineral_fraction,
        mineral_density=_grams_per_cm3(wire.mineral_density),
        gangue_density=_grams_per_cm3(wire.gangue_density),
        shape_factor=wire.shape_factor,
        range_factor=wire.range_factor,
    )


def _of_sampling(
    wire: ReadingObject, result: Result, where: Where, ledger: Ledger
) -> list[Contribution]:
    sampling = wire.sampling
    if sampling is None:
        return []
    place = (*where, "sampling")
    if ledger.note_if(
        not result.is_assay,
        place,
        "sampling-without-assay",
        "A sampling error is one of an assay.",
        "Leave 'sampling' out.",
    ) or ledger.note_if(
        UNITS[sampling.mass_unit].kind is not Kind.MASS,
        (*place, "mass_unit"),
        "unit-does-not-fit",
        f"'{sampling.mass_unit}' is not a unit of the mass of a sample.",
        "Use a unit of mass, not of mass per unit time.",
    ):
        return []
    sample = _grams(sampling.sample_mass, sampling.mass_unit) or 0.0
    lot = _grams(sampling.lot_mass, sampling.mass_unit)
    found = tried(
        lambda: from_sampling(material_of(sampling), result.value, sample, lot), place, ledger
    )
    return [] if found is None else [found]


def _of_laboratories(
    wire: ReadingObject, result: Result, where: Where, ledger: Ledger
) -> list[Contribution]:
    if not wire.interlaboratory:
        return []
    place = (*where, "interlaboratory")
    if ledger.note_if(
        not result.is_assay,
        place,
        "interlaboratory-without-assay",
        "How laboratories differ is known for assays.",
        "Leave 'interlaboratory' out and give an sd.",
    ):
        return []
    fraction = to_fraction(result.value, result.unit)
    found = tried(lambda: from_interlaboratory(result.value, fraction), place, ledger)
    return [] if found is None else [found]


def _of_limit(result: Result) -> Contribution:
    """Give the error at a limit of which nothing else is said: a third of it, by convention."""
    words = f"a third of the limit of {result.value:g}, by convention"
    return Contribution(Source.DETECTION, _last_stage(result), detection_sd(result.value), words)


def _floors(wire: ReadingObject, result: Result) -> list[Contribution]:
    return [] if wire.step is None else [rounding_floor(wire.step, _last_stage(result))]


def _shared(
    cause: Cause, result: Result, known: Declared, where: Where, ledger: Ledger
) -> Shared | None:
    found = known.causes.get(cause.cause)
    told = cause.stage or (found.stage if found is not None else None)
    stage = Stage(told) if told is not None else _last_stage(result)
    if cause.sd is not None or cause.relative_sd is not None:
        size = ErrorModel(cause.sd or 0.0, cause.relative_sd or 0.0).sd(result.value)
        return Shared(cause.cause, size, stage)
    if found is None:
        ledger.note(
            where,
            "unknown-cause",
            f"The shared cause '{cause.cause}' is not declared, nor given a size here.",
            "Declare it under 'causes', or give it an 'sd' or 'relative_sd' here.",
        )
        return None
    return _of_declared(found, result, stage, where, ledger)


def _of_declared(
    cause: CauseObject, result: Result, stage: Stage, where: Where, ledger: Ledger
) -> Shared | None:
    unit = cause.unit or result.unit
    if cause.sd is not None and not _fits(unit, result.unit, where, ledger):
        return None
    absolute = convert(cause.sd, unit, result.unit) if cause.sd else 0.0
    size = ErrorModel(absolute, cause.relative_sd or 0.0).sd(result.value)
    return Shared(cause.name, size, stage)
