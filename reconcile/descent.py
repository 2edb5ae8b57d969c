"""
Down from one start to an optimum, for one set of values on its plan.

The compiled road is tried first; the general one takes what that does not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .flowsheet import SOLIDS, WATER, Part
from .kernel import lanes
from .kernel.active_set import Held
from .kernel.budget import Budget
from .kernel.factory import factory_of
from .kernel.lane_readings import Given
from .kernel.lane_system import open_bounds
from .kernel.limits import (
    LANE_STEPS,
    ORDER_ROUNDS,
    ORDER_SD,
    ORDER_TOLERANCE,
    RESCALE_AFTER,
    SECOND_ROUNDS,
    SET_ROUNDS,
    SMALLEST_BESIDE_GUESS,
    SMALLEST_FREE_SCALE,
    SMALLEST_SCALE,
    SURELY_THERE,
    TIED_PULP,
    ZERO_READING,
    ZERO_STREAM,
)
from .kernel.losses import Loss, Losses
from .kernel.newton import Optimum, minimise
from .kernel.problem import Problem
from .options import Options
from .solution import Solution, fixed_rows, residuals
from .start import (
    Contradiction,
    Guess,
    StartError,
    feasible,
    forced_zero,
    guess,
    linear_passes,
)

if TYPE_CHECKING:
    from .kernel.problem import Bools, Floats, Ints
    from .plan import Plan


def _floor(plan: Plan, values: Floats, nearby: Floats) -> Floats:
    """Give the amount below which a divisor would lose its meaning, shape (n,)."""
    floor = ZERO_STREAM * nearby
    reading, column = plan.amounts
    read = ZERO_READING * values[reading]
    floor[column] = np.where(read > 0, np.minimum(floor[column], read), floor[column])
    return floor


def _held(plan: Plan, closed: Bools) -> Held:
    nothing = np.zeros(plan.model.size, dtype=bool)
    rows = np.zeros(plan.model.within_rows.height, dtype=bool)
    return Held(nothing, rows, plan.solver_pins(closed), closed)


def _emptied(problem: Problem, optimum: Optimum) -> Bools:
    """Unknowns that ended at the small amount that keeps assays over them meaningful, (n,)."""
    return np.asarray(optimum.held.lower & (problem.lower > 0))


@dataclass(frozen=True)
class Case:
    """One set of values on its plan, with the guess that scales it."""

    plan: Plan
    values: Floats
    sds: Floats
    losses: Losses
    first: Guess
    options: Options
    budget: Budget

    def with_loss(self, loss: Loss) -> Case:
        """Give the same case with squares replaced; what is known beforehand keeps them."""
        readings = np.arange(len(self.values)) < len(self.plan.keys)
        kind = np.where(readings, self.losses.robust(loss).kind, self.losses.kind)
        return replace(self, losses=Losses(kind))

    def problem(self, closed: Bools) -> Problem:
        """Give the statement: balances, then fixed readings, then gauges, as equalities."""
        plan, model = self.plan, self.plan.model
        kept = plan.meaningful(closed)
        used = kept & ~plan.fixed
        rows, target = fixed_rows(plan, self.values, kept & plan.fixed)
        still = np.zeros(model.exact.shape[0])
        return Problem(
            sp.csr_array(sp.vstack((model.exact, rows, plan.gauge_rows))),
            np.concatenate((still, target, self.first.point[plan.gauges])),
            plan.ratios.keep(used),
            self.values[used],
            self.sds[used],
            self._floors(closed),
            model.within,
            model.places,
            self.losses.keep(used),
        )

    def feasible(self, at: Floats, closed: Bools) -> tuple[Floats, Bools]:
        """
        Give a point near ``at`` (n,) that meets everything exact, and which unknowns are zero.

        Where fixed values or ``closed`` unknowns leave a divisor no room, it is closed as well.

        Raises
        ------
        Contradiction
        """
        scale = self.first.scale
        problem = self.problem(closed)
        try:
            return scale * feasible(problem.scaled(scale), at / scale, closed), closed
        except Contradiction:
            dividing = np.flatnonzero(problem.lower > 0)
            empty = forced_zero(problem.scaled(scale), dividing, closed)
            if not empty.any() or self.runs(dividing[empty]):
                raise
        vanished = np.zeros_like(closed)
        vanished[dividing[empty]] = True
        closed = closed | self.plan.model.emptied(vanished)
        at = np.where(closed, 0.0, at) / scale
        return scale * feasible(self.problem(closed).scaled(scale), at, closed), closed

    def runs(self, columns: Ints) -> bool:
        """Say whether any of these amounts was read, and read as surely above zero."""
        reading, column = self.plan.amounts
        sure = self.values[reading] > SURELY_THERE * self.sds[reading]
        return bool(np.isin(column[sure], columns).any())

    def attempt(
        self,
        at: Floats,
        empty: Bools,
        *,
        passes: bool,
        second: bool = False,
        met: list[Floats] | None = None,
    ) -> tuple[Solution | None, StartError | np.linalg.LinAlgError | None]:
        """
        Go down from near ``at`` with ``empty`` streams closed; or say what prevented it.

        A ``second`` opinion is worth the general road only on a small flowsheet, and where the
        compiled road went down all the way without an end: it may be that there is none.  It is
        not worth a long search for the bounds either, nor the way to an optimum in ``met`` already
        (see :meth:`swift`), of which nothing is given.
        """
        try:
            small = self.plan.model.is_small
            rounds = SECOND_ROUNDS if second else SET_ROUNDS
            found, start = self.swift(at, empty, passes=passes, rounds=rounds, met=met)
            endless = start is not at and small
            if found is not None or (second and self.plan.layout is not None and not endless):
                return found, None
            closed, passes = empty, passes and start is at
            if self.plan.fixed.any():
                start, closed = self.feasible(np.where(empty, 0.0, at), empty)
            # What the compiled road could not end counts as slow, wherever the other takes it up.
            done = 0 if start is at else LANE_STEPS
            if passes:
                start = self.passes(start, closed)
            return self.descend(start, closed, done), None
        except (StartError, np.linalg.LinAlgError) as error:
            return None, error

    def swift(
        self,
        at: Floats,
        closed: Bools,
        *,
        passes: bool,
        rounds: int = SET_ROUNDS,
        met: list[Floats] | None = None,
    ) -> tuple[Solution | None, Floats]:
        """
        Go down on the compiled road, or give ``None`` where the general road must be taken.

        It is taken where the values enter the equalities, and where the compiled iteration did not
        settle.  A stream that empties on the way is closed, and the rest goes on from there.  Where
        only the steps ran out the general road may go on from the point given, ``at`` otherwise.

        ``met`` has the optima (n,) that descents with just these ``closed`` came to, and takes this
        one's; on the way to one of them a descent is given up.
        """
        plan, model, begun = self.plan, self.plan.model, at
        if plan.layout is None:
            return None, begun
        gone, forgone, done, keys = np.zeros_like(closed), 0.0, 0, len(plan.keys)
        own = self.values[None, :keys], self.sds[None, :keys]
        seen = [self.seen(other, closed) for other in met or ()]
        known = np.reshape(seen, (len(seen), plan.ratios.count, 1))
        while done <= self.options.max_iterations:
            given, x = self.side_by_side(*own, np.where(closed, 0.0, at), closed)
            bounds = open_bounds(plan.layout)
            self.budget.check()
            state, steps, decrement, objective = lanes.descend(
                plan.layout, given, x, bounds, passes, rounds, known, 0
            )
            self.budget.check()
            if state[0] != lanes.CONVERGED:
                # One that was damped to the last is lost rather than slow.
                slow = state[0] == lanes.STEPS and np.isfinite(decrement[0])
                usable = slow and not gone.any() and self.close(x)[0]
                return None, x[:, 0] if usable else begun
            at, passes, done = x[:, 0], False, done + max(int(steps[0]), 1)
            if met is not None and not gone.any():
                met.append(at)
            known = known[:0]
            # One at its floor that nothing presses to it is undetermined, not zero.
            newly = bounds.pushing[:, 0] & (given.floor[:, 0] > 0)
            if not newly.any():
                break
            newly = model.with_wholes(newly, closed)
            gone |= newly
            emptier = closed | model.emptied(newly | self.drained(at, newly))
            forgone += self.forgone(at, closed, emptier)
            closed = emptier
        else:
            return None, begun
        if not self.close(x)[0]:
            return None, begun
        held = Held(bounds.lower[:, 0], bounds.within[:, 0], np.zeros_like(closed), closed)
        optimum = Optimum(
            at,
            held,
            True,
            float(decrement[0]),
            done,
            float(objective[0]),
            replace(held, lower=bounds.pushing[:, 0], within=bounds.pressing[:, 0]),
        )
        flows = _throughput(self.plan, at, self.first)
        found = self._solution(at, self._scale(at, flows), flows, closed, optimum)
        return (replace(found, emptied=gone, forgone=forgone) if gone.any() else found), at

    def seen(self, x: Floats, closed: Bools) -> Floats:
        """Give every row's residual at ``x`` in its sds, zero where it has no meaning, (m,)."""
        counts = self.plan.meaningful(closed)
        return np.where(counts, residuals(self.plan, self.values, self.sds, x), 0.0)

    def forgone(self, x: Floats, closed: Bools, emptier: Bools) -> float:
        """Give what the readings cost at ``x`` that lose their meaning as more unknowns close."""
        plan = self.plan
        lost = plan.meaningful(closed) & ~plan.meaningful(emptier) & ~plan.fixed
        here = residuals(plan, self.values, self.sds, x)[lost]
        return float(self.losses.keep(lost).of(here).objective)

    def side_by_side(
        self, values: Floats, sds: Floats, at: Floats, closed: Bools
    ) -> tuple[Given, Floats]:
        """
        Lay out sets of values (lanes, readings) for the compiled road, starting near ``at`` (n,).

        Gives the values and the point, each with a lane for each set.
        """
        plan, count = self.plan, len(values)

        def every(column: Floats) -> Floats:
            return np.repeat(column[:, None], count, axis=1)

        before, spread = self.before
        every_sd = np.vstack((sds.T, every(spread)))
        wide = np.where(plan.meaningful(closed)[:, None], every_sd, np.inf)
        given = Given(
            np.ascontiguousarray(np.vstack((values.T, every(before)))),
            wide,
            every(self._target),
            every(self._floors(closed)),
            every(self.first.scale),
            np.repeat(closed[:, None], count, axis=1),
            np.repeat(plan.solver_pins(closed)[:, None], count, axis=1),
            plan.steady(closed),
            np.asarray(np.isinf(wide).any(axis=1)),
        )
        return given, every(np.where(closed, 0.0, at))

    @property
    def before(self) -> tuple[Floats, Floats]:
        """Values and sds of what is known beforehand and of the orders, behind the readings."""
        keys = len(self.plan.keys)
        return self.values[keys:], self.sds[keys:]

    def close(self, x: Floats) -> Bools:
        """Say of each lane of (n, lanes) whether every balance closes well, (lanes,)."""
        return self.plan.model.closes(x, SMALLEST_SCALE * self.first.throughput)

    @property
    def _target(self) -> Floats:
        """Right-hand sides of balances and gauges; there are no fixed readings on this road."""
        plan = self.plan
        still = np.zeros(plan.model.exact_rows.height)
        return np.concatenate((still, self.first.point[plan.gauges]))

    def _floors(self, closed: Bools) -> Floats:
        """Give the lower bounds: above zero for what divides, none for what may be negative."""
        plan = self.plan
        floor = _floor(plan, self.values, self.first.nearby)
        floor = np.where(plan.dividing(closed), floor, 0.0)
        return np.where(plan.model.free, -np.inf, floor)

    def scale(self, x: Floats) -> Floats:
        """
        Give each unknown's own size: that of the common ones is what is known of them.

        An unknown at zero takes its size from the guess, or its multiplier, which is per unit of
        size, would drown in rounding.
        """
        return self._scale(x, _throughput(self.plan, x, self.first))

    def _scale(self, x: Floats, flows: Floats) -> Floats:
        """Give the same from what enters of each unknown's quantity, (n,)."""
        model = self.plan.model
        least = np.where(model.free, SMALLEST_FREE_SCALE, SMALLEST_SCALE) * flows
        least[model.amounts :] = self.first.scale[model.amounts :]
        beside = np.maximum(least, SMALLEST_BESIDE_GUESS * self.first.scale)
        return np.where(np.abs(x) > least, np.abs(x), beside)

    def passes(self, x: Floats, closed: Bools) -> Floats:
        """Improve a feasible point by the linear passes."""
        scale = self.first.scale
        scaled = self.problem(closed).scaled(scale)
        factory = factory_of(scaled, self.budget)
        held = _held(self.plan, closed)
        return scale * linear_passes(scaled, factory, x / scale, held, self.budget)

    def descend(self, x: Floats, closed: Bools, done: int = 0) -> Solution:
        """
        Go down to an optimum, with so many steps ``done`` on the way to ``x`` already.

        Orders that it breaks are then enforced by their multipliers.
        """
        case, found = self, self.settled(x, closed, done)
        orders = np.flatnonzero(self.losses.kind == Loss.AT_LEAST)
        for _ in range(ORDER_ROUNDS if len(orders) else 0):
            short = case.values[orders] - self.plan.ratios.numerators(found.x)[orders]
            shift = np.maximum(short, 0.0)
            moved = np.abs(shift - case.values[orders]) > ORDER_TOLERANCE * case.sds[orders]
            if not found.optimum.converged or not moved.any():
                break
            values = case.values.copy()
            values[orders] = shift
            case = replace(case, values=values)
            found = case.settled(found.x, found.closed, found.optimum.iterations)
        return found

    def settled(self, x: Floats, closed: Bools, done: int = 0) -> Solution:
        """Go down to an optimum, closing streams whose mass vanishes on the way."""
        plan, model = self.plan, self.plan.model
        begun, gone, forgone = done, np.zeros_like(closed), 0.0
        while True:
            problem = self.problem(closed)
            x = np.maximum(x, np.where(closed, 0.0, problem.lower))
            scale = self.scale(x)
            scaled = problem.scaled(scale)
            most = min(RESCALE_AFTER, self.options.max_iterations - (done - begun))
            optimum = minimise(
                scaled,
                factory_of(scaled, self.budget),
                x / scale,
                _held(plan, closed),
                most,
                self.budget,
            )
            x, done = optimum.x * scale, done + max(optimum.iterations, 1)
            if not optimum.converged and done - begun < self.options.max_iterations:
                continue
            newly = _emptied(problem, optimum)
            if not optimum.converged or not newly.any():
                break
            newly = model.with_wholes(newly, closed)
            gone |= newly
            empty = model.emptied(newly | self.drained(x, newly))
            forgone += self.forgone(x, closed, closed | empty)
            try:
                x, closed = self.feasible(np.where(empty, 0.0, x), closed | empty)
            except Contradiction as contradiction:
                # The fixed values agree with one another, as the start showed; they do not agree
                # with an empty stream, so this start leads nowhere.
                raise StartError("fixed values keep a vanishing stream running") from contradiction
        objective = self.objective(x, optimum)
        optimum = replace(optimum, iterations=done, objective=objective)
        flows = _throughput(plan, x, self.first)
        found = self._solution(x, scale, flows, closed, optimum)
        return replace(found, emptied=gone, forgone=forgone)

    def _solution(
        self, x: Floats, scale: Floats, flows: Floats, closed: Bools, optimum: Optimum
    ) -> Solution:
        plan = self.plan
        return Solution(
            plan=plan,
            values=self.values,
            sds=self.sds,
            losses=self.losses,
            x=x,
            scale=scale,
            throughput=flows,
            typical=self.first.throughput,
            closed=closed,
            used=plan.meaningful(closed) & ~plan.fixed,
            emptied=np.zeros_like(closed),
            optimum=optimum,
        )

    def drained(self, x: Floats, newly: Bools) -> Bools:
        """Give the water that vanishes with solids that do: a pulp, not a trace in a water pipe."""
        model = self.plan.model
        result = np.zeros_like(newly)
        if model.flowsheet.water:
            water = model.columns(model.flowsheet.quantity_index[WATER])
            dry = model.columns(0)
            result[water] = newly[dry] & (x[water] < TIED_PULP * x[dry])
        return result

    def objective(self, x: Floats, optimum: Optimum) -> float:
        """Give the objective without what holds the orders."""
        orders = np.flatnonzero(self.losses.kind == Loss.AT_LEAST)
        if not len(orders):
            return optimum.objective
        residual = (self.plan.ratios.numerators(x) - self.values)[orders] / self.sds[orders]
        return (
            optimum.objective
            - self.losses.keep(self.losses.kind == Loss.AT_LEAST).of(residual).objective
        )


