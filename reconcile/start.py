"""
Where a solve starts: a point that balances, inside the bounds, near the readings.

Unmeasured flows are split equally at every node and scaled to the masses read; fixed values are
met by a linear program (HiGHS); then a few linear passes, with each assay cleared of its
denominator and weighted by the present mass, bring the start close to the optimum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.optimize import linprog

from .flowsheet import SOLIDS
from .kernel.active_set import Factory, Held, Inner, solve_inner
from .kernel.newton import guarded
from .kernel.limits import LINEAR_PASSES, PRIOR_WEIGHT, SMALLEST_SCALE, ZERO_STREAM

if TYPE_CHECKING:
    from .kernel.budget import Budget
    from .kernel.problem import Bools, Floats, Ints, Problem
    from .plan import Plan

_UNREAD_GRADE = 0.01
"""Grade assumed for a component that was read nowhere; it only scales unknowns."""

_FEASIBLE = 1e-8
"""Relative slack beyond which fixed values contradict the balances: above HiGHS's own 1e-9,
below any rounding of a printed value."""


_INVOLVED = 1e-3
"""Dual value, beside one for a broken equality, beyond which another takes part in a contradiction:
the price of moving away from the guess alone is 1e-6."""


@dataclass(frozen=True)
class Guess:
    """``point`` (n,) > 0 balances at every node; ``throughput`` (n,) of each unknown's quantity."""

    point: Floats
    throughput: Floats


def resplit(plan: Plan, first: Guess, share: Floats) -> Floats:
    """Give the guess with other splits at the nodes, ``share`` (streams,): the same feeds."""
    model = plan.model
    point = first.point.reshape(model.streams, model.kinds)
    return np.column_stack([model.flow(point[:, q], share) for q in range(model.kinds)]).ravel()


class Contradiction(ValueError):
    """
    The fixed values cannot all be true.

    ``broken`` and ``involved`` (e,) mark the equalities that break and those that oppose them.
    """

    def __init__(self, broken: Bools, involved: Bools) -> None:
        self.broken, self.involved = broken, involved
        super().__init__("fixed values contradict the balances")


def guess(plan: Plan, values: Floats) -> Guess:
    """Give flows split equally at every node, scaled to the masses and grades that were read."""
    model = plan.model
    ones = np.ones(model.streams)
    solids = model.flow(ones, ones)
    streams = model.flowsheet.stream_index
    scale = np.ones(model.streams)
    read_masses = [
        (streams[name], value)
        for (name, of), value in zip(plan.keys, values, strict=True)
        if of == SOLIDS and value > 0
    ]
    for part in np.unique(model.part_of):
        factors = [value / solids[s] for s, value in read_masses if model.part_of[s] == part]
        if factors:
            scale[model.part_of == part] = float(np.median(factors))
    grades = [1.0]
    for component in model.flowsheet.components:
        read = [
            v for (_, of), v in zip(plan.keys, values, strict=True) if of == component and v > 0
        ]
        grades.append(float(np.median(read)) if read else _UNREAD_GRADE)
    grade = np.minimum(np.array(grades), np.where(np.arange(model.kinds) == 0, 1.0, 0.9))
    point = np.outer(solids * scale, grade)
    feed = np.zeros(model.streams)
    for part in np.unique(model.part_of):
        here = model.part_of == part
        feed[here] = (solids * scale)[here & model.entries].sum()
    return Guess(point.ravel(), np.outer(feed, grade).ravel())


def _program(problem: Problem, at: Floats, lower: Floats, closed: Bools) -> tuple[Floats, Floats, Floats]:
    """
    Give the point nearest to ``at`` (sum of relative moves) that breaks balances the least.

    Returns the point (n,), the breach of each equality (e,) and the equalities' dual values (e,).
    """
    n, e = problem.size, len(problem.target)
    one, far = sp.eye_array(n), 1e6
    rows = sp.hstack((problem.equalities, sp.csr_array((e, 2 * n)), sp.eye_array(e), -sp.eye_array(e)))
    apart = sp.hstack((one, -one, one, sp.csr_array((n, 2 * e))))
    within = sp.hstack((-problem.within, sp.csr_array((problem.within.shape[0], 2 * n + 2 * e))))
    cost = np.concatenate((np.zeros(n), np.ones(2 * n), far * np.ones(2 * e)))
    upper = np.concatenate((np.where(closed, 0.0, np.inf), np.full(2 * n + 2 * e, np.inf)))
    bounds = np.column_stack((np.concatenate((lower, np.zeros(2 * n + 2 * e))), upper))
    answer = linprog(
        cost,
        A_ub=sp.csr_array(within) if problem.within.shape[0] else None,
        b_ub=np.zeros(problem.within.shape[0]) if problem.within.shape[0] else None,
        A_eq=sp.csr_array(sp.vstack((rows, apart))),
        b_eq=np.concatenate((problem.target, at)),
        bounds=bounds,
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-9},
    )
    if not answer.success:
        raise RuntimeError(f"the linear program for the start failed: {answer.message}")
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
    raise Contradiction(np.abs(breach) > _FEASIBLE, np.abs(dual) > _INVOLVED)


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
    answer = linprog(
        np.concatenate((np.zeros(n), -np.ones(k))),
        A_ub=sp.csr_array(sp.vstack((within, above))),
        b_ub=np.zeros(problem.within.shape[0] + k),
        A_eq=sp.csr_array(rows),
        b_eq=problem.target,
        bounds=np.column_stack(
            (
                np.concatenate((lower, np.zeros(k))),
                np.concatenate((np.where(closed, 0.0, np.inf), np.full(k, small))),
            )
        ),
        method="highs",
    )
    if not answer.success:
        return np.zeros(k, dtype=bool)
    return np.asarray(answer.x[n:] < small / 2)


def linear_passes(problem: Problem, factory: Factory, x: Floats, held: Held, budget: Budget) -> Floats:
    """
    Improve a feasible start by weighted linear least squares with bounds.

    The residual of a ratio is cleared of its denominator, ``(n - y d)·x / (sd · d·x_before)``; a
    weak pull to the start decides what no reading decides.
    """
    prior = PRIOR_WEIGHT * sp.eye_array(problem.size, format="csr")
    start, held = x, replace(held, pinned=np.zeros_like(held.pinned))
    largest = problem.ratios.denominators(np.abs(x)).max(initial=0.0)
    for _ in range(LINEAR_PASSES):
        below = np.maximum(problem.ratios.denominators(x), SMALLEST_SCALE * largest)
        weight = 1 / (below * problem.sd)
        rows = problem.ratios.jacobian(problem.y, weight)
        offset = problem.y * problem.ratios.constant * weight
        stacked = sp.csr_array(sp.vstack((rows, prior)))
        residual = np.concatenate((rows @ x - offset, PRIOR_WEIGHT * (x - start)))
        inner = Inner(guarded(problem, x), factory, x, stacked.T @ residual, stacked, budget)
        solved = solve_inner(inner, held)
        x, held = x + solved.move, solved.held
    return x
