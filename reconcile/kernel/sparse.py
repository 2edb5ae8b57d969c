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
import scipy.sparse as sp

from .dense import Step
from .elimination import matching, sizes
from .ldl import DROPPED, Numeric
from .limits import (
    CANCELLED_PIVOT,
    DUAL_SHIFT,
    REFINEMENTS,
    SETTLED,
    SOLVE_BLOCK,
    UNDETERMINED_PIVOT,
    UNMET,
    VARIANCE_RESOLUTION,
)
from .rows import scale_columns, scale_rows, squared_rows
from .skeleton import Skeleton, skeletons_of

if TYPE_CHECKING:
    from .budget import Budget
    from .problem import Bools, Floats, Ints


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
    order = matching(equalities, jacobian, groups, row_groups).eliminated()
    (skeleton,) = skeletons_of(equalities, (jacobian.indptr, jacobian.indices), [order])
    budget.reserve(skeleton.symbolic.megabytes, "the factor")
    return SparseBasis(equalities, skeleton)


class SparseFactor:
    """The inner problem at one point, ready for any number of right-hand sides."""

    def __init__(self, basis: SparseBasis, jacobian: sp.csr_array, free: Bools) -> None:
        self._basis, self._jacobian, self._free = basis, jacobian, free
        skeleton = basis.skeleton
        weak = skeleton.elimination.weak
        self._columns, self._row_size = sizes(basis.equalities, jacobian, free, weak)
        scaled = scale_columns(basis.equalities, self._columns)
        self._scaled_equalities = scale_rows(scaled, self._row_size)
        self._scaled_jacobian = scale_columns(jacobian, self._columns)
        data = skeleton.filled(
            self._scaled_jacobian.data, self._scaled_equalities.data, np.where(free, 0.0, 1.0)
        )
        self._numeric = Numeric(skeleton.symbolic, data, CANCELLED_PIVOT, 1.0)

    def _once(self, right: Floats) -> Floats:
        turned = self._numeric.solve(right[self._basis.skeleton.elimination.order])
        return turned[self._basis.place]

    def _apply(self, full: Floats) -> Floats:
        """Multiply by the system without its shift: (n + e, k)."""
        n = self._basis.unknowns
        unknowns, multipliers = full[:n], full[n:]
        scaled_e, scaled_j = self._scaled_equalities, self._scaled_jacobian
        upper = scaled_j.T @ (scaled_j @ unknowns) + scaled_e.T @ multipliers
        upper = upper + np.where(self._free, 0.0, 1.0)[:, None] * unknowns
        return np.concatenate((upper, scaled_e @ unknowns))

    def _refined(self, right: Floats) -> Floats:
        """Solve the scaled system (n + e, k), refined until the residual no longer shrinks."""
        found = self._once(right)
        size = np.abs(right).max(axis=0, initial=0.0)
        best = np.full(right.shape[1], np.inf)
        for _ in range(REFINEMENTS):
            residual = right - self._apply(found)
            worst = np.abs(residual).max(axis=0, initial=0.0)
            if np.all((worst <= SETTLED * size) | (worst >= 0.5 * best)):
                break
            best = np.minimum(best, worst)
            found = found + self._once(residual)
        return found

    def solve(self, gradient: Floats, shortfall: Floats, held_move: Floats) -> Step:
        """
        Solve for the step.

        ``gradient`` (n,), ``shortfall`` (e,) = target - E x, ``held_move`` (n,): how far each
        held unknown moves (ignored where free).
        """
        basis, jacobian = self._basis, self._jacobian
        fixed = np.where(self._free, 0.0, held_move)
        slope = gradient + jacobian.T @ (jacobian @ fixed)
        lack = (shortfall - basis.equalities @ fixed) * self._row_size
        right = np.concatenate((-self._columns * slope, lack))
        found = self._refined(right[:, None])[:, 0]
        move = fixed + self._columns * found[: basis.unknowns]
        multipliers = -self._row_size * found[basis.unknowns :]
        slope = gradient + jacobian.T @ (jacobian @ move)
        return Step(move, multipliers, slope - basis.equalities.T @ multipliers)

    def spread(self, rights: Floats) -> Floats:
        """Give the covariance times each of ``rights`` (n, k), what is held unmoved."""
        n = self._basis.unknowns
        full = np.zeros((len(self._basis.place), rights.shape[1]))
        full[:n] = self._columns[:, None] * rights
        return np.asarray(self._columns[:, None] * self._refined(full)[:n])

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional in ``rows`` (k, n), shape (k,)."""
        return self._forms(scale_columns(rows, self._columns), 0, VARIANCE_RESOLUTION)

    def _forms(self, scaled: sp.csr_array, first: int, resolution: float) -> Floats:
        """Give each scaled row's form with the inverse; its columns count from ``first``."""
        place = self._basis.place[first + scaled.indices]
        return self._numeric.forms(scaled.indptr.astype(np.int64), place, scaled.data, resolution)

    def stiffness(self, rows: sp.csr_array) -> Floats:
        """
        Give the least ``|J d|²`` with ``E d = c`` for each row ``c`` (k, e), shape (k,).

        Infinite where no move leaves the equalities unmet by ``c``.  That is the form of ``c``
        with the equalities' part of the inverse, its sign turned.
        """
        scaled = scale_columns(rows, self._row_size)
        forms = -self._forms(scaled, self._basis.unknowns, 0.0)
        # The shift of the pivots is all that resists where nothing could.
        return np.where(forms < UNMET / DUAL_SHIFT * squared_rows(scaled), forms, np.inf)

    def cross(self, left: sp.csr_array, right: sp.csr_array, partner: Ints) -> Floats:
        """
        Give the covariance of each functional in ``left`` (k, n) with its partner in ``right``.

        ``partner`` (k,) positions in ``right`` (l, n); one solve serves all that share a partner.
        """
        scaled, others = scale_columns(left, self._columns), scale_columns(right, self._columns)
        result = np.zeros(left.shape[0])
        by_partner = np.argsort(partner, kind="stable")
        for begin in range(0, others.shape[0], SOLVE_BLOCK):
            spread = self._spread(sp.csr_array(others[begin : begin + SOLVE_BLOCK]))
            first, last = np.searchsorted(partner[by_partner], (begin, begin + spread.shape[1]))
            chosen = by_partner[first:last]
            part = sp.csr_array(scaled[chosen])
            row = np.repeat(np.arange(len(chosen)), np.diff(part.indptr))
            terms = part.data * spread[part.indices, (partner[chosen] - begin)[row]]
            result[chosen] = np.bincount(row, weights=terms, minlength=len(chosen))
        return result

    def _spread(self, scaled: sp.csr_array) -> Floats:
        """Give the covariance of every scaled unknown with each scaled functional: (n, k)."""
        right = np.zeros((len(self._basis.place), scaled.shape[0]))
        right[: self._basis.unknowns] = scaled.T.toarray()
        return self._once(right)[: self._basis.unknowns]


