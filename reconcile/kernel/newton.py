"""
Outer iteration: successive quadratic programs on residuals that are ratios.

For a ratio ``h = n·x / d·x`` the Hessian of ``½ (h - y)²`` is exactly
``a aᵀ - (h - y)² d dᵀ / (d·x)²`` with ``a = (n - (2h - y) d) / (d·x)``: one positive and one
negative rank-one term, the latter of second order in the residual.  Keeping ``a aᵀ`` gives a
Hessian that is never indefinite, and steps whose error is of second order in the residual, where
Gauss-Newton's is of first.  With a loss ρ of weight w and slope ψ in the place of the square, and
an offset ``b·x`` beside the ratio r, the term kept is ``w a aᵀ`` with
``a = (N' - (r + ψ/w sd) d) / (d·x) + b``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from .active_set import Factory, Held, Inner, Solved, binding_part, inside, solve_inner
from .curvature import TrueHessian, exact_move, true_hessian
from .limits import (
    ARMIJO,
    EASING,
    KKT_STALLED,
    KKT_TOLERANCE,
    LEAST_CAUTION,
    LONGEST_STEP,
    MEASURABLE,
    SHORT_STEP,
    SHORTEST_STEP,
    SHRINK,
    SLOW_CONVERGENCE,
    SMALLEST_WEIGHT,
    STALL_ROUNDS,
)
from .rows import scale_rows

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .budget import Budget
    from .losses import Cost
    from .problem import Floats, Problem


@dataclass(frozen=True)
class Optimum:
    """
    Where the iteration ended.

    ``decrement`` is the remaining move in posterior standard deviations, the scaled KKT residual;
    ``iterations`` counts Newton steps; ``objective`` is ``Σ 2ρ``, the weighted sum of squares;
    ``binding`` marks the held bounds that push back.
    """

    x: Floats
    held: Held
    converged: bool
    decrement: float
    iterations: int
    objective: float
    binding: Held


def curved_rows(
    problem: Problem, x: Floats, ratio: Floats, below: Floats, cost: Cost
) -> sp.csr_array:
    """Give the rows ``√w_i a_i / sd_i`` of the module's docstring, shape (m, n)."""
    pull = cost.slope / np.maximum(cost.weight, SMALLEST_WEIGHT)
    weight = np.sqrt(cost.weight) / problem.sd
    return problem.ratios.derivative(x, ratio + pull * problem.sd, below, weight)


def straight_rows(problem: Problem, x: Floats, ratio: Floats, below: Floats) -> sp.csr_array:
    """Give the derivative of the weighted residuals, shape (m, n)."""
    return problem.ratios.derivative(x, ratio, below, 1 / problem.sd)


def _line_search(
    problem: Problem, x: Floats, move: Floats, objective: float, slope: float
) -> float:
    """Give the share of the move that delivers a fair part of the predicted decrease, or 0."""
    share = 1.0
    while share > SHORTEST_STEP:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            residual, _, below = problem.residuals(x + share * move)
            reached = 0.5 * problem.losses.of(residual).objective
        if np.all(below > 0) and reached <= objective + ARMIJO * share * slope:
            return share
        share *= 0.5
    return 0.0


def _stretched(problem: Problem, x: Floats, move: Floats, share: float) -> float:
    """
    Give a longer share of the move, doubled for as long as that still goes down inside the bounds.

    In a long bent valley each model is true for a short way only, and its steps all point alike.
    """
    if share < 1.0:
        return share
    best = problem.losses.of(problem.residuals(x + share * move)[0]).objective
    while share < LONGEST_STEP and inside(problem, x + 2 * share * move):
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            residual, _, below = problem.residuals(x + 2 * share * move)
            reached = problem.losses.of(residual).objective
        if not (np.all(below > 0) and reached < best):
            break
        share, best = 2 * share, reached
    return share


