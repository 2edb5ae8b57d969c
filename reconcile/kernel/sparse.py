"""
Sparse factor of the inner problem, for large flowsheets.

The optimality system is kept whole, ``[[H + EᵀE, Eᵀ], [E, -δ]]``: adding ``EᵀE`` changes nothing
where ``E d = r`` holds and makes every unknown, read or not, a sound pivot; ``δ`` makes the matrix
quasi-definite, so any order of elimination is stable (Vanderbei 1995), and refinement against the
system without ``δ`` removes its trace.  The streams are ordered as blocks; each balance follows
the last of its unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from .dense import Step
from .ldl import DROPPED, Numeric, Symbolic, quadratic_forms
from .limits import CANCELLED_PIVOT, DEPENDENT_PIVOT, DUAL_SHIFT, REFINEMENTS, SETTLED, SOLVE_BLOCK
from .rows import largest_in_rows, reciprocal, scale_columns, scale_rows, squared_columns

if TYPE_CHECKING:
    from .budget import Budget
    from .problem import Bools, Floats, Ints


def block_order(pattern: sp.csr_array, groups: Ints) -> Ints:
    """
    Give an elimination order of the unknowns, group by group: shape (n,).

    ``pattern`` (n, n) couples unknowns, ``groups`` (n,) says which block each belongs to.  The
    graph of the blocks is ordered by multiple minimum degree (Liu 1985) as SuperLU provides it;
    inside a block the least coupled come first.
    """
    n, blocks = len(groups), int(groups.max()) + 1
    belongs = sp.csr_array((np.ones(n), (np.arange(n), groups)), shape=(n, blocks))
    coarse = sp.csc_array(belongs.T @ (abs(pattern) @ belongs))
    coarse.data[:] = -1.0
    weight = np.asarray(abs(coarse).sum(axis=1)) + 1.0
    settled = sp.csc_array(coarse + sp.diags_array(weight + 1.0))
    place = splu(
        settled,
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    ).perm_c
    degree = np.diff(pattern.indptr)
    return np.lexsort((np.arange(n), degree, place[groups]))


def _upper(matrix: sp.csr_array, order: Ints) -> tuple[sp.csc_array, Ints]:
    """Give the upper triangle in elimination order, and where each of its entries stood."""
    numbered = sp.csr_array(matrix)
    numbered.data = np.arange(1.0, len(matrix.data) + 1)
    turned = sp.csc_array(sp.triu(numbered[order][:, order], format="csc"))
    turned.sort_indices()
    return turned, turned.data.astype(np.int64) - 1


@dataclass(frozen=True)
class SparseBasis:
    """Order and symbolic factor for one pattern of equalities and readings."""

    equalities: sp.csr_array
    order: Ints
    source: Ints
    symbolic: Symbolic

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return int(self.equalities.shape[1])


def _gram(rows: sp.csr_array) -> sp.csr_array:
    return sp.csr_array(rows.T @ rows)


def _system(upper: sp.csr_array, equalities: sp.csr_array, shift: Floats) -> sp.csr_array:
    matrix = sp.block_array(
        [[upper, equalities.T], [equalities, -sp.diags_array(shift)]], format="csr"
    )
    return sp.csr_array(matrix)


def _pattern(equalities: sp.csr_array, jacobian: sp.csr_array) -> sp.csr_array:
    """Give the primal block with every entry that can occur, its diagonal included."""
    ones_e, ones_j = abs(equalities), abs(jacobian)
    ones_e.data[:] = 1.0
    ones_j.data[:] = 1.0
    return sp.csr_array(_gram(ones_e) + _gram(ones_j) + sp.eye_array(equalities.shape[1]))


def sparse_basis(
    equalities: sp.csr_array, jacobian: sp.csr_array, groups: Ints, budget: Budget
) -> SparseBasis:
    """
    Order and analyse once for a pattern.

    Raises
    ------
    OverBudget
        if the factor would need more memory than is allowed.
    """
    primal = _pattern(equalities, jacobian)
    order = block_order(primal, groups)
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    n, e = equalities.shape[1], equalities.shape[0]
    last = np.zeros(e, dtype=np.int64)
    filled = np.diff(equalities.indptr) > 0
    ends = np.maximum.reduceat(place[equalities.indices], equalities.indptr[:-1][filled])
    last[filled] = ends
    whole = np.lexsort(
        (
            np.concatenate((np.zeros(n), np.ones(e))),
            np.concatenate((place, last)),
        )
    )
    ones = equalities.copy()
    ones.data = np.ones(len(ones.data))
    turned, source = _upper(_system(primal, ones, np.ones(e)), whole)
    symbolic = Symbolic(turned.indptr.astype(np.int64), turned.indices.astype(np.int64))
    budget.reserve(symbolic.megabytes, "the factor")
    return SparseBasis(equalities, whole, source, symbolic)


def _column_sizes(equalities: sp.csr_array, jacobian: sp.csr_array) -> Floats:
    """
    Give the size of each unknown that brings its diagonal to about one: shape (n,).

    An unknown that was read is measured by its readings; one that was not by its balances.
    """
    read = np.sqrt(squared_columns(jacobian))
    balanced = np.sqrt(squared_columns(equalities))
    return np.where(read > 0, reciprocal(read), reciprocal(balanced))


class SparseFactor:
    """The inner problem at one point, ready for any number of right-hand sides."""

    def __init__(self, basis: SparseBasis, jacobian: sp.csr_array, free: Bools) -> None:
        self._basis, self._jacobian, self._free = basis, jacobian, free
        n = basis.unknowns
        self._columns = np.where(free, _column_sizes(basis.equalities, jacobian), 0.0)
        scaled = scale_columns(basis.equalities, self._columns)
        self._row_size = reciprocal(largest_in_rows(scaled))
        self._scaled_equalities = scale_rows(scaled, self._row_size)
        self._scaled_jacobian = scale_columns(jacobian, self._columns)
        self._shift = np.full(scaled.shape[0], DUAL_SHIFT)
        primal = self._primal(n)
        data = _system(primal, self._scaled_equalities, self._shift).data[basis.source]
        self._numeric = Numeric(basis.symbolic, data, CANCELLED_PIVOT, 1.0)

    def _primal(self, n: int) -> sp.csr_array:
        zero = _pattern(self._scaled_equalities, self._scaled_jacobian)
        zero.data[:] = 0.0
        held = sp.diags_array((~self._free).astype(float))
        filled = zero + _gram(self._scaled_equalities) + _gram(self._scaled_jacobian) + held
        return _on_pattern(sp.csr_array(filled), zero, n)

    def _once(self, right: Floats) -> Floats:
        turned = self._numeric.solve(right[self._basis.order])
        result = np.empty_like(turned)
        result[self._basis.order] = turned
        return result

    def _apply(self, full: Floats) -> Floats:
        """Multiply by the system without its shift: (n + e, k)."""
        n = self._basis.unknowns
        unknowns, multipliers = full[:n], full[n:]
        scaled_e, scaled_j = self._scaled_equalities, self._scaled_jacobian
        upper = scaled_j.T @ (scaled_j @ unknowns) + scaled_e.T @ multipliers
        upper = upper + np.where(self._free, 0.0, 1.0)[:, None] * unknowns
        return np.concatenate((upper, scaled_e @ unknowns))

    def _augmented(self, right: Floats) -> Floats:
        n = self._basis.unknowns
        lifted = right.copy()
        lifted[:n] += self._scaled_equalities.T @ right[n:]
        return lifted

    def _refined(self, right: Floats) -> Floats:
        """Solve the scaled system (n + e, k), refined until the residual no longer shrinks."""
        found = self._once(self._augmented(right))
        size = np.abs(right).max(axis=0, initial=0.0)
        best = np.full(right.shape[1], np.inf)
        for _ in range(REFINEMENTS):
            residual = right - self._apply(found)
            worst = np.abs(residual).max(axis=0, initial=0.0)
            if np.all((worst <= SETTLED * size) | (worst >= 0.5 * best)):
                break
            best = np.minimum(best, worst)
            found = found + self._once(self._augmented(residual))
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

    @cached_property
    def _inverse(self) -> tuple[Floats, Floats]:
        return self._numeric.inverse()

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional in ``rows`` (k, n), shape (k,)."""
        scaled = scale_columns(rows, self._columns)
        place = np.empty(len(self._basis.order), dtype=np.int64)
        place[self._basis.order] = np.arange(len(place))
        diagonal, inner = self._inverse
        forms: Floats = quadratic_forms(
            self._basis.symbolic.start,
            self._numeric.rows,
            diagonal,
            inner,
            scaled.indptr.astype(np.int64),
            place[scaled.indices],
            scaled.data,
        )
        far = np.flatnonzero(np.isnan(forms))
        for begin in range(0, len(far), SOLVE_BLOCK):
            chosen = far[begin : begin + SOLVE_BLOCK]
            forms[chosen] = self._by_solving(sp.csr_array(scaled[chosen]))
        return forms

    def _by_solving(self, scaled: sp.csr_array) -> Floats:
        right = np.zeros((len(self._basis.order), scaled.shape[0]))
        right[: self._basis.unknowns] = scaled.T.toarray()
        found = self._refined(right)[: self._basis.unknowns]
        return np.asarray(np.einsum("ij,ij->j", right[: self._basis.unknowns], found))

    def spread(self, rows: sp.csr_array) -> Floats:
        """Give the covariance of every unknown with each functional in ``rows``: (n, k)."""
        scaled = scale_columns(rows, self._columns)
        right = np.zeros((len(self._basis.order), scaled.shape[0]))
        right[: self._basis.unknowns] = scaled.T.toarray()
        return self._columns[:, None] * self._refined(right)[: self._basis.unknowns]