def starting_set(case: Case) -> Bools:
    """
    Give the unknowns that are zero from the start, (n,).

    Streams whose mass, and size classes whose share, is fixed at zero, with all that is in them;
    and what no stream holds.
    """
    plan, values = case.plan, case.values
    model = plan.model
    if not plan.fixed.any():
        return model.absent
    at = model.flowsheet.quantity_index
    empty = np.zeros(model.size, dtype=bool)
    for i in np.flatnonzero(plan.fixed[: len(plan.keys)] & (values[: len(plan.keys)] == 0)):
        key = plan.keys[i]
        nothing = [at[q] for q, _ in key.of.above if q == SOLIDS or isinstance(q, Part)]
        if len(nothing) == len(key.of.above):
            rows = [model.flowsheet.stream_index[name] for name in key.streams]
            empty[[model.column(row, q) for row in rows for q in nothing]] = True
    return model.emptied(empty) | model.absent


def _throughput(plan: Plan, x: Floats, first: Guess) -> Floats:
    """Give what enters of each unknown's quantity in its part of the flowsheet, shape (n,)."""
    model = plan.model
    entering = model.entering(model.by_stream(x))
    typical = model.by_stream(first.throughput)
    flows = np.where(entering > SMALLEST_SCALE * typical, entering, typical)
    return model.wide(flows, first.throughput[model.amounts :])