@dataclass
class _Progress:
    """How the decrements have gone: the last, the best, and steps since the best."""

    last: float = float("inf")
    best: float = float("inf")
    since_best: int = 0

    def note(self, decrement: float) -> bool:
        """Take in a decrement and say whether convergence is slow."""
        slow = decrement > SLOW_CONVERGENCE * self.last
        self.last = decrement
        if decrement < 0.5 * self.best:
            self.best, self.since_best = decrement, 0
        else:
            self.since_best += 1
        return slow


def _move(inner: Inner, solved: Solved, hessian: TrueHessian, slow: bool) -> Floats:
    """Give the step to try: the inner problem's, or the exact one where that is slow and inside."""
    if slow:
        exact = exact_move(inner, solved, hessian)
        if exact is not None and inside(inner.problem, inner.x + exact):
            return exact
    return solved.move


def guarded(problem: Problem, x: Floats) -> Problem:
    """
    Give the problem with a lower bound that no divisor falls through in one step.

    An assay's weight on its stream's mass grows without limit as the mass vanishes, so a full step
    to zero would trust a model that holds nowhere near it.
    """
    divides = problem.lower > 0
    return replace(
        problem, lower=np.where(divides, np.maximum(problem.lower, SHRINK * x), problem.lower)
    )


def minimise(
    problem: Problem, factory: Factory, x: Floats, held: Held, most: int, budget: Budget
) -> Optimum:
    """
    Minimise from a feasible ``x`` whose denominators are positive.

    Every iterate satisfies the equalities and the bounds to rounding, so the objective alone
    measures progress.  Converged means a Newton decrement below
    :data:`~reconcile.kernel.limits.KKT_TOLERANCE`.

    Raises
    ------
    OverBudget
    """
    progress = _Progress()
    full, pinned, caution = True, bool(held.pinned.any()), 1.0
    binding, objective = held, float("inf")
    for iteration in range(most):
        residual, ratio, below = problem.residuals(x)
        cost = problem.losses.of(residual)
        if not problem.losses.plain:
            cost = cost.eased(caution)
        objective = cost.objective
        straight = straight_rows(problem, x, ratio, below)
        # Gauss-Newton's Hessian vanishes exactly where the readings see nothing, so that a pin's
        # multiplier is zero unless a bound makes it otherwise; the curved rows lack that.
        if pinned or not full:
            rows = scale_rows(straight, np.sqrt(cost.weight))
        else:
            rows = curved_rows(problem, x, ratio, below, cost)
        if not (np.isfinite(objective) and np.isfinite(rows.data).all()):
            return Optimum(x, held, False, float("inf"), iteration, objective, binding)
        here = guarded(problem, x)
        inner = Inner(here, factory, x, straight.T @ cost.slope, rows, budget)
        solved = solve_inner(inner, held)
        held, binding = solved.held, binding_part(inner, solved)
        decrement = float(np.linalg.norm(rows @ solved.move) / (1 + np.sqrt(objective)))
        slow = progress.note(decrement)
        if decrement <= KKT_TOLERANCE:
            x = x + solved.move
            objective = problem.losses.of(problem.residuals(x)[0]).objective
            return Optimum(x, held, True, decrement, iteration, objective, binding)
        hessian = true_hessian(problem, straight, cost, below)
        move = _move(inner, solved, hessian, slow and full)
        if decrement**2 <= MEASURABLE:
            if progress.since_best >= STALL_ROUNDS:
                return Optimum(
                    x, held, decrement <= KKT_STALLED, decrement, iteration, objective, binding
                )
            x = x + move
            continue
        share = _line_search(problem, x, move, 0.5 * objective, float(inner.gradient @ move))
        if share == 0.0 and not full and caution >= 1:
            return Optimum(x, held, False, decrement, iteration, objective, binding)
        if slow and full:
            share = _stretched(problem, x, move, share)
        full = share > SHORT_STEP
        caution = max(caution / EASING, LEAST_CAUTION) if full else min(caution * EASING, 1.0)
        x = x + share * move
    return Optimum(x, held, False, progress.last, most, objective, binding)
