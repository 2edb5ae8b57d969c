"""From the solution to the balance: numbers meet their names again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from . import derived
from .balance import (
    ActiveBound,
    Balance,
    Estimate,
    Failure,
    Imbalance,
    Knowledge,
    Known,
    Outcome,
)
from .derived import Derived, evaluate
from .evidence.global_test import global_test
from .flowsheet import SOLIDS
from .kernel.limits import LEVERAGE_TOLERANCE

if TYPE_CHECKING:
    from .kernel.problem import Floats
    from .linearisation import Linearisation
    from .model import Key
    from .readings import Reading
    from .solve import Solution


def failed(outcome: Outcome, failure: Failure) -> Balance:
    """Give a balance without numbers."""
    return Balance(outcome, {}, {}, {}, {}, {}, {}, (), None, (), (), 0, float("inf"), failure)


def assembled(at: Linearisation, readings: Sequence[Reading]) -> Balance:
    """Give the balance of a converged solution."""
    solution = at.solution
    flowsheet = solution.plan.model.flowsheet
    model = solution.plan.model
    streams = [s.name for s in flowsheet.streams]
    assay_keys = [(s, c) for s in streams for c in flowsheet.components]
    by_key = {(r.stream, r.of): r for r in readings}
    marks = _marks(at)
    amounts = _known(evaluate(at, derived.amounts(model)))
    assays = _known(evaluate(at, derived.assays(model)))
    shares = _known(evaluate(at, derived.of_feed(model)))
    splits = _known(evaluate(at, derived.of_inlet(model)))
    grid = [(s, q) for s in streams for q in flowsheet.quantities]
    inner = [(s.name, q) for s in flowsheet.streams if s.source for q in flowsheet.quantities]
    by_amount = dict(zip(grid, amounts, strict=True))
    by_share = dict(zip(grid, shares, strict=True))
    bounds = _active_bounds(solution)
    closure = _closure(solution)
    return Balance(
        outcome=Outcome.CLOSED_WITH_ACTIVE_BOUNDS if bounds else Outcome.CLOSED,
        masses={
            s: _estimate(by_amount[s, SOLIDS], by_key.get((s, SOLIDS)), marks.get((s, SOLIDS)))
            for s in streams
        },
        assays={
            key: _estimate(known, by_key.get(key), marks.get(key))
            for key, known in zip(assay_keys, assays, strict=True)
        },
        component_masses={key: by_amount[key] for key in assay_keys},
        yields={s: by_share[s, SOLIDS] for s in streams},
        recoveries={key: by_share[key] for key in assay_keys},
        splits=dict(zip(inner, splits, strict=True)),
        closure=closure,
        test=global_test(
            solution.optimum.objective,
            solution.plan.degrees_with(solution.closed)
            if solution.closed.any()
            else solution.plan.degrees_of_freedom,
            len(bounds),
        ),
        active_bounds=bounds,
        warnings=_warnings(solution),
        iterations=solution.optimum.iterations,
        kkt_residual=solution.optimum.decrement,
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


_Mark = tuple[Knowledge, float | None]
"""Class of a reading and the sd of its adjustment, ``None`` where nothing checks it."""


def _marks(at: Linearisation) -> dict[Key, _Mark]:
    solution = at.solution
    plan = solution.plan
    closed = solution.closed
    structure = plan.structure_with(closed) if closed.any() else plan.structure
    spare = np.zeros(len(plan.keys))
    spare[solution.used] = 1 - at.leverages
    marks: dict[Key, _Mark] = {}
    for i, key in enumerate(plan.keys):
        redundant = bool(structure.redundant[i])
        checked = redundant and bool(solution.used[i]) and spare[i] > LEVERAGE_TOLERANCE
        marks[key] = (
            Knowledge.REDUNDANT if redundant else Knowledge.NONREDUNDANT,
            float(solution.sds[i] * np.sqrt(spare[i])) if checked else None,
        )
    return marks


def _estimate(known: Known, reading: Reading | None, mark: _Mark | None) -> Estimate:
    if reading is None:
        return Estimate(known.value, known.sd, known.knowledge)
    if mark is None or known.value is None:
        adjustment = None if known.value is None else known.value - reading.value
        return Estimate(
            known.value, known.sd, known.knowledge, reading.value, reading.sd, adjustment
        )
    knowledge, spread = mark
    if reading.sd == 0:
        return Estimate(reading.value, 0.0, knowledge, reading.value, 0.0, 0.0)
    adjustment = known.value - reading.value
    return Estimate(
        known.value,
        known.sd,
        knowledge,
        reading.value,
        reading.sd,
        adjustment,
        None if spread is None else adjustment / spread,
    )


def _active_bounds(solution: Solution) -> tuple[ActiveBound, ...]:
    model = solution.plan.model
    flowsheet = model.flowsheet
    binding = solution.optimum.binding
    found = [
        ActiveBound(flowsheet.streams[s].name, SOLIDS, "zero")
        for s in np.flatnonzero(solution.emptied)
    ]
    for column in np.flatnonzero(binding.lower):
        stream, quantity = divmod(int(column), model.kinds)
        found.append(
            ActiveBound(flowsheet.streams[stream].name, flowsheet.quantities[quantity], "zero")
        )
    for row in np.flatnonzero(binding.within):
        stream, part = divmod(int(row), model.kinds - 1)
        found.append(
            ActiveBound(flowsheet.streams[stream].name, flowsheet.components[part], "whole")
        )
    return tuple(found)


def _closure(solution: Solution) -> tuple[Imbalance, ...]:
    """Worst node of each quantity, relative to the throughput of its part of the flowsheet."""
    model = solution.plan.model
    nodes = model.flowsheet.nodes
    imbalance = (model.conservation @ solution.x).reshape(len(nodes), model.kinds)
    throughput = _node_throughput(solution)
    relative = np.abs(imbalance) / throughput
    worst = []
    for quantity, name in enumerate(model.flowsheet.quantities):
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
    by_stream = solution.throughput.reshape(model.streams, model.kinds)
    result = np.ones((len(model.flowsheet.nodes), model.kinds))
    for stream in range(model.streams):
        for node in (source[stream], target[stream]):
            if node >= 0:
                result[node] = by_stream[stream]
    return result


def _warnings(solution: Solution) -> tuple[str, ...]:
    flowsheet = solution.plan.model.flowsheet
    warnings = [
        f"The reconciled mass of '{flowsheet.streams[s].name}' is zero, so its assays have no "
        "meaning and its assay readings were left out."
        for s in np.flatnonzero(solution.emptied)
    ]
    return tuple(warnings)
