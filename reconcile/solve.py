"""Solve a planned reconciliation for given values: from readings to the optimum."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .kernel.active_set import Held
from .kernel.budget import Budget
from .kernel.factory import factory_of
from .kernel.limits import SMALLEST_SCALE, ZERO_READING, ZERO_STREAM
from .kernel.newton import Optimum, minimise
from .kernel.problem import Problem
from .options import Options
from .start import Contradiction, Guess, feasible, forced_zero, guess, linear_passes

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats
    from .plan import Plan


@dataclass(frozen=True)
class Solution:
    """
    The optimum of one set of values.

    ``x`` (n,) extensive quantities; ``scale`` (n,) their own sizes; ``closed`` (n,) those that are
    zero because their stream is; ``used`` (m,) the readings that kept a meaning and were not
    fixed; ``emptied`` (streams,) streams that the optimum, not a fixed value, brought to zero.
    """

    plan: Plan
    values: Floats
    sds: Floats
    x: Floats
    scale: Floats
    throughput: Floats
    closed: Bools
    used: Bools
    emptied: Bools
    optimum: Optimum


def fixed_rows(plan: Plan, values: Floats, chosen: Bools) -> tuple[sp.csr_array, Floats]:
    """Give the fixed readings among ``chosen`` as linear rows ``(n - y d)·x = y c``."""
    ratios = plan.ratios.keep(chosen)
    y = values[chosen]
    return ratios.jacobian(y, np.ones(len(y))), y * ratios.constant


def _problem(plan: Plan, values: Floats, sds: Floats, first: Guess, closed: Bools) -> Problem:
    """Give the statement to solve: balances, then fixed readings, then gauges, as equalities."""
    kept = plan.meaningful(closed)
    used = kept & ~plan.fixed
    rows, target = fixed_rows(plan, values, kept & plan.fixed)
    model = plan.model
    assayed = plan.ratios.keep(kept)
    divides = np.zeros(model.size, dtype=bool)
    divides[assayed.indices[assayed.below != 0]] = True
    floor = _floor(plan, values, first.throughput)
    return Problem(
        sp.csr_array(sp.vstack((model.conservation, rows, plan.gauge_rows))),
        np.concatenate(
            (np.zeros(model.conservation.shape[0]), target, first.point[plan.gauges])
        ),
        plan.ratios.keep(used),
        values[used],
        sds[used],
        np.where(divides & ~closed, floor, 0.0),
        model.within,
        model.groups,
    )


def _floor(plan: Plan, values: Floats, throughput: Floats) -> Floats:
    """Give the amount below which a divisor would lose its meaning, shape (n,)."""
    floor = ZERO_STREAM * throughput
    masses = plan.ratios.constant > 0
    columns = plan.ratios.indices[plan.ratios.indptr[:-1][masses]]
    read = ZERO_READING * values[masses]
    floor[columns] = np.where(read > 0, np.minimum(floor[columns], read), floor[columns])
    return floor


def _feasible(
    plan: Plan, values: Floats, sds: Floats, first: Guess, at: Floats, closed: Bools
) -> tuple[Floats, Bools]:
    """
    Give a point near ``at`` (n,) that meets everything exact, and the unknowns that are zero there.

    Where fixed values or ``closed`` unknowns leave a divisor no room, it is closed as well.

    Raises
    ------
    Contradiction
    """
    scale = first.point
    problem = _problem(plan, values, sds, first, closed)
    try:
        return scale * feasible(problem.scaled(scale), at / scale, closed), closed
    except Contradiction:
        dividing = np.flatnonzero(problem.lower > 0)
        empty = forced_zero(problem.scaled(scale), dividing, closed)
        if not empty.any():
            raise
    closed = closed.copy()
    for column in dividing[empty]:
        closed[column : column + plan.model.kinds] = True
    problem = _problem(plan, values, sds, first, closed)
    at = np.where(closed, 0.0, at)
    return scale * feasible(problem.scaled(scale), at / scale, closed), closed


def _held(plan: Plan, closed: Bools) -> Held:
    nothing = np.zeros(plan.model.size, dtype=bool)
    rows = np.zeros(plan.model.within.shape[0], dtype=bool)
    return Held(nothing, rows, plan.solver_pins(closed), closed)


def _emptied(plan: Plan, problem: Problem, optimum: Optimum) -> Bools:
    """Streams whose mass ended at the small amount that keeps their assays meaningful."""
    solids = plan.model.columns(0)
    return np.asarray(optimum.held.lower[solids] & (problem.lower[solids] > 0))


def solve(plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget) -> Solution:
    """
    Reconcile one set of values.

    ``values`` and ``sds`` (m,), in the order of the plan's keys; ``sds`` is zero exactly where the
    plan says fixed.

    Raises
    ------
    Contradiction
        if the fixed values cannot all be true.
    OverBudget
    """
    first = guess(plan, values)
    nothing = np.zeros(plan.model.size, dtype=bool)
    x, closed = first.point, nothing
    if plan.fixed.any():
        x, closed = _feasible(plan, values, sds, first, x, closed)
    held = _held(plan, closed)
    scaled = _problem(plan, values, sds, first, closed).scaled(first.point)
    x = first.point * linear_passes(
        scaled, factory_of(scaled, budget), x / first.point, held, budget
    )
    emptied = np.zeros(plan.model.streams, dtype=bool)
    while True:
        problem = _problem(plan, values, sds, first, closed)
        x = np.maximum(x, np.where(closed, 0.0, problem.lower))
        scale = np.maximum(np.abs(x), SMALLEST_SCALE * _throughput(plan, x, first))
        scaled = problem.scaled(scale)
        optimum = minimise(
            scaled, factory_of(scaled, budget), x / scale, held, options.max_iterations, budget
        )
        x = optimum.x * scale
        newly = _emptied(plan, problem, optimum)
        if not optimum.converged or not newly.any():
            break
        empty = np.repeat(newly, plan.model.kinds)
        at = np.where(empty, 0.0, x)
        x, wider = _feasible(plan, values, sds, first, at, closed | empty)
        emptied |= wider.reshape(-1, plan.model.kinds)[:, 0] & ~closed.reshape(
            -1, plan.model.kinds
        )[:, 0]
        closed = wider
        held = _held(plan, closed)
    used = plan.meaningful(closed) & ~plan.fixed
    return Solution(
        plan, values, sds, x, scale, _throughput(plan, x, first), closed, used, emptied, optimum
    )


def _throughput(plan: Plan, x: Floats, first: Guess) -> Floats:
    """Give the feed of each unknown's quantity in its part of the flowsheet, shape (n,)."""
    model = plan.model
    source, _ = model.ends
    by_stream = x.reshape(model.streams, model.kinds)
    result = np.zeros_like(by_stream)
    for part in np.unique(model.part_of):
        here = model.part_of == part
        result[here] = by_stream[here & (source < 0)].sum(axis=0)
    typical = first.throughput.reshape(result.shape)
    return np.where(result > SMALLEST_SCALE * typical, result, typical).ravel()
