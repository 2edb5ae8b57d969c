"""
Outer iteration: successive quadratic programs on residuals that are ratios.

For a ratio ``h = n·x / d·x`` the Hessian of ``½ (h - y)²`` is exactly
``a aᵀ - (h - y)² d dᵀ / (d·x)²`` with ``a = (n - (2h - y) d) / (d·x)``: one positive and one
negative rank-one term, the latter of second order in the residual.  Keeping ``a aᵀ`` gives a
Hessian that is never indefinite, and steps whose error is of second order in the residual, where
Gauss-Newton's is of first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .active_set import Factory, Held, Inner, binding_part, solve_inner
from .limits import ARMIJO, KKT_STALLED, KKT_TOLERANCE, SHORTEST_STEP

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .budget import Budget
    from .problem import Floats, Problem


@dataclass(frozen=True)
class Optimum:
    """
    Where the iteration ended.

    ``decrement`` is the remaining move in posterior standard deviations, the scaled KKT residual;
    ``iterations`` counts Newton steps; ``objective`` is ``Σ ((h - y) / sd)²``; ``binding`` marks the
    held bounds that push back, with a multiplier above rounding.
    """

    x: Floats
    held: Held
    converged: bool
    decrement: float
    iterations: int
    objective: float
    binding: Held


def curved_rows(problem: Problem, ratio: Floats, below: Floats) -> sp.csr_array:
    """Give the rows ``a_i / sd_i`` of the module's docstring, shape (m, n)."""
    return problem.ratios.jacobian(2 * ratio - problem.y, 1 / (below * problem.sd))


def straight_rows(problem: Problem, ratio: Floats, below: Floats) -> sp.csr_array:
    """Give the derivative of the weighted residuals, shape (m, n)."""
    return problem.ratios.jacobian(ratio, 1 / (below * problem.sd))


def _line_search(
    problem: Problem, x: Floats, move: Floats, objective: float, slope: float
) -> float:
    """Give the share of the move that delivers a fair part of the predicted decrease, or 0."""
    share = 1.0
    while share > SHORTEST_STEP:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            residual, _, below = problem.residuals(x + share * move)
            reached = 0.5 * float(residual @ residual)
        if np.all(below > 0) and reached <= objective + ARMIJO * share * slope:
            return share
        share *= 0.5
    return 0.0


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
    decrement, objective = float("inf"), float("inf")
    use_curvature = True
    for iteration in range(most):
        residual, ratio, below = problem.residuals(x)
        objective = 0.5 * float(residual @ residual)
        straight = straight_rows(problem, ratio, below)
        gradient = straight.T @ residual
        rows = curved_rows(problem, ratio, below) if use_curvature else straight
        inner = Inner(problem, factory, x, gradient, rows, budget)
        solved = solve_inner(inner, held)
        curvature = rows @ solved.move
        decrement = float(np.linalg.norm(curvature) / (1 + np.sqrt(2 * objective)))
        held = solved.held
        if decrement <= KKT_TOLERANCE:
            x = x + solved.move
            residual, _, _ = problem.residuals(x)
            binding = binding_part(inner, solved)
            return Optimum(
                x, held, True, decrement, iteration, float(residual @ residual), binding
            )
        share = _line_search(problem, x, solved.move, objective, float(gradient @ solved.move))
        if share == 0.0:
            stalled = decrement <= KKT_STALLED
            if stalled or not use_curvature:
                binding = binding_part(inner, solved)
                return Optimum(x, held, stalled, decrement, iteration, 2 * objective, binding)
            use_curvature = False
            continue
        use_curvature = share > 0.25
        x = x + share * solved.move
    return Optimum(x, held, False, decrement, most, 2 * objective, held)