def undetermined(
    equalities: sp.csr_array, rows: sp.csr_array, groups: Ints, row_groups: Ints, budget: Budget
) -> Bools:
    """
    Give a smallest set of unknowns that, once held, leaves nothing undetermined: shape (n,).

    Those are the unknowns eliminated last whose pivot vanishes.  Rows are expected at unit size.
    """
    basis = sparse_basis(equalities, rows, groups, row_groups, budget)
    return undetermined_in(basis, rows, np.ones(len(groups), dtype=bool))[0]


def undetermined_in(basis: SparseBasis, rows: sp.csr_array, free: Bools) -> tuple[Bools, bool]:
    """
    Give the same in a known order, of the ``free`` unknowns (n,), and whether that is certain.

    It is not where the pivot of a balance, or of an unknown matched to one, has vanished: nothing
    read crosses the balances merged there, and what they say of the unread is lost.
    """
    elimination = basis.skeleton.elimination
    pins = np.zeros(basis.unknowns, dtype=bool)
    last = elimination.last
    if not elimination.weak.any():
        return pins, True
    columns, row_size = sizes(basis.equalities, rows, free, elimination.weak)
    scaled_e = scale_rows(scale_columns(basis.equalities, columns), row_size)
    scaled_j = scale_columns(rows, columns)
    data = basis.skeleton.filled(scaled_j.data, scaled_e.data, np.where(free, 0.0, 1.0))
    numeric = Numeric(basis.skeleton.symbolic, data, UNDETERMINED_PIVOT, DROPPED)
    dropped = numeric.dropped.copy()
    pins[last[dropped[basis.place[last]]]] = True
    dropped[basis.place[last]] = False
    return pins, not dropped.any()
