"""From the solution to the balance: numbers meet their names again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import repeat
from math import isfinite
from operator import add
from typing import TYPE_CHECKING, TypeVar, cast

import numpy as np

from . import derived
from .asked import answers
from .balance import (
    ActiveBound,
    Alternative,
    Balance,
    Estimate,
    Failure,
    GlobalTest,
    Imbalance,
    Knowledge,
    Known,
    Outcome,
    Read,
    SharedError,
)
from .derived import Derived
from .evidence import linearity
from .evidence.cautions import emptied, unresolved_minerals
from .evidence.global_test import global_test, without_reference
from .flowsheet import SOLIDS, Part
from .kernel.limits import HALF_WEIGHT, LEVERAGE_TOLERANCE, ORDER_TOLERANCE
from .kernel.losses import Loss
from .later import Listed, Table
from .measurands import analyte, measurand
from .named import names_of
from .remedies import remedies
from .rows import measurands_as_ratios

Key = TypeVar("Key", str, tuple[str, str])
Made = TypeVar("Made", Known, Read, Estimate)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .flowsheet import Flowsheet
    from .kernel.problem import Bools, Floats, Ints
    from .linearisation import Linearisation
    from .model import Model
    from .readings import Reading
    from .solution import Solution

    Answers = Mapping[str, Derived]


def failed(outcome: Outcome, failure: Failure) -> Balance:
    """Give a balance without numbers."""
    return Balance(outcome, {}, {}, {}, {}, {}, {}, (), None, (), (), 0, float("inf"), failure)


def assembled(at: Linearisation, readings: Sequence[Reading], counted: Sequence[int]) -> Balance:
    """
    Give the balance of a converged solution.

    ``counted`` are the positions of the readings that the plan knows; the others have an infinite
    standard deviation.
    """
    solution = at.solution
    plan, model = solution.plan, solution.plan.model
    sheet = model.flowsheet
    names = plan.remembered("names", lambda: names_of(model))
    said = answers(at)
    amounts, shares, assays = (_known(said[name]) for name in ("amounts", "shares", "assays"))
    grades = names.assays.table(assays)
    read = _readings(at, said, readings, counted)
    direct = Table(lambda: _direct(readings))
    bounds = _active_bounds(solution)
    return Balance(
        outcome=Outcome.CLOSED_WITH_ACTIVE_BOUNDS if bounds else Outcome.CLOSED,
        masses=_estimates(names.masses.table(amounts), direct, readings, read),
        assays=_estimates(grades, direct, readings, read),
        component_masses=names.components.table(amounts),
        yields=names.yields.table(shares),
        recoveries=names.recoveries.table(shares),
        splits=names.splits.table(_known(said["splits"])),
        closure=_closure(solution),
        test=_test(at, len(bounds)),
        active_bounds=bounds,
        warnings=(
            *emptied(at),
            *unresolved_minerals(at, grades),
            *_doubts(at, said["amounts"], said["assays"]),
        ),
        iterations=solution.optimum.iterations,
        kkt_residual=solution.optimum.decrement,
        readings=read,
        amounts=names.further.table(amounts),
        moistures=_moistures(sheet, said),
        fractions=_fractions(sheet, said),
        class_assays=_class_assays(sheet, said),
        analytes=_analytes(at),
        contents=_contents(model, said),
        shared=_shared(model, said),
        alternative=_alternative(solution, counted),
        remedies=remedies(plan, solution.closed),
    )


def _made(kind: type[Made], fields: Iterable[tuple[object, ...]]) -> list[Made]:
    """Give many of a kind from their fields, past its constructor, which takes twice as long."""
    return cast("list[Made]", list(map(tuple.__new__, repeat(kind), fields)))


def _known(found: Derived) -> Listed[Known]:
    """Give many quantities, made when one is first asked for."""

    def make() -> list[Known]:
        numbers = found.value.tolist(), found.sd.tolist()
        result = _made(Known, zip(*numbers, repeat(Knowledge.OBSERVABLE), strict=False))
        for k in np.flatnonzero(~found.sure).tolist():
            known = Knowledge.UNDEFINED if found.known[k] else Knowledge.UNOBSERVABLE
            result[k] = Known(None, None, known)
        return result

    return Listed(make)


def _doubts(at: Linearisation, amounts: Derived, assays: Derived) -> list[str]:
    """Give what casts doubt on the standard deviations."""
    found = linearity.warning(at, amounts, assays)
    return [] if found is None else [found]


def _moistures(sheet: Flowsheet, said: Answers) -> dict[str, Known]:
    if not sheet.water:
        return {}
    return dict(zip((s.name for s in sheet.streams), _known(said["moistures"]), strict=True))


def _fractions(sheet: Flowsheet, said: Answers) -> dict[tuple[str, Part], Known]:
    if not sheet.classes:
        return {}
    keys = [(s.name, Part(SOLIDS, size)) for s in sheet.streams for size in sheet.classes]
    return dict(zip(keys, _known(said["fractions"]), strict=True))


def _class_assays(sheet: Flowsheet, said: Answers) -> dict[tuple[str, Part], Known]:
    parts = [Part(c, size) for c in sheet.sized for size in sheet.classes]
    if not parts:
        return {}
    keys = [(s.name, part) for s in sheet.streams for part in parts]
    return dict(zip(keys, _known(said["class_assays"]), strict=True))


def _analytes(at: Linearisation) -> dict[tuple[str, str], Known]:
    model = at.solution.plan.model
    sheet = model.flowsheet
    keys = [(s.name, a) for s in sheet.streams for a in sheet.analytes]
    if not keys:
        return {}
    of = {a: analyte(sheet, a) for a in sheet.analytes}
    ratios = measurands_as_ratios(model, [((s,), of[a]) for s, a in keys])
    return dict(zip(keys, _known(derived.of_ratios(at, ratios)), strict=True))


def _common(model: Model, said: Answers) -> list[tuple[float, float]]:
    """Give value and sd of each unknown of no stream."""
    if not model.common:
        return []
    found = said["common"]
    return list(zip(found.value.tolist(), found.sd.tolist(), strict=True))


def _contents(model: Model, said: Answers) -> dict[tuple[str, str], Estimate]:
    result: dict[tuple[str, str], Estimate] = {}
    for common, (value, sd) in zip(model.common, _common(model, said), strict=True):
        if len(common.of) != _CONTENT:
            continue
        change = value - common.value
        room = common.sd**2 - sd**2
        sure = room > LEVERAGE_TOLERANCE * common.sd**2
        result[common.of[0], common.of[1]] = Estimate(
            value,
            sd,
            Knowledge.REDUNDANT if sure else Knowledge.NONREDUNDANT,
            common.value,
            common.sd,
            change,
            change / float(np.sqrt(room)) if sure else None,
        )
    return result


_CONTENT = 2
"""A content is named by a mineral and an analyte, a cause by itself alone."""


def _shared(model: Model, said: Answers) -> tuple[SharedError, ...]:
    return tuple(
        SharedError(common.of[0], value, sd)
        for common, (value, sd) in zip(model.common, _common(model, said), strict=True)
        if len(common.of) != _CONTENT
    )


def _readings(
    at: Linearisation, said: Answers, readings: Sequence[Reading], counted: Sequence[int]
) -> Listed[Read]:
    """Give what came out for each reading, in the order given."""
    solution = at.solution
    plan, model = solution.plan, solution.plan.model
    if len(counted) == len(readings) and not model.levels:
        found = said.get("readings") or derived.of_ratios(at, plan.own_ratios)
    else:
        wanted = [(r.streams, measurand(model.flowsheet, r.of)) for r in readings]
        found = derived.of_ratios(at, measurands_as_ratios(model, wanted))
    used, weights = solution.used, at.weights
    redundant, fixed = plan.redundant_with(solution.closed), plan.fixed

    def make() -> list[Read]:
        return _read(found, used, weights, redundant, fixed, readings, counted)

    return Listed(make)


def _read(
    found: Derived,
    used: Bools,
    weights: Floats,
    redundant: Bools,
    fixed: Bools,
    readings: Sequence[Reading],
    counted: Sequence[int],
) -> list[Read]:
    """
    Give what was ``found`` of each reading, (readings,), as an object.

    The plan's own, (m,): which are ``used``, with their ``weights``, which others determine as
    well, and which are ``fixed``.
    """
    every = np.array(counted, dtype=np.int64)
    weight = np.zeros(len(used))
    weight[used] = weights
    weight[fixed] = 1.0
    counts, checked, determined = np.zeros(len(readings)), *np.zeros((2, len(readings)), dtype=bool)
    counts[every] = weight[: len(every)]
    determined[every] = redundant[: len(every)]
    checked[every] = (redundant & used)[: len(every)]
    numbers = np.zeros(len(readings), dtype=bool)
    numbers[every] = [readings[i].limit is None for i in counted]
    numbers &= found.sure
    value = np.array([r.value for r in readings], dtype=np.float64)
    total = np.array([r.total_sd for r in readings], dtype=np.float64) ** 2
    adjustment = found.value - value
    room = total - found.sd**2
    sure = numbers & checked & (room > LEVERAGE_TOLERANCE * total)
    with np.errstate(all="ignore"):
        standardised = adjustment / np.sqrt(np.where(sure, room, 1.0))
    classes = [Knowledge.REDUNDANT if one else Knowledge.NONREDUNDANT for one in determined]
    for k in np.flatnonzero(~numbers).tolist():
        unsure = Knowledge.UNDEFINED if found.known[k] else Knowledge.UNOBSERVABLE
        classes[k] = Knowledge.OBSERVABLE if found.sure[k] else unsure
    fields = (
        _where(found.sure, found.value),
        _where(found.sure, found.sd),
        classes,
        _where(numbers, adjustment),
        _where(sure, standardised),
        np.where(found.sure, counts, 0.0).tolist(),
    )
    result = _made(Read, zip(*fields, strict=True))
    for k in np.flatnonzero(fixed[: len(every)]).tolist():
        i = counted[k]
        if numbers[i]:
            # An exact reading is met to rounding; what was read is what is meant.
            result[i] = Read(readings[i].value, 0.0, classes[i], 0.0, None, float(counts[i]))
    return result


def _where(sure: Bools, numbers: Floats) -> list[float | None]:
    """Give the numbers that are sure, ``None`` for the others."""
    result: list[float | None] = numbers.tolist()
    for k in np.flatnonzero(~sure).tolist():
        result[k] = None
    return result


def _direct(readings: Sequence[Reading]) -> dict[tuple[str, str], int]:
    """Give the position of the reading, if any, of each mass and assay for itself."""
    result: dict[tuple[str, str], int] = {}
    for i, reading in enumerate(readings):
        of, stream = reading.of, reading.stream
        if isinstance(of, str) and isinstance(stream, str) and reading.limit is None:
            result.setdefault((stream, of), i)
    return result


_UNREAD = (None, None, None, None)
"""What an estimate says of its reading where there is none."""


def _estimates(
    known: Table[Key, Known],
    direct: Mapping[tuple[str, str], int],
    readings: Sequence[Reading],
    read: Sequence[Read],
) -> Table[Key, Estimate]:
    """Give masses or assays with what was read of each for itself."""

    def make() -> dict[Key, Estimate]:
        unread = _made(Estimate, map(add, known.values(), repeat(_UNREAD)))
        result = dict(zip(known, unread, strict=True))
        for key, position in _own(known, direct):
            result[key] = _estimate(known[key], readings[position], read[position])
        return result

    return Table(make)


def _own(
    known: Mapping[Key, Known], direct: Mapping[tuple[str, str], int]
) -> Iterator[tuple[Key, int]]:
    """Give the position of the reading of each mass, by stream, or of each assay, if any."""
    for (stream, of), position in direct.items():
        key = cast("Key", stream if of == SOLIDS else (stream, of))
        if key in known:
            yield key, position


def _estimate(known: Known, reading: Reading, found: Read) -> Estimate:
    sd = reading.total_sd
    if known.value is None or not isfinite(sd):
        adjustment = None if known.value is None else known.value - reading.value
        return Estimate(known.value, known.sd, known.knowledge, reading.value, sd, adjustment)
    value, spread = (reading.value, 0.0) if reading.sd == 0 else (known.value, known.sd)
    return Estimate(
        value,
        spread,
        found.knowledge,
        reading.value,
        sd,
        found.adjustment,
        found.standardised,
    )


def _test(at: Linearisation, bounds: int) -> GlobalTest:
    solution = at.solution
    degrees = solution.plan.degrees_with(solution.closed)
    if solution.losses.plain:
        return global_test(at.statistic, degrees, bounds)
    if (solution.losses.kind == Loss.HUBER).any() or (solution.losses.kind == Loss.BISQUARE).any():
        return without_reference(solution.optimum.objective, degrees)
    limits = int(np.isin(solution.losses.kind, (Loss.BELOW, Loss.ABOVE)).sum())
    return global_test(at.statistic, degrees, bounds, limits)


def _active_bounds(solution: Solution) -> tuple[ActiveBound, ...]:
    model = solution.plan.model
    sheet = model.flowsheet
    binding = solution.optimum.binding
    lower = np.flatnonzero(binding.lower | solution.emptied)
    found = [ActiveBound(*model.label(int(column)), "zero") for column in lower]
    for row in np.flatnonzero(binding.within):
        stream, part = model.nest_of(int(row))
        found.append(ActiveBound(sheet.streams[stream].name, sheet.quantities[part], "whole"))
    if sheet.orders:
        orders = np.flatnonzero(solution.losses.kind == Loss.AT_LEAST)
        shift = solution.values[orders] / solution.sds[orders]
        held = [o for o, by in zip(sheet.orders, shift, strict=True) if by > ORDER_TOLERANCE]
        found += [ActiveBound(o.richer, o.component, "order") for o in held]
    return tuple(found)


def _closure(solution: Solution) -> tuple[Imbalance, ...]:
    """Worst node of each quantity, relative to the throughput of its part of the flowsheet."""
    model = solution.plan.model
    nodes = model.flowsheet.nodes
    last, kept = solution.plan.remembered("last at nodes", lambda: _last_at_nodes(model))
    imbalance = model.incidence @ model.by_stream(solution.x)
    if not model.conserved.all():
        imbalance = np.where(model.conserved, imbalance, 0.0)
    throughput = np.where(last < 0, 1.0, model.by_stream(solution.throughput)[last[:, 0]])
    relative = np.abs(imbalance) / throughput
    worst, quantity = relative.argmax(axis=0), np.arange(model.kinds)
    sizes = (of[worst, quantity].tolist() for of in (imbalance, throughput, relative))
    found = zip(model.flowsheet.quantities, worst.tolist(), *sizes, kept, strict=True)
    return tuple(Imbalance(name, nodes[at], *size) for name, at, *size, told in found if told)


def _last_at_nodes(model: Model) -> tuple[Ints, list[bool]]:
    """Give the last stream at each node, (nodes, 1), and which quantities any node conserves."""
    ends = np.stack(model.ends, axis=1).ravel()
    inside = np.flatnonzero(ends >= 0)
    last: Ints = np.full((len(model.flowsheet.nodes), 1), -1, dtype=np.int64)
    last[ends[inside], 0] = inside // 2
    return last, np.atleast_1d(model.conserved.any(axis=0)).tolist()


def _alternative(solution: Solution, counted: Sequence[int]) -> Alternative | None:
    other = solution.alternative
    if other is None:
        return None
    return Alternative(
        other.optimum.objective, tuple(counted[int(k)] for k in np.flatnonzero(_discounted(other)))
    )


def _discounted(solution: Solution) -> Bools:
    """Readings that a robust loss counts at less than half, (readings,)."""
    weight = solution.losses.of(solution.residuals).weight
    return np.asarray((weight < HALF_WEIGHT) & solution.used)[: len(solution.plan.keys)]
