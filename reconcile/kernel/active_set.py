"""
Inner problem with bounds: which constraints hold is part of the optimisation.

Wholesale changes first (primal-dual active set: Hintermüller, Ito and Kunisch 2002, algorithm 1),
which settles in a few rounds; while these bring no progress, only the change of highest position
(block principal pivoting: Júdice and Pires 1994); and where the set chosen leaves the balances no
solution, one constraint at a time from a feasible point (primal active set: Nocedal and Wright
2006, algorithm 16.3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from .limits import (
    ACTIVE_SET_ROUNDS,
    BLOCK_PATIENCE,
    BOUND_TOLERANCE,
    MULTIPLIER_FLOOR,
    MULTIPLIER_RELATIVE,
    SINGLE_ROUNDS,
)

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .budget import Budget
    from .dense import Step
    from .problem import Bools, Floats, Ints, Problem


@dataclass(frozen=True)
class Held:
    """
    What is held: ``lower`` (n,) at the lower bound, ``within`` (g,) rows at zero, ``pinned`` (n,)
    undetermined unknowns at their present value, ``closed`` (n,) unknowns that are zero for good.
    """

    lower: Bools
    within: Bools
    pinned: Bools
    closed: Bools

    @property
    def free(self) -> Bools:
        """Unknowns that may move, shape (n,)."""
        return ~(self.lower | self.pinned | self.closed)

    @property
    def key(self) -> bytes:
        """Identity of the set."""
        return np.packbits(
            np.concatenate((self.lower, self.within, self.pinned, self.closed))
        ).tobytes()


class Factor(Protocol):
    """What the inner problem needs of a factorisation."""

    def solve(self, gradient: Floats, shortfall: Floats, held_move: Floats) -> Step:
        """Solve for the step."""
        ...

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional."""
        ...


class Factory(Protocol):
    """Makes the factor of the inner problem for what is held and the readings' rows."""

    def __call__(self, held: Held, jacobian: sp.csr_array) -> Factor:
        """Factor."""
        ...


@dataclass(frozen=True)
class Inner:
    """The inner problem at ``x``: gradient (n,) and weighted rows whose square is the Hessian."""

    problem: Problem
    factory: Factory
    x: Floats
    gradient: Floats
    jacobian: sp.csr_array
    budget: Budget

    def step(self, held: Held, start: Floats) -> tuple[Step, Factor]:
        """Give the step from ``start`` for a given set of held constraints, and its factor."""
        problem = self.problem
        factor = self.factory(held, self.jacobian)
        shortfall = problem.target - problem.equalities @ start
        slack = problem.within[np.flatnonzero(held.within)] @ start
        move = np.where(held.lower, problem.lower - start, 0.0)
        move = np.where(held.closed, -start, move)
        offset = start - self.x
        gradient = self.gradient + self.jacobian.T @ (self.jacobian @ offset)
        return factor.solve(gradient, np.concatenate((shortfall, -slack)), move), factor


@dataclass(frozen=True)
class Solved:
    """``move`` (n,) from the start, the set that holds, and the step and factor it came from."""

    move: Floats
    held: Held
    step: Step
    factor: Factor


def _tolerance(inner: Inner, step: Step) -> Floats:
    terms = abs(inner.problem.equalities).T @ np.abs(step.multipliers[: len(inner.problem.target)])
    return np.asarray(
        MULTIPLIER_FLOOR + MULTIPLIER_RELATIVE * (np.abs(inner.gradient) + terms)
    )


def _revised(inner: Inner, held: Held, step: Step, reached: Floats) -> Held:
    """Give the set suggested by the bounds broken at ``reached`` and the multipliers' signs."""
    problem = inner.problem
    tolerance = _tolerance(inner, step)
    lower = np.where(
        held.lower,
        step.costs >= -tolerance,
        (reached < problem.lower - BOUND_TOLERANCE) & ~held.closed,
    )
    within = problem.within @ reached < -BOUND_TOLERANCE
    shadow = step.multipliers[len(problem.target) :]
    within[held.within] = shadow >= -MULTIPLIER_FLOOR - MULTIPLIER_RELATIVE * np.abs(shadow).max(
        initial=0.0
    )
    pinned = held.pinned & (np.abs(step.costs) <= tolerance) & ~lower
    return Held(lower.astype(bool), within, pinned, held.closed)


def _changed(held: Held, revised: Held) -> Ints:
    """Positions at which two sets differ, bounds first, then rows, then pins."""
    return np.flatnonzero(
        np.concatenate(
            (
                held.lower != revised.lower,
                held.within != revised.within,
                held.pinned != revised.pinned,
            )
        )
    )


