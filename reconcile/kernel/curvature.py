"""
The last part of the Hessian, by conjugate gradients on the factor at hand.

Newton's outer iteration leaves out ``B = Σ (h - y)² d dᵀ / (sd d·x)²`` from the Hessian.  With
residuals of a tenth of a reading or more that costs iterations; a few conjugate-gradient steps on
the true Hessian, with the factor as preconditioner, restore quadratic convergence (Steihaug 1983;
Nocedal and Wright 2006, 7.1 and 16.3) without another factorisation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .limits import CG_STEPS, CG_TOLERANCE

if TYPE_CHECKING:
    from .active_set import Inner, Solved
    from .problem import Floats


def exact_move(inner: Inner, solved: Solved, residual: Floats, below: Floats) -> Floats | None:
    """
    Give the Newton move of the true Hessian within the same held set, shape (n,).

    ``residual`` and ``below`` (m,) are the weighted residuals and denominators at ``inner.x``.
    ``None`` if the true Hessian is not positive along a direction met.
    """
    problem = inner.problem
    ratios = problem.ratios
    missing = ratios.jacobian(np.zeros(ratios.count), np.zeros(ratios.count))
    missing.data = (ratios.below * (residual / below)[ratios.row_of_entry]).copy()
    none, still = np.zeros_like(solved.step.multipliers), np.zeros(problem.size)

    def preconditioned(r: Floats) -> Floats:
        return -solved.factor.solve(r, none, still).move

    move = solved.move.copy()
    r = -(missing.T @ (missing @ move))
    z = preconditioned(r)
    direction, size = -z, float(r @ z)
    enough = CG_TOLERANCE**2 * float(np.sum((inner.jacobian @ move) ** 2))
    for _ in range(CG_STEPS):
        if size <= enough:
            break
        rows, lost = inner.jacobian @ direction, missing @ direction
        curvature = float(rows @ rows - lost @ lost)
        if curvature <= 0:
            return None
        share = size / curvature
        move += share * direction
        r = r + share * (inner.jacobian.T @ rows - missing.T @ lost)
        z = preconditioned(r)
        before, size = size, float(r @ z)
        direction = -z + (size / before) * direction
    return move
