"""From the solution to the balance: numbers meet their names again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

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
from .flowsheet import SOLIDS, WATER, Part
from .kernel.limits import HALF_WEIGHT, LEVERAGE_TOLERANCE, ORDER_TOLERANCE
from .kernel.losses import Loss
from .measurands import analyte, measurand
from .remedies import remedies
from .rows import measurands_as_ratios

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .flowsheet import Flowsheet
    from .kernel.problem import Bools, Floats
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
    model = solution.plan.model
    sheet = model.flowsheet
    streams = [s.name for s in sheet.streams]
    grid = [(s, q) for s in streams for q in sheet.quantities]
    plan = solution.plan
    said = answers(at)
    amounts = dict(zip(grid, _known(said["amounts"]), strict=True))
    shares = dict(zip(grid, _known(said["shares"]), strict=True))
    assay_keys = [(s, c) for s in streams for c in sheet.components]
    assays = dict(zip(assay_keys, _known(said["assays"]), strict=True))
    read = _readings(at, said, readings, counted)
    direct = _direct(readings)
    bounds = _active_bounds(solution)
    return Balance(
        outcome=Outcome.CLOSED_WITH_ACTIVE_BOUNDS if bounds else Outcome.CLOSED,
        masses={
            s: _estimate(amounts[s, SOLIDS], direct.get((s, SOLIDS)), readings, read)
            for s in streams
        },
        assays={
            key: _estimate(known, direct.get(key), readings, read) for key, known in assays.items()
        },
        component_masses={key: amounts[key] for key in assay_keys},
        yields={s: shares[s, SOLIDS] for s in streams},
        recoveries={key: known for key, known in shares.items() if key[1] != SOLIDS},
        splits=_splits(sheet, said),
        closure=_closure(solution),
        test=_test(at, len(bounds)),
        active_bounds=bounds,
        warnings=(
            *emptied(at),
            *unresolved_minerals(at, assays),
            *_doubts(at, said["amounts"], said["assays"]),
        ),
        iterations=solution.optimum.iterations,
        kkt_residual=solution.optimum.decrement,
        readings=read,
        amounts={k: v for k, v in amounts.items() if k[1] == WATER or isinstance(k[1], Part)},
        moistures=_moistures(sheet, said),
        fractions=_fractions(sheet, said),
        class_assays=_class_assays(sheet, said),
        analytes=_analytes(at),
        contents=_contents(model, said),
        shared=_shared(model, said),
        alternative=_alternative(solution, counted),
        remedies=remedies(plan, solution.closed),
    )


def _known(found: Derived) -> list[Known]:
    result = []
    for value, sd, known, defined in zip(
        found.value.tolist(), found.sd.tolist(), found.known, found.defined, strict=True
    ):
        if not known:
            result.append(Known(None, None, Knowledge.UNOBSERVABLE))
        elif not defined:
            result.append(Known(None, None, Knowledge.UNDEFINED))
        else:
            result.append(Known(value, sd, Knowledge.OBSERVABLE))
    return result


def _doubts(at: Linearisation, amounts: Derived, assays: Derived) -> list[str]:
    """Give what casts doubt on the standard deviations."""
    found = linearity.warning(at, amounts, assays)
    return [] if found is None else [found]


def _splits(sheet: Flowsheet, said: Answers) -> dict[tuple[str, str | Part], Known]:
    inner = [s for s in sheet.streams if s.source is not None]
    grid = [(s, q) for s in inner for q in sheet.quantities]
    return {
        (s.name, q): known
        for (s, q), known in zip(grid, _known(said["splits"]), strict=True)
        if sheet.conserves(s.source or "", q)
    }


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
) -> tuple[Read, ...]:
    """Give what came out for each reading, in the order given."""
    solution = at.solution
    plan = solution.plan
    model = plan.model
    weight = np.zeros(plan.ratios.count)
    weight[solution.used] = at.weights
    weight[plan.fixed] = 1.0
    redundant = plan.redundant_with(solution.closed)
    if len(counted) == len(readings) and not model.levels:
        found = said.get("readings") or derived.of_ratios(at, plan.own_ratios)
    else:
        wanted = [(r.streams, measurand(model.flowsheet, r.of)) for r in readings]
        found = derived.of_ratios(at, measurands_as_ratios(model, wanted))
    place = {i: k for k, i in enumerate(counted)}
    result = []
    for i, reading in enumerate(readings):
        known, k = _known_at(found, i), place.get(i)
        if known.value is None or k is None:
            result.append(Read(known.value, known.sd, known.knowledge, None, None, 0.0))
            continue
        if reading.limit is not None:
            counts = float(weight[k])
            result.append(Read(known.value, known.sd, known.knowledge, None, None, counts))
            continue
        checked = bool(redundant[k] and solution.used[k])
        result.append(_read(reading, known, bool(redundant[k]), checked, float(weight[k])))
    return tuple(result)


def _read(reading: Reading, known: Known, redundant: bool, checked: bool, weight: float) -> Read:
    knowledge = Knowledge.REDUNDANT if redundant else Knowledge.NONREDUNDANT
    if reading.sd == 0:
        # An exact reading is met to rounding; what was read is what is meant.
        return Read(reading.value, 0.0, knowledge, 0.0, None, weight)
    adjustment = (known.value or 0.0) - reading.value
    total = reading.total_sd**2
    room = total - (known.sd or 0.0) ** 2
    sure = checked and room > LEVERAGE_TOLERANCE * total
    standardised = adjustment / float(np.sqrt(room)) if sure else None
    return Read(known.value, known.sd, knowledge, adjustment, standardised, weight)


def _known_at(found: Derived, k: int) -> Known:
    if not found.known[k]:
        return Known(None, None, Knowledge.UNOBSERVABLE)
    if not found.defined[k]:
        return Known(None, None, Knowledge.UNDEFINED)
    return Known(float(found.value[k]), float(found.sd[k]), Knowledge.OBSERVABLE)


def _direct(readings: Sequence[Reading]) -> dict[tuple[str, str], int]:
    """Give the position of the reading, if any, of each mass and assay for itself."""
    result: dict[tuple[str, str], int] = {}
    for i, reading in enumerate(readings):
        if isinstance(reading.of, str) and isinstance(reading.stream, str) and not reading.limit:
            result.setdefault((reading.stream, reading.of), i)
    return result


def _estimate(
    known: Known, position: int | None, readings: Sequence[Reading], read: Sequence[Read]
) -> Estimate:
    if position is None:
        return Estimate(known.value, known.sd, known.knowledge)
    reading, found = readings[position], read[position]
    sd = reading.total_sd
    if known.value is None or not np.isfinite(sd):
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
    orders = np.flatnonzero(solution.losses.kind == Loss.AT_LEAST)
    if len(orders):
        shift = solution.values[orders] / solution.sds[orders]
        held = [o for o, by in zip(sheet.orders, shift, strict=True) if by > ORDER_TOLERANCE]
        found += [ActiveBound(o.richer, o.component, "order") for o in held]
    return tuple(found)


def _closure(solution: Solution) -> tuple[Imbalance, ...]:
    """Worst node of each quantity, relative to the throughput of its part of the flowsheet."""
    model = solution.plan.model
    nodes = model.flowsheet.nodes
    imbalance = np.where(model.conserved, model.incidence @ model.by_stream(solution.x), 0.0)
    throughput = _node_throughput(solution)
    relative = np.abs(imbalance) / throughput
    worst = []
    for quantity, name in enumerate(model.flowsheet.quantities):
        if not model.conserved[:, quantity].any():
            continue
        node = int(np.argmax(relative[:, quantity]))
        worst.append(
            Imbalance(
                name,
                nodes[node],
                float(imbalance[node, quantity]),
                float(throughput[node, quantity]),
                float(relative[node, quantity]),
            )
        )
    return tuple(worst)


def _node_throughput(solution: Solution) -> Floats:
    model = solution.plan.model
    source, target = model.ends
    by_stream = model.by_stream(solution.throughput)
    result = np.ones((len(model.flowsheet.nodes), model.kinds))
    for stream in range(model.streams):
        for node in (source[stream], target[stream]):
            if node >= 0:
                result[node] = by_stream[stream]
    return result


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
