"""Solve a planned reconciliation for given values: from readings to the optimum."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .flowsheet import SOLIDS
from .kernel.active_set import Held
from .kernel.budget import Budget
from .kernel.factory import factory_of, is_small
from .kernel.limits import (
    FURTHER_STARTS,
    PLAIN_STEPS,
    RESCALE_AFTER,
    RUNAWAY,
    SAME_OBJECTIVE,
    SMALLEST_SCALE,
    ZERO_READING,
    ZERO_STREAM,
)
from .kernel.newton import Optimum, minimise
from .kernel.problem import Problem
from .options import Options
from .start import (
    Contradiction,
    Guess,
    StartError,
    feasible,
    forced_zero,
    guess,
    linear_passes,
    resplit,
)

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints
    from .plan import Plan


_START_SEED = 1
"""Any seed does; a fixed one makes the same request give the same bytes."""


@dataclass(frozen=True)
class Solution:
    """
    The optimum of one set of values.

    ``x`` (n,) extensive quantities; ``scale`` (n,) their own sizes; ``closed`` (n,) those that are
    zero because their stream is; ``used`` (m,) the readings that kept a meaning and were not
    fixed; ``emptied`` (streams,) streams that the optimum, not a fixed value, brought to zero;
    ``typical`` (n,) the throughput that the readings suggest.
    """

    plan: Plan
    values: Floats
    sds: Floats
    x: Floats
    scale: Floats
    throughput: Floats
    typical: Floats
    closed: Bools
    used: Bools
    emptied: Bools
    optimum: Optimum

    @property
    def boundless(self) -> Ints:
        """Streams whose mass has left all scale, since no reading sets it an upper limit."""
        solids = self.plan.model.columns(0)
        return np.flatnonzero(self.x[solids] > RUNAWAY * self.typical[solids])


def fixed_rows(plan: Plan, values: Floats, chosen: Bools) -> tuple[sp.csr_array, Floats]:
    """Give the fixed readings among ``chosen`` as linear rows ``(n - y d)·x = y c``."""
    ratios = plan.ratios.keep(chosen)
    y = values[chosen]
    return ratios.jacobian(y, np.ones(len(y))), y * ratios.constant


def _floor(plan: Plan, values: Floats, throughput: Floats) -> Floats:
    """Give the amount below which a divisor would lose its meaning, shape (n,)."""
    floor = ZERO_STREAM * throughput
    masses = plan.ratios.constant > 0
    columns = plan.ratios.indices[plan.ratios.indptr[:-1][masses]]
    read = ZERO_READING * values[masses]
    floor[columns] = np.where(read > 0, np.minimum(floor[columns], read), floor[columns])
    return floor


def _held(plan: Plan, closed: Bools) -> Held:
    nothing = np.zeros(plan.model.size, dtype=bool)
    rows = np.zeros(plan.model.within.shape[0], dtype=bool)
    return Held(nothing, rows, plan.solver_pins(closed), closed)


def _emptied(plan: Plan, problem: Problem, optimum: Optimum) -> Bools:
    """Streams whose mass ended at the small amount that keeps their assays meaningful."""
    solids = plan.model.columns(0)
    return np.asarray(optimum.held.lower[solids] & (problem.lower[solids] > 0))


@dataclass(frozen=True)
class _Case:
    """One set of values on its plan, with the guess that scales it."""

    plan: Plan
    values: Floats
    sds: Floats
    first: Guess
    options: Options
    budget: Budget

    def problem(self, closed: Bools) -> Problem:
        """Give the statement: balances, then fixed readings, then gauges, as equalities."""
        plan, model = self.plan, self.plan.model
        kept = plan.meaningful(closed)
        used = kept & ~plan.fixed
        rows, target = fixed_rows(plan, self.values, kept & plan.fixed)
        assayed = plan.ratios.keep(kept)
        divides = np.zeros(model.size, dtype=bool)
        divides[assayed.indices[assayed.below != 0]] = True
        floor = _floor(plan, self.values, self.first.throughput)
        still = np.zeros(model.conservation.shape[0])
        return Problem(
            sp.csr_array(sp.vstack((model.conservation, rows, plan.gauge_rows))),
            np.concatenate((still, target, self.first.point[plan.gauges])),
            plan.ratios.keep(used),
            self.values[used],
            self.sds[used],
            np.where(divides & ~closed, floor, 0.0),
            model.within,
            model.places,
        )

    def feasible(self, at: Floats, closed: Bools) -> tuple[Floats, Bools]:
        """
        Give a point near ``at`` (n,) that meets everything exact, and which unknowns are zero.

        Where fixed values or ``closed`` unknowns leave a divisor no room, it is closed as well.

        Raises
        ------
        Contradiction
        """
        scale = self.first.point
        problem = self.problem(closed)
        try:
            return scale * feasible(problem.scaled(scale), at / scale, closed), closed
        except Contradiction:
            dividing = np.flatnonzero(problem.lower > 0)
            empty = forced_zero(problem.scaled(scale), dividing, closed)
            if not empty.any():
                raise
        closed = closed.copy()
        for column in dividing[empty]:
            closed[column : column + self.plan.model.kinds] = True
        at = np.where(closed, 0.0, at) / scale
        return scale * feasible(self.problem(closed).scaled(scale), at, closed), closed

    def attempt(
        self, at: Floats, empty: Bools, *, passes: bool
    ) -> tuple[Solution | None, StartError | np.linalg.LinAlgError | None]:
        """Go down from near ``at`` with ``empty`` streams closed; or say what prevented it."""
        try:
            start, closed = at, empty
            if self.plan.fixed.any():
                start, closed = self.feasible(np.where(empty, 0.0, at), empty)
            if passes:
                start = self.passes(start, closed)
            return self.descend(start, closed), None
        except (StartError, np.linalg.LinAlgError) as error:
            return None, error

    def passes(self, x: Floats, closed: Bools) -> Floats:
        """Improve a feasible point by the linear passes."""
        scaled = self.problem(closed).scaled(self.first.point)
        factory = factory_of(scaled, self.budget)
        held = _held(self.plan, closed)
        return self.first.point * linear_passes(
            scaled, factory, x / self.first.point, held, self.budget
        )

    def descend(self, x: Floats, closed: Bools) -> Solution:
        """Go down to an optimum, closing streams whose mass vanishes on the way."""
        plan, kinds = self.plan, self.plan.model.kinds
        begun, done = closed, 0
        while True:
            problem = self.problem(closed)
            x = np.maximum(x, np.where(closed, 0.0, problem.lower))
            scale = np.maximum(np.abs(x), SMALLEST_SCALE * _throughput(plan, x, self.first))
            scaled = problem.scaled(scale)
            most = min(RESCALE_AFTER, self.options.max_iterations - done)
            optimum = minimise(
                scaled,
                factory_of(scaled, self.budget),
                x / scale,
                _held(plan, closed),
                most,
                self.budget,
            )
            x, done = optimum.x * scale, done + max(optimum.iterations, 1)
            if not optimum.converged and done < self.options.max_iterations:
                continue
            newly = _emptied(plan, problem, optimum)
            if not optimum.converged or not newly.any():
                break
            empty = np.repeat(newly, kinds)
            try:
                x, closed = self.feasible(np.where(empty, 0.0, x), closed | empty)
            except Contradiction as contradiction:
                # The fixed values agree with one another, as the start showed; they do not agree
                # with an empty stream, so this start leads nowhere.
                raise StartError("fixed values keep a vanishing stream running") from contradiction
        return Solution(
            plan=plan,
            values=self.values,
            sds=self.sds,
            x=x,
            scale=scale,
            throughput=_throughput(plan, x, self.first),
            typical=self.first.throughput,
            closed=closed,
            used=plan.meaningful(closed) & ~plan.fixed,
            emptied=(closed & ~begun).reshape(-1, kinds)[:, 0],
            optimum=replace(optimum, iterations=done),
        )


def _fixed_empty(plan: Plan, values: Floats) -> Bools:
    """Unknowns of the streams whose mass is fixed at zero, shape (n,)."""
    streams = plan.model.flowsheet.stream_index
    empty = np.zeros((plan.model.streams, plan.model.kinds), dtype=bool)
    for (name, of), fixed, value in zip(plan.keys, plan.fixed, values, strict=True):
        if of == SOLIDS and fixed and value == 0:
            empty[streams[name]] = True
    return empty.ravel()


def _better(one: Solution | None, other: Solution | None) -> Solution | None:
    """Give the converged one, or the one with the lower objective; the first where they agree."""
    if one is None or other is None:
        return one or other
    if one.optimum.converged != other.optimum.converged:
        return one if one.optimum.converged else other
    gap = one.optimum.objective - other.optimum.objective
    return other if gap > SAME_OBJECTIVE * (1 + other.optimum.objective) else one


def _is_plain(solution: Solution) -> bool:
    """Say whether nothing hints at a second optimum: masses read, no bound at work, quick."""
    binding = solution.optimum.binding
    return (
        solution.optimum.converged
        and solution.optimum.iterations <= PLAIN_STEPS
        and not len(solution.plan.gauges)
        and not solution.emptied.any()
        and not binding.lower.any()
        and not binding.within.any()
    )


def solve(plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget) -> Solution:
    """
    Reconcile one set of values.

    ``values`` and ``sds`` (m,), in the order of the plan's keys; ``sds`` is zero exactly where the
    plan says fixed.  The objective is not convex: where bounds are at work, convergence was slow or
    nothing was weighed, the cases in which further optima were met, several starts are tried and
    the best is kept.

    Raises
    ------
    Contradiction
        if the fixed values cannot all be true.
    StartError, numpy.linalg.LinAlgError
        if no start could be computed.
    OverBudget
    """
    case = _Case(plan, values, sds, guess(plan, values), options, budget)
    empty = _fixed_empty(plan, values)
    best, trouble = case.attempt(case.first.point, empty, passes=True)
    if best is not None and _is_plain(best):
        return best
    for at, passes in _further_starts(case):
        other, _ = case.attempt(at, empty, passes=passes)
        best = _better(best, other)
    if best is None:
        raise trouble or StartError("no start led anywhere")
    return best


def _further_starts(case: _Case) -> Iterator[tuple[Floats, bool]]:
    """Give further points to start from, each with or without the linear passes."""
    plan = case.plan
    if not is_small(plan.model.conservation) and not len(plan.gauges):
        return
    yield case.first.point, False
    shares = [np.ones(plan.model.streams)]
    if len(plan.gauges):
        random = np.random.default_rng(_START_SEED)
        shares += [random.uniform(0.2, 1.0, plan.model.streams) for _ in range(FURTHER_STARTS)]
    for share in shares:
        at = resplit(plan, case.first, share)
        yield at, True
        yield at, False


def _throughput(plan: Plan, x: Floats, first: Guess) -> Floats:
    """Give the feed of each unknown's quantity in its part of the flowsheet, shape (n,)."""
    model = plan.model
    by_stream = x.reshape(model.streams, model.kinds)
    result = np.zeros_like(by_stream)
    for part in np.unique(model.part_of):
        here = model.part_of == part
        result[here] = by_stream[here & model.entries].sum(axis=0)
    typical = first.throughput.reshape(result.shape)
    return np.where(result > SMALLEST_SCALE * typical, result, typical).ravel()
