"""
Where a solve starts: a point that balances, inside the bounds, near the readings.

Flows are split at every node by what was read around it; fixed values are
met by a linear program (HiGHS); then a few linear passes, with each assay cleared of its
denominator and weighted by the present mass, bring the start close to the optimum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy.sparse as sp
from scipy.optimize import linprog

from .flowsheet import SOLIDS, WATER
from .kernel.active_set import Factory, Held, Inner, solve_inner
from .kernel.first_flows import first_flows, surroundings
from .kernel.limits import LINEAR_PASSES, PRIOR_WEIGHT, SMALLEST_SCALE, ZERO_STREAM
from .kernel.losses import Loss
from .kernel.newton import guarded
from .measurands import PULP, Terms

if TYPE_CHECKING:
    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Ints, Problem
    from .model import Model
    from .plan import Plan

_AMOUNT_OF_SOLIDS: Terms = ((SOLIDS, 1.0),)
"""What stands above in a reading of solids."""

_FEASIBLE = 1e-8
"""Relative slack beyond which fixed values contradict the balances: above HiGHS's own 1e-9,
below any rounding of a printed value."""


_INVOLVED = 1e-3
"""Dual value, beside one for a broken equality, beyond which another takes part in a contradiction:
the price of moving away from the guess alone is 1e-6."""


@dataclass(frozen=True)
class Guess:
    """
    ``point`` (n,) balances at every node, positive where a stream can hold the quantity.

    ``throughput`` (n,) > 0 of each unknown's quantity; ``nearby`` (n,) > 0 the largest amount of it
    at the nodes that the stream touches; ``scale`` (n,) > 0 is the point, or what stands for it
    where that is zero.
    """

    point: Floats
    throughput: Floats
    nearby: Floats
    scale: Floats


def resplit(plan: Plan, first: Guess, share: Floats) -> Floats:
    """Give the guess with other splits at the nodes, ``share`` (streams,): the same feeds."""
    model = plan.model
    point = model.by_stream(first.point)
    flows = model.flows(point, share[:, None], slice(None))
    return model.wide(_summed(model, flows), first.point[model.amounts :])


class StartError(RuntimeError):
    """No start could be computed, for numbers too far apart; the message is the solver's."""


class Contradiction(ValueError):
    """
    The fixed values cannot all be true.

    ``broken`` and ``involved`` (e,) mark the equalities that break and those that oppose them,
    with the ``closed`` unknowns (n,) at zero.
    """

    def __init__(self, broken: Bools, involved: Bools, closed: Bools) -> None:
        self.broken, self.involved, self.closed = broken, involved, closed
        super().__init__("fixed values contradict the balances")


def _read(plan: Plan, values: Floats) -> Floats:
    """Give the positive readings of one quantity of one stream, NaN where there is none."""
    reading, stream, quantity = plan.direct
    read = np.full((plan.model.streams, plan.model.kinds), np.nan)
    value = values[reading]
    there = value > 0
    read[stream[there], quantity[there]] = value[there]
    return read


def _water(plan: Plan, solids: Floats, values: Floats) -> Floats:
    """Give the water flows from what was read of it, alone or against the solids."""
    model = plan.model
    quantity = model.flowsheet.quantity_index[WATER]
    held = ~model.absent[model.columns(quantity)]
    typical = float(np.median(solids[solids > 0])) if (solids > 0).any() else 1.0
    water = np.where(held, np.where(solids > 0, solids, typical), 0.0)
    for key, value, telling in zip(plan.keys, values, plan.telling, strict=False):
        below = dict(key.of.below)
        if not telling or len(key.streams) != 1 or not value > 0:
            continue
        stream = model.flowsheet.stream_index[key.streams[0]]
        if key.of.above == ((WATER, 1.0),) and not below:
            water[stream] = value
        elif key.of.above == ((WATER, 1.0),) and below == dict(PULP) and value < 1:
            water[stream] = solids[stream] * value / (1 - value)
        elif key.of.above == _AMOUNT_OF_SOLIDS and below == dict(PULP) and value < 1:
            water[stream] = solids[stream] * (1 - value) / value
    return model.flows(water[:, None], water[:, None], [quantity])[:, 0]