def _one_change(held: Held, revised: Held, position: int) -> Held:
    """Give ``held`` with only the change at ``position`` taken over."""
    n, rows = len(held.lower), len(held.within)
    lower, within, pinned = held.lower.copy(), held.within.copy(), held.pinned.copy()
    if position < n:
        lower[position] = revised.lower[position]
        pinned[position] = revised.pinned[position]
    elif position < n + rows:
        within[position - n] = revised.within[position - n]
    else:
        pinned[position - n - rows] = revised.pinned[position - n - rows]
    return Held(lower, within, pinned, held.closed)


def _wholesale(inner: Inner, held: Held) -> Solved | None:
    fewest, patience = len(held.lower) + len(held.within) + 1, BLOCK_PATIENCE
    for _ in range(ACTIVE_SET_ROUNDS):
        inner.budget.check()
        step, factor = inner.step(held, inner.x)
        reached = inner.x + step.move
        revised = _revised(inner, held, step, reached)
        changed = _changed(held, revised)
        if not len(changed):
            unmet = inner.problem.equalities @ reached - inner.problem.target
            if np.abs(unmet).max(initial=0.0) > np.sqrt(BOUND_TOLERANCE):
                return None
            return Solved(step.move, held, step, factor)
        if len(changed) < fewest:
            fewest, patience = len(changed), BLOCK_PATIENCE
        else:
            patience -= 1
        held = revised if patience >= 0 else _one_change(held, revised, int(changed[-1]))
    return None


def _longest(slack: Floats, rate: Floats, candidate: Bools) -> tuple[float, int]:
    """Give how far a move may go before the first candidate slack is used up, and which."""
    falling = candidate & (rate < 0)
    if not falling.any():
        return np.inf, -1
    room = np.full(len(slack), np.inf)
    room[falling] = np.maximum(slack[falling], 0.0) / -rate[falling]
    first = int(np.argmin(room))
    return float(room[first]), first


def _worst(inner: Inner, held: Held, step: Step) -> Held | None:
    """Give the set without its most wrongly held constraint, ``None`` if all hold rightly."""
    tolerance = _tolerance(inner, step)
    costs = np.where(held.lower, step.costs + tolerance, 0.0)
    loose = np.where(held.pinned, np.abs(step.costs) - tolerance, 0.0)
    shadow = np.zeros(len(held.within))
    shadow[held.within] = step.multipliers[len(inner.problem.target) :] + MULTIPLIER_FLOOR
    worst = min(costs.min(initial=0.0), shadow.min(initial=0.0), -loose.max(initial=0.0))
    if worst >= 0:
        return None
    if worst == costs.min(initial=0.0):
        lower = held.lower.copy()
        lower[int(np.argmin(costs))] = False
        return replace(held, lower=lower)
    if worst == shadow.min(initial=0.0):
        within = held.within.copy()
        within[int(np.argmin(shadow))] = False
        return replace(held, within=within)
    pinned = held.pinned.copy()
    pinned[int(np.argmax(loose))] = False
    return replace(held, pinned=pinned)


def _one_at_a_time(inner: Inner, held: Held) -> Solved:
    problem = inner.problem
    point = inner.x.copy()
    held = replace(
        held,
        lower=held.lower & (point <= problem.lower + BOUND_TOLERANCE),
        within=held.within & (problem.within @ point <= BOUND_TOLERANCE),
    )
    for _ in range(50 + SINGLE_ROUNDS * (problem.size + len(held.within))):
        inner.budget.check()
        step, factor = inner.step(held, point)
        slack = problem.within @ point
        far_lower, j = _longest(point - problem.lower, step.move, held.free)
        far_within, k = _longest(slack, problem.within @ step.move, ~held.within)
        share = min(1.0, far_lower, far_within)
        point = point + share * step.move
        if share < 1.0:
            if far_lower <= far_within:
                lower = held.lower.copy()
                lower[j] = True
                held = replace(held, lower=lower)
            else:
                within = held.within.copy()
                within[k] = True
                held = replace(held, within=within)
            continue
        revised = _worst(inner, held, step)
        if revised is None:
            break
        held = revised
    return Solved(point - inner.x, held, step, factor)


def solve_inner(inner: Inner, held: Held) -> Solved:
    """
    Solve the inner problem from a feasible ``inner.x``, starting from a guess of what holds.

    Raises
    ------
    OverBudget
        from the budget, when its time is up.
    """
    return _wholesale(inner, held) or _one_at_a_time(inner, held)


def inside(problem: Problem, x: Floats) -> bool:
    """Say whether a point keeps every bound."""
    low = np.all(x >= problem.lower - BOUND_TOLERANCE)
    return bool(low and np.all(problem.within @ x >= -BOUND_TOLERANCE))


def binding_part(inner: Inner, solved: Solved) -> Held:
    """Give the part of the held set whose multipliers push back beyond rounding."""
    step, held = solved.step, solved.held
    within = held.within.copy()
    within[held.within] = step.multipliers[len(inner.problem.target) :] > MULTIPLIER_FLOOR
    lower = held.lower & (step.costs > _tolerance(inner, step))
    return replace(held, lower=lower, within=within)