def _on_pattern(matrix: sp.csr_array, pattern: sp.csr_array, n: int) -> sp.csr_array:
    """Give ``matrix`` with exactly the stored entries of ``pattern``, which contains its own."""
    matrix.sort_indices()
    pattern.sort_indices()
    row_m = np.repeat(np.arange(n), np.diff(matrix.indptr))
    row_p = np.repeat(np.arange(n), np.diff(pattern.indptr))
    at = np.searchsorted(row_p * n + pattern.indices, row_m * n + matrix.indices)
    data = np.zeros(len(pattern.data))
    data[at] = matrix.data
    return sp.csr_array((data, pattern.indices, pattern.indptr), shape=(n, n))


def dependent_unknowns(balances: sp.csr_array, rows: sp.csr_array, groups: Ints) -> Bools:
    """
    Give a smallest set of unknowns that, once held, leaves nothing undetermined: shape (n,).

    A pivot of the normal matrix that vanishes marks an unknown that depends on those before it.
    Rows and columns are expected at unit size.
    """
    primal = sp.csr_array(_gram(balances) + _gram(rows) + 0.0 * sp.eye_array(len(groups)))
    order = block_order(_pattern(balances, rows), groups)
    turned, source = _upper(primal, order)
    symbolic = Symbolic(turned.indptr.astype(np.int64), turned.indices.astype(np.int64))
    numeric = Numeric(symbolic, primal.data[source], DEPENDENT_PIVOT, DROPPED)
    pins = np.zeros(len(groups), dtype=bool)
    pins[order[numeric.pivots == DROPPED]] = True
    return pins
