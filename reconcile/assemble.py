"""From the solution to the balance: numbers meet their names again."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from . import columns, derived
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
from .columns import Columns, ListedColumns, Own, no_list, no_names, no_own
from .derived import Derived
from .evidence import linearity
from .evidence.cautions import emptied, unresolved_minerals
from .evidence.global_test import global_test, without_reference
from .flowsheet import SOLIDS, Part
from .kernel.limits import HALF_WEIGHT, LEVERAGE_TOLERANCE, ORDER_TOLERANCE
from .kernel.losses import Loss
from .measurands import analyte, measurand
from .named import names_of
from .remedies import remedies
from .rows import measurands_as_ratios

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
    return Balance(
        outcome,
        masses=no_names(Estimate),
        assays=no_names(Estimate),
        component_masses=no_names(Known),
        yields=no_names(Known),
        recoveries=no_names(Known),
        splits=no_names(Known),
        readings=no_list(Read),
        followed=no_list(Known),
        own=no_own(),
        closure=(),
        test=None,
        active_bounds=(),
        warnings=(),
        iterations=0,
        kkt_residual=float("inf"),
        failure=failure,
    )


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
    followed = ListedColumns(Known, lambda: _known(said["followed"]))
    read = _readings(at, said, readings, counted)
    own = Own(lambda: _own(names.readable, followed, readings, read))
    estimates = cache(lambda: _estimates(followed, own))
    grades = names.assays.of(Known, followed.all)
    bounds = _active_bounds(solution)
    return Balance(
        outcome=Outcome.CLOSED_WITH_ACTIVE_BOUNDS if bounds else Outcome.CLOSED,
        masses=names.masses.of(Estimate, estimates),
        assays=names.assays.of(Estimate, estimates),
        component_masses=names.components.of(Known, followed.all),
        yields=names.yields.of(Known, followed.all),
        recoveries=names.recoveries.of(Known, followed.all),
        splits=names.splits.of(Known, followed.all),
        readings=read,
        followed=followed,
        own=own,
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
        amounts=names.further.of(Known, followed.all),
        moistures=_moistures(sheet, said),
        fractions=_fractions(sheet, said),
        class_assays=_class_assays(sheet, said),
        analytes=_analytes(at),
        contents=_contents(model, said),
        shared=_shared(model, said),
        alternative=_alternative(solution, counted),
        remedies=remedies(plan, solution.closed),
    )


def _known(found: Derived) -> Columns:
    """Give values and sds side by side; those that cannot be known are not told."""
    shape = 2, len(found.value)
    numbers, told = np.empty(shape), np.empty(shape, dtype=bool)
    numbers[columns.VALUE], numbers[columns.SD] = found.value, found.sd
    told[:] = found.sure
    return Columns(numbers, told, _classes(found.known, told[0]))


def _classes(known: Bools, sure: Bools) -> Ints:
    """Give the classes of what is not checked by a reading of its own."""
    classes: Ints = np.full(len(sure), columns.OBSERVABLE)
    if not sure.all():
        unsure = np.where(known, columns.UNDEFINED, columns.UNOBSERVABLE)
        classes[~sure] = unsure[~sure]
    return classes


def _objects(found: Derived) -> list[Known]:
    """Give values and sds as objects."""
    return _known(found).as_objects(Known)


def _doubts(at: Linearisation, amounts: Derived, assays: Derived) -> list[str]:
    """Give what casts doubt on the standard deviations."""
    found = linearity.warning(at, amounts, assays)
    return [] if found is None else [found]


def _moistures(sheet: Flowsheet, said: Answers) -> dict[str, Known]:
    if not sheet.water:
        return {}
    return dict(zip((s.name for s in sheet.streams), _objects(said["moistures"]), strict=True))


def _fractions(sheet: Flowsheet, said: Answers) -> dict[tuple[str, Part], Known]:
    if not sheet.classes:
        return {}
    keys = [(s.name, Part(SOLIDS, size)) for s in sheet.streams for size in sheet.classes]
    return dict(zip(keys, _objects(said["fractions"]), strict=True))


def _class_assays(sheet: Flowsheet, said: Answers) -> dict[tuple[str, Part], Known]:
    parts = [Part(c, size) for c in sheet.sized for size in sheet.classes]
    if not parts:
        return {}
    keys = [(s.name, part) for s in sheet.streams for part in parts]
    return dict(zip(keys, _objects(said["class_assays"]), strict=True))


def _analytes(at: Linearisation) -> dict[tuple[str, str], Known]:
    model = at.solution.plan.model
    sheet = model.flowsheet
    keys = [(s.name, a) for s in sheet.streams for a in sheet.analytes]
    if not keys:
        return {}
    of = {a: analyte(sheet, a) for a in sheet.analytes}
    ratios = measurands_as_ratios(model, [((s,), of[a]) for s, a in keys])
    return dict(zip(keys, _objects(derived.of_ratios(at, ratios)), strict=True))


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
) -> ListedColumns[Read]:
    """Give what came out for each reading, in the order given."""
    solution = at.solution
    plan, model = solution.plan, solution.plan.model
    if len(counted) == len(readings) and not model.levels:
        found = said.get("readings") or derived.of_ratios(at, plan.own_ratios)
    else:
        wanted = [(r.streams, measurand(model.flowsheet, r.of)) for r in readings]
        found = derived.of_ratios(at, measurands_as_ratios(model, wanted))
    return ListedColumns(Read, lambda: _read(found, at, readings, counted))


def _read(
    found: Derived, at: Linearisation, readings: Sequence[Reading], counted: Sequence[int]
) -> Columns:
    """Give what was ``found`` of each reading, (readings,), beside the reading."""
    solution, count, sure = at.solution, len(readings), found.sure
    plan, used = solution.plan, solution.used
    weight = np.where(plan.fixed, 1.0, 0.0)
    weight[used] = at.weights
    redundant = plan.redundant_with(solution.closed)
    of_plan = weight, redundant, redundant & used, plan.fixed, solution.losses.counted
    weight, determined, checked, exact, is_value = (
        _of_all(one[: len(counted)], counted, count) for one in of_plan
    )
    is_value = is_value & sure
    value = _of_all(solution.own_values, counted, count)
    total = _of_all(_total_sds(solution, readings, counted), counted, count) ** 2
    room = total - found.sd**2
    free = is_value & checked & (room > LEVERAGE_TOLERANCE * total)
    numbers, told = np.zeros((5, count)), np.ones((5, count), dtype=bool)
    numbers[columns.VALUE], numbers[columns.SD] = found.value, found.sd
    numbers[columns.READ_ADJUSTMENT] = adjustment = found.value - value
    np.sqrt(room, out=room, where=free)
    np.divide(adjustment, room, out=numbers[columns.READ_STANDARDISED], where=free)
    numbers[columns.WEIGHT] = np.where(sure, weight, 0.0)
    told[: columns.SD + 1], told[columns.READ_ADJUSTMENT] = sure, is_value
    told[columns.READ_STANDARDISED] = free
    checked_classes = np.where(determined, columns.REDUNDANT, columns.NONREDUNDANT)
    kinds = np.where(is_value, checked_classes, _classes(found.known, sure))
    exact = exact & is_value
    if exact.any():
        # An exact reading is met to rounding; what was read is what is meant.
        numbers[columns.VALUE, exact] = value[exact]
        numbers[[[columns.SD], [columns.READ_ADJUSTMENT]], exact] = 0.0
        told[columns.READ_STANDARDISED, exact] = False
    return Columns(numbers, told, kinds)


def _of_all(of_counted: Any, counted: Sequence[int], count: int) -> Any:  # noqa: ANN401 - any array
    """Give an array of the readings that count for all (count,), zero for the others."""
    if len(counted) == count:
        return of_counted
    whole = np.zeros(count, dtype=of_counted.dtype)
    whole[counted] = of_counted
    return whole


def _total_sds(solution: Solution, readings: Sequence[Reading], counted: Sequence[int]) -> Floats:
    """Give the sds of the readings that count, shared errors included."""
    if not solution.plan.model.common:
        return solution.own_sds
    return np.array([readings[i].total_sd for i in counted], dtype=np.float64)


def _direct(readings: Sequence[Reading]) -> dict[tuple[str, str], int]:
    """Give the position of the reading, if any, of each mass and assay for itself."""
    result: dict[tuple[str, str], int] = {}
    for i, reading in enumerate(readings):
        of, stream = reading.of, reading.stream
        if isinstance(of, str) and isinstance(stream, str) and reading.limit is None:
            result.setdefault((stream, of), i)
    return result


def _estimates(followed: ListedColumns[Known], own: Own) -> Columns:
    """Give all that follows as estimates, with what was read of some for itself."""
    known = followed.columns
    shape = len(Estimate._fields) - 1, len(known.kinds)
    numbers, told, kinds = np.zeros(shape), np.zeros(shape, dtype=bool), known.kinds.copy()
    numbers[: columns.SD + 1], told[: columns.SD + 1] = known.numbers, known.told
    at, read = own.positions, own.columns
    numbers[:, at], told[:, at], kinds[at] = read.numbers, read.told, read.kinds
    return Columns(numbers, told, kinds)


def _own(
    readable: Mapping[tuple[str, str], int],
    followed: ListedColumns[Known],
    readings: Sequence[Reading],
    read: ListedColumns[Read],
) -> tuple[Ints, Columns]:
    """Give the positions of the masses and assays that were read, and what came out for them."""
    direct = _direct(readings)
    pairs = [(readable[key], i) for key, i in direct.items() if key in readable]
    at, i = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    known, here = followed.columns.at(at), read.columns.at(i)
    chosen = [readings[k] for k in i.tolist()]
    value = np.array([reading.value for reading in chosen], dtype=np.float64)
    sd = np.array([reading.total_sd for reading in chosen], dtype=np.float64)
    sure = known.told[columns.VALUE]
    counts = sure & np.isfinite(sd)
    exact = counts & np.array([reading.sd == 0 for reading in chosen], dtype=bool)
    # What counts for nothing is not adjusted, but it shows how far it is off.
    adjustment = np.where(
        counts, here.numbers[columns.READ_ADJUSTMENT], known.numbers[columns.VALUE] - value
    )
    numbers = (
        np.where(exact, value, known.numbers[columns.VALUE]),
        np.where(exact, 0.0, known.numbers[columns.SD]),
        value,
        sd,
        adjustment,
        here.numbers[columns.READ_STANDARDISED],
    )
    there = np.ones(len(at), dtype=bool)
    told = (
        sure,
        sure,
        there,
        there,
        np.where(counts, here.told[columns.READ_ADJUSTMENT], sure),
        counts & here.told[columns.READ_STANDARDISED],
    )
    kinds = np.where(counts, here.kinds, known.kinds)
    return at, Columns(np.stack(numbers), np.stack(told), kinds)


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