def _summed(model: Model, point: Floats) -> Floats:
    """
    Give (streams, Q) amounts in which sums hold as well: parts in one proportion everywhere.

    One proportion for all streams keeps every balance; the linear passes find the differences.
    """
    point = point.copy()
    for total in reversed(model.sums):
        whole = point[:, total.whole]
        parts = point[:, list(total.parts)]
        medians = np.median(parts, axis=0)
        share = medians / medians.sum()
        for part, portion in zip(total.parts, share, strict=True):
            point[:, part] = portion * whole
    return point


def _further(plan: Plan, point: Floats, values: Floats) -> Floats:
    """Give the point with water and the parts of sums as well, (streams, Q)."""
    model, solids = plan.model, point[:, 0]
    columns = [*point.T]
    if model.flowsheet.water:
        columns.append(_water(plan, solids, values))
    columns += [solids] * (model.kinds - len(columns))
    return _summed(model, np.column_stack(columns))


def guess(plan: Plan, values: Floats) -> Guess:
    """Give flows that balance, split at every node by the masses and grades read around it."""
    model = plan.model
    read = _read(plan, values)
    point = np.empty((model.streams, 1 + len(model.flowsheet.components)))
    if not first_flows(model.sheet, model.ground.network, read[:, : point.shape[1]].copy(), point):
        raise np.linalg.LinAlgError("everything of a quantity circulates")
    if point.shape[1] < model.kinds or model.sums:
        point = _further(plan, point, values)
    around = surroundings(model.sheet, point)
    known = size = np.zeros(0)
    if model.loose:
        level = _levels(plan, point)
        known = np.concatenate(([common.value for common in model.common], level))
        size = np.concatenate(([common.typical for common in model.common], level))
    throughput, nearby, scale = (model.wide(flows, size) for flows in around)
    return Guess(model.wide(point, known), throughput, nearby, scale)


def _levels(plan: Plan, point: Floats) -> Floats:
    """Give for each level the mean of the ratios read against it, at amounts (streams, Q)."""
    model, ratios = plan.model, plan.ratios
    if not model.levels:
        return np.zeros(0)
    x = model.wide(point, 0.0)
    value = ratios.numerators(x) / np.maximum(ratios.denominators(x), np.finfo(float).tiny)
    against = [key.of.level for key in plan.keys]
    return np.array(
        [
            max(np.mean([v for v, at in zip(value, against, strict=False) if at == level]), _LEAST)
            for level in model.levels
        ]
    )


_LEAST = 1e-9
"""Size at least of a level, as a mass fraction: it scales an unknown and bends nothing."""


def _linear_program(cost: Floats, below: Any, equal: Any, right: Floats, bounds: Floats) -> Any:  # noqa: ANN401, SciPy's answer has no public type
    """
    Minimise ``cost·x`` with ``below x ≤ 0``, ``equal x = right`` and ``bounds`` (n, 2).

    Raises
    ------
    StartError
        if a coefficient is not finite, since the scales are too far apart.
    """
    matrices = (sp.csr_array(below).data, sp.csr_array(equal).data, right)
    if not all(np.isfinite(values).all() for values in matrices):
        raise StartError("numbers beyond the range of the arithmetic")
    solver: Any = linprog
    return solver(
        cost,
        A_ub=sp.csr_array(below),
        b_ub=np.zeros(below.shape[0]),
        A_eq=sp.csr_array(equal),
        b_eq=right,
        bounds=bounds,
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-9},
    )


def _program(
    problem: Problem, at: Floats, lower: Floats, closed: Bools
) -> tuple[Floats, Floats, Floats]:
    """
    Give the point nearest to ``at`` (sum of relative moves) that breaks balances the least.

    Returns the point (n,), the breach of each equality (e,) and the equalities' dual values (e,).

    Raises
    ------
    StartError
        if the solver gives up.
    """
    n, e = problem.size, len(problem.target)
    one, far = sp.eye_array(n), 1e6
    rows = sp.hstack(
        (problem.equalities, sp.csr_array((e, 2 * n)), sp.eye_array(e), -sp.eye_array(e))
    )
    apart = sp.hstack((one, -one, one, sp.csr_array((n, 2 * e))))
    within = sp.hstack((-problem.within, sp.csr_array((problem.within.shape[0], 2 * n + 2 * e))))
    cost = np.concatenate((np.zeros(n), np.ones(2 * n), far * np.ones(2 * e)))
    upper = np.concatenate((np.where(closed, 0.0, np.inf), np.full(2 * n + 2 * e, np.inf)))
    bounds = np.column_stack((np.concatenate((lower, np.zeros(2 * n + 2 * e))), upper))
    equal, right = sp.vstack((rows, apart)), np.concatenate((problem.target, at))
    answer = _linear_program(cost, within, equal, right, bounds)
    if not answer.success:
        raise StartError(f"the linear program for the start failed: {answer.message}")
    breach = answer.x[3 * n : 3 * n + e] - answer.x[3 * n + e :]
    return answer.x[:n], breach, answer.eqlin.marginals[:e] / far


