"""
Sparse factor of the inner problem, for large flowsheets.

The optimality system ``[[H, Eᵀ], [E, -δ]]`` is factored as LDLᵀ in the order of
:mod:`~reconcile.kernel.elimination`; ``δ`` only keeps dependent balances from a zero pivot
(quasi-definite systems: Vanderbei 1995), and refinement against the system without it removes its
trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .dense import Step
from .elimination import Standing
from .exact import Rows
from .limits import DUAL_SHIFT, UNMET
from .ordered import OrderedFactor
from .pins import undetermined_on
from .rows import scale_columns, squared_rows
from .skeleton import skeleton_of

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .budget import Budget
    from .problem import Bools, Floats, Ints
    from .skeleton import Skeleton


@dataclass(frozen=True)
class SparseBasis:
    """Order and symbolic factor for one pattern of equalities and readings."""

    equalities: sp.csr_array
    skeleton: Skeleton

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return int(self.equalities.shape[1])

    @property
    def place(self) -> Ints:
        """Place of each unknown and balance in the order, shape (n + e,)."""
        return self.skeleton.place


def sparse_basis(
    equalities: sp.csr_array,
    jacobian: sp.csr_array,
    groups: Ints,
    row_groups: Ints,
    budget: Budget,
) -> SparseBasis:
    """
    Order and analyse once for a pattern.

    Raises
    ------
    OverBudget
        if the factor would need more memory than is allowed.
    """
    unranked = (np.zeros(len(one), dtype=np.int64) for one in (groups, row_groups))
    at = Standing(groups, row_groups, *unranked)
    skeleton = skeleton_of(Rows.of(equalities), Rows.of(jacobian), at)
    budget.reserve(skeleton.symbolic.megabytes, "the factor")
    return SparseBasis(equalities, skeleton)


class SparseFactor(OrderedFactor):
    """The inner problem at one point, ready for any number of right-hand sides."""

    def __init__(self, basis: SparseBasis, jacobian: sp.csr_array, free: Bools) -> None:
        self._basis, self._jacobian, self._free = basis, jacobian, free
        rows = Rows.of(basis.equalities), Rows.of(jacobian)
        super().__init__(basis.skeleton, *rows, free, DUAL_SHIFT)

    def solve(self, gradient: Floats, shortfall: Floats, held_move: Floats) -> Step:
        """
        Solve for the step.

        ``gradient`` (n,), ``shortfall`` (e,) = target - E x, ``held_move`` (n,): how far each
        held unknown moves (ignored where free).
        """
        basis, jacobian = self._basis, self._jacobian
        fixed = np.where(self._free, 0.0, held_move)
        slope = gradient + jacobian.T @ (jacobian @ fixed)
        lack = (shortfall - basis.equalities @ fixed) * self.row_size
        right = np.concatenate((-self.columns * slope, lack))
        found = self.refined(right[:, None])[:, 0]
        move = fixed + self.columns * found[: basis.unknowns]
        multipliers = -self.row_size * found[basis.unknowns :]
        slope = gradient + jacobian.T @ (jacobian @ move)
        return Step(move, multipliers, slope - basis.equalities.T @ multipliers)

    def stiffness(self, rows: sp.csr_array) -> Floats:
        """
        Give the least ``|J d|²`` with ``E d = c`` for each row ``c`` (k, e), shape (k,).

        Infinite where no move leaves the equalities unmet by ``c``.  That is the form of ``c``
        with the equalities' part of the inverse, its sign turned.
        """
        scaled = scale_columns(rows, self.row_size)
        forms = -self.forms(scaled, self._basis.unknowns, 0.0)
        # The shift of the pivots is all that resists where nothing could.
        return np.where(forms < UNMET / DUAL_SHIFT * squared_rows(scaled), forms, np.inf)


def undetermined(
    equalities: sp.csr_array, rows: sp.csr_array, groups: Ints, row_groups: Ints, budget: Budget
) -> Bools:
    """
    Give a smallest set of unknowns that, once held, leaves nothing undetermined: shape (n,).

    Those are the unknowns eliminated last whose pivot vanishes.  Rows are expected at unit size.
    """
    basis = sparse_basis(equalities, rows, groups, row_groups, budget)
    parts = Rows.of(equalities), Rows.of(rows), np.ones(len(groups), dtype=bool)
    return undetermined_on(basis.skeleton, *parts)[0]