def _complete(plan: Plan, values: Floats, sds: Floats, first: Guess) -> tuple[Floats, Floats]:
    """Give values and sds of all rows: the readings', those of common unknowns, the orders'."""
    model = plan.model
    common = model.common
    sizes = np.zeros(len(model.flowsheet.orders))
    solids_of = model.by_stream(first.scale)[:, 0]
    for i, order in enumerate(model.flowsheet.orders):
        rich, poor = (model.flowsheet.stream_index[s] for s in (order.richer, order.than))
        part = model.flowsheet.quantity_index[order.component]
        grade = model.by_stream(first.throughput)[rich, [part, 0]]
        sizes[i] = ORDER_SD * min(grade[0] / grade[1], 1.0) * solids_of[rich] * solids_of[poor]
    before = np.array([c.value for c in common]), np.array([c.sd for c in common])
    nothing = np.zeros(len(sizes))
    return np.concatenate((values, before[0], nothing)), np.concatenate((sds, before[1], sizes))


def case_of(plan: Plan, values: Floats, sds: Floats, options: Options, budget: Budget) -> Case:
    """Give one set of values (readings,) on its plan, with the guess that scales it."""
    first = guess(plan, values)
    every, spread = _complete(plan, values, sds, first)
    return Case(plan, every, spread, plan.losses, first, options, budget)