def feasible(problem: Problem, at: Floats, closed: Bools) -> Floats:
    """
    Give a point near ``at`` that meets every equality, bound and fixed value.

    ``problem`` is scaled so that ``at`` is of order one; ``closed`` unknowns stay at zero.

    Raises
    ------
    Contradiction
        if there is none.
    """
    point, breach, dual = _program(problem, at, problem.lower, closed)
    if np.abs(breach).max(initial=0.0) <= _FEASIBLE:
        return np.asarray(np.maximum(point, problem.lower))
    raise Contradiction(np.abs(breach) > _FEASIBLE, np.abs(dual) > _INVOLVED, closed)


def forced_zero(problem: Problem, solids: Ints, closed: Bools) -> Bools:
    """
    Say which of the unknowns ``solids`` (positions) everything exact forces to zero.

    Solved as one linear program: as many of them as possible above a small amount.
    """
    n, k, small = problem.size, len(solids), 10 * ZERO_STREAM
    rows = sp.hstack((problem.equalities, sp.csr_array((len(problem.target), k))))
    pick = sp.csr_array((-np.ones(k), (np.arange(k), solids)), shape=(k, n))
    above = sp.hstack((pick, sp.eye_array(k)))
    within = sp.hstack((-problem.within, sp.csr_array((problem.within.shape[0], k))))
    lower = np.where(np.isfinite(problem.lower), 0.0, -np.inf)
    upper = np.concatenate((np.where(closed, 0.0, np.inf), np.full(k, small)))
    bounds = np.column_stack((np.concatenate((lower, np.zeros(k))), upper))
    cost = np.concatenate((np.zeros(n), -np.ones(k)))
    below = sp.vstack((within, above))
    answer = _linear_program(cost, below, rows, problem.target, bounds)
    if not answer.success:
        return np.zeros(k, dtype=bool)
    return np.asarray(answer.x[n:] < small / 2)


_AT_A_LIMIT = 0.5
"""Share of a limit that the linear passes take for the value behind it."""


def linear_passes(
    problem: Problem, factory: Factory, x: Floats, held: Held, budget: Budget
) -> Floats:
    """
    Improve a start by weighted linear least squares with bounds.

    The residual of a ratio is cleared of its denominator, ``(N - y d)·x / (sd · d·x_before)``; a
    weak pull to the start decides what no reading decides.  Limits count as readings of half of
    them, and orders not at all.
    """
    prior = PRIOR_WEIGHT * sp.eye_array(problem.size, format="csr")
    start, held = x, replace(held, pinned=np.zeros_like(held.pinned))
    ratios, kind = problem.ratios, problem.losses.kind
    largest = ratios.denominators(np.abs(x)).max(initial=0.0)
    limited = kind == Loss.BELOW
    y = np.where(limited, _AT_A_LIMIT * problem.y, problem.y)
    counts = np.where(kind == Loss.AT_LEAST, 0.0, 1 / problem.sd)
    for _ in range(LINEAR_PASSES):
        below = np.maximum(ratios.denominators(x), SMALLEST_SCALE * largest)
        rows = ratios.derivative(x, y, below, counts)
        unmet = ratios.numerators(x) / below - y * ratios.denominators(x) / below
        unmet = counts * (unmet + ratios.offsets(x))
        stacked = sp.csr_array(sp.vstack((rows, prior)))
        residual = np.concatenate((unmet, PRIOR_WEIGHT * (x - start)))
        inner = Inner(guarded(problem, x), factory, x, stacked.T @ residual, stacked, budget)
        solved = solve_inner(inner, held)
        x, held = x + solved.move, solved.held
    return x
