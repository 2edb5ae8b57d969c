"""
Inner problem with bounds: which constraints hold is part of the optimisation.

Wholesale changes of the set first (primal-dual active set: Hintermüller, Ito and Kunisch 2002,
algorithm 1), which settle in a few rounds when few bounds are at work; an interior point method
where they do not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from .interior import interior_point
from .limits import (
    ACTIVE_SET_ROUNDS,
    BOUND_TOLERANCE,
    MULTIPLIER_FLOOR,
    MULTIPLIER_RELATIVE,
    POLISH_ROUNDS,
)

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .budget import Budget
    from .dense import Step
    from .problem import Bools, Floats, Ints, Problem


@dataclass(frozen=True)
class Held:
    """
    What is held.

    ``lower`` (n,) at the lower bound, ``within`` (g,) rows at zero, ``pinned`` (n,) undetermined
    unknowns at their present value, ``closed`` (n,) unknowns that are zero for good.
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

    def spread(self, rights: Floats) -> Floats:
        """Give the covariance times each right-hand side."""
        ...

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional."""
        ...

    def stiffness(self, rows: sp.csr_array) -> Floats:
        """Give how hard it is to leave each combination of equalities unmet."""
        ...

    def cross(self, left: sp.csr_array, right: sp.csr_array, partner: Ints) -> Floats:
        """Give the covariance of each functional with its partner."""
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
        if not (np.isfinite(self.gradient).all() and np.isfinite(self.jacobian.data).all()):
            raise np.linalg.LinAlgError("numbers beyond the range of the arithmetic")
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
    return np.asarray(MULTIPLIER_FLOOR + MULTIPLIER_RELATIVE * (np.abs(inner.gradient) + terms))


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


def _stuck(inner: Inner, held: Held, unmet: Bools) -> Bools:
    """Give the pinned unknowns that keep equalities (e,) from being met, (n,)."""
    if not (unmet.any() and held.pinned.any()):
        return np.zeros_like(held.pinned)
    touched = abs(inner.problem.equalities[np.flatnonzero(unmet)]).sum(axis=0) > 0
    return np.asarray(held.pinned & np.asarray(touched).ravel())


def _wholesale(inner: Inner, held: Held, start: Floats, rounds: int) -> Solved | None:
    """Change the whole set at once until it no longer changes, ``None`` if it goes on changing."""
    seen = set()
    for _ in range(rounds):
        inner.budget.check()
        seen.add(held.key)
        step, factor = inner.step(held, start)
        reached = start + step.move
        revised = _revised(inner, held, step, reached)
        if revised.key == held.key:
            unmet = inner.problem.equalities @ reached - inner.problem.target
            stuck = _stuck(inner, held, np.abs(unmet) > BOUND_TOLERANCE)
            if stuck.any():
                held = replace(held, pinned=held.pinned & ~stuck)
                continue
            if np.abs(unmet).max(initial=0.0) > np.sqrt(BOUND_TOLERANCE):
                return None
            return Solved(reached - inner.x, held, step, factor)
        if revised.key in seen:
            return None
        held = revised
    return None


def solve_inner(inner: Inner, held: Held) -> Solved:
    """
    Solve the inner problem, starting from a guess of what holds.

    Raises
    ------
    OverBudget
        from the budget, when its time is up.
    """
    solved = _wholesale(inner, held, inner.x, ACTIVE_SET_ROUNDS)
    if solved is not None:
        return solved
    point, found = interior_point(inner, held)
    solved = _wholesale(inner, found, point, POLISH_ROUNDS)
    if solved is not None:
        return solved
    # The bounds of undetermined unknowns may leave the set ambiguous; the end point is still a
    # solution of the inner problem, and the outer iteration goes on from it.  The step from there
    # takes up what the barrier has left of the balances, if the bounds let it.
    step, factor = inner.step(found, point)
    reached = point + step.move
    end = reached if inside(inner.problem, reached) else point
    return Solved(end - inner.x, found, step, factor)


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
