"""
The whole Hessian, by conjugate gradients on the factor at hand.

With residuals of a tenth of a reading or more, the terms that the factored Hessian leaves out cost
iterations; a few conjugate-gradient steps on the true Hessian, with the factor as preconditioner,
restore quadratic convergence (Steihaug 1983; Nocedal and Wright 2006, 7.1 and 16.3) without another
factorisation.  For ratios the true Hessian is ``Jᵀρ''J - RᵀB - BᵀR + P`` with ``J`` the derivative
of the weighted residuals, ``R`` that of their ratios (``J`` without the shared errors), ``B`` the
rows ``ψ_i d_i / (d_i·x)`` and ``P`` the products in the numerators.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .limits import CG_STEPS, CG_TOLERANCE

if TYPE_CHECKING:
    from .active_set import Inner, Solved
    from .losses import Cost
    from .problem import Floats, Problem


@dataclass(frozen=True)
class TrueHessian:
    """``straight`` J, ``ratios`` R and ``bent`` B, (m, n); ``curvature`` ρ'' (m,); P (n, n)."""

    straight: sp.csr_array
    ratios: sp.csr_array
    bent: sp.csr_array
    curvature: Floats
    products: sp.csr_array | None

    def times(self, direction: Floats) -> Floats:
        """Multiply by the Hessian."""
        bend, turn = self.bent @ direction, self.ratios @ direction
        slope = self.curvature * (self.straight @ direction)
        result = self.straight.T @ slope - self.ratios.T @ bend - self.bent.T @ turn
        return np.asarray(result if self.products is None else result + self.products @ direction)


def true_hessian(
    problem: Problem, straight: sp.csr_array, cost: Cost, below: Floats
) -> TrueHessian:
    """Give the Hessian where the costs and denominators (m,) are those given."""
    ratios = problem.ratios
    bent = straight.copy()
    bent.data = ratios.below * (cost.slope / below)[ratios.row_of_entry]
    alone = straight
    if ratios.beside.any():
        alone = straight.copy()
        alone.data = straight.data - (ratios.beside / problem.sd[ratios.row_of_entry])
    return TrueHessian(straight, alone, bent, cost.curvature, _products(problem, cost, below))


def _products(problem: Problem, cost: Cost, below: Floats) -> sp.csr_array | None:
    terms = problem.ratios.products
    if not len(terms.row):
        return None
    data = terms.factor * (cost.slope / (below * problem.sd))[terms.row]
    n = problem.size
    half = sp.csr_array((data, (terms.left, terms.right)), shape=(n, n))
    return sp.csr_array(half + half.T)


def exact_move(inner: Inner, solved: Solved, hessian: TrueHessian) -> Floats | None:
    """
    Give the Newton move of the true Hessian within the same held set, shape (n,).

    ``None`` if the true Hessian is not positive along a direction met.
    """
    none, still = np.zeros_like(solved.step.multipliers), np.zeros(inner.problem.size)

    def preconditioned(r: Floats) -> Floats:
        return -solved.factor.solve(r, none, still).move

    move = solved.move.copy()
    modelled = inner.jacobian.T @ (inner.jacobian @ move)
    r = hessian.times(move) - modelled
    z = preconditioned(r)
    direction, size = -z, float(r @ z)
    enough = CG_TOLERANCE**2 * float(move @ modelled)
    for _ in range(CG_STEPS):
        if size <= enough:
            break
        bent = hessian.times(direction)
        curvature = float(direction @ bent)
        if curvature <= 0:
            return None
        share = size / curvature
        move += share * direction
        r = r + share * bent
        z = preconditioned(r)
        before, size = size, float(r @ z)
        direction = -z + (size / before) * direction
    return move
