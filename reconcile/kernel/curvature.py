"""
The whole Hessian, by conjugate gradients on the factor at hand.

With residuals of a tenth of a reading or more, the terms that the factored Hessian leaves out cost
iterations; a few conjugate-gradient steps on the true Hessian, with the factor as preconditioner,
restore quadratic convergence (Steihaug 1983; Nocedal and Wright 2006, 7.1 and 16.3) without another
factorisation.  For ratios the true Hessian is ``JᵀJ - JᵀB - BᵀJ`` with ``J`` the derivative of the
weighted residuals ``r`` and ``B`` the rows ``r_i d_i / (d_i·x)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .limits import CG_STEPS, CG_TOLERANCE

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .active_set import Inner, Solved
    from .problem import Floats, Problem


@dataclass(frozen=True)
class TrueHessian:
    """``straight`` is J and ``bent`` is B, both (m, n)."""

    straight: sp.csr_array
    bent: sp.csr_array

    def times(self, direction: Floats) -> Floats:
        """Multiply by the Hessian."""
        slope, bend = self.straight @ direction, self.bent @ direction
        return np.asarray(self.straight.T @ (slope - bend) - self.bent.T @ slope)


def true_hessian(
    problem: Problem, straight: sp.csr_array, residual: Floats, below: Floats
) -> TrueHessian:
    """Give the Hessian where the weighted residuals and denominators (m,) are those given."""
    ratios = problem.ratios
    bent = straight.copy()
    bent.data = ratios.below * (residual / below)[ratios.row_of_entry]
    return TrueHessian(straight, bent)


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
