"""Choice of factor: dense for small flowsheets, sparse for the rest, behind one call."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.linalg import qr

from .dense import DenseBasis, DenseFactor, rank_of
from .limits import DENSE_SIZE
from .rows import reciprocal, scale_columns, scale_rows, squared_columns, squared_rows
from .sparse import SparseBasis, SparseFactor, sparse_basis, undetermined

if TYPE_CHECKING:
    from .active_set import Factor, Factory, Held
    from .budget import Budget
    from .problem import Bools, Places, Problem
    from .skeleton import Skeleton


def unit_rows(rows: sp.csr_array) -> sp.csr_array:
    """Give the rows divided by their lengths."""
    return scale_rows(rows, reciprocal(np.sqrt(squared_rows(rows))))


def is_small(balances: int, unknowns: int) -> bool:
    """Say whether dense factors are the faster road for so many balances and unknowns."""
    return unknowns - balances <= DENSE_SIZE


def _finite(rows: sp.csr_array) -> None:
    if not np.isfinite(rows.data).all():
        raise np.linalg.LinAlgError("numbers beyond the range of the arithmetic")


def pins_of(
    balances: sp.csr_array,
    rows: sp.csr_array,
    closed: Bools,
    places: Places,
    budget: Budget,
) -> Bools:
    """Give a smallest set of unknowns that, once held, leaves nothing undetermined: shape (n,)."""
    free = np.flatnonzero(~closed)
    stacked = sp.csr_array(sp.vstack((unit_rows(balances), unit_rows(rows))))[:, free]
    stacked = scale_columns(stacked, reciprocal(np.sqrt(squared_columns(stacked))))
    pins = np.zeros(len(closed), dtype=bool)
    _finite(stacked)
    if is_small(*balances.shape):
        triangle, order = qr(stacked.toarray(), mode="r", pivoting=True)
        pins[free[order[rank_of(triangle) :]]] = True
        return pins
    e = balances.shape[0]
    pins[free] = undetermined(
        stacked[:e], stacked[e:], places.groups[free], places.rows_for(e), budget
    )
    return pins


def unit_factor(
    balances: sp.csr_array,
    rows: sp.csr_array,
    held: Held,
    places: Places,
    budget: Budget,
    basis: SparseBasis | None = None,
) -> Factor:
    """Give the factor in which every row of the readings counts as it stands."""
    if basis is None and is_small(*balances.shape):
        return DenseFactor(DenseBasis(balances, held.free), rows)
    if basis is None:
        row_groups = places.rows_for(balances.shape[0])
        basis = sparse_basis(balances, rows, places.groups, row_groups, budget)
    return SparseFactor(basis, rows, held.free)


def _rows_held(problem: Problem, held: Held) -> sp.csr_array:
    chosen = problem.within[np.flatnonzero(held.within)]
    return sp.csr_array(sp.vstack((problem.equalities, chosen), format="csr"))


def _dense(problem: Problem) -> Factory:
    kept: dict[bytes, DenseBasis] = {}

    def make(held: Held, jacobian: sp.csr_array) -> Factor:
        if held.key not in kept:
            kept.clear()
            kept[held.key] = DenseBasis(_rows_held(problem, held), held.free)
        return DenseFactor(kept[held.key], jacobian)

    return make


def _sparse(problem: Problem, budget: Budget, skeleton: Skeleton | None) -> Factory:
    kept: dict[tuple[bytes, int], SparseBasis] = {}

    def make(held: Held, jacobian: sp.csr_array) -> Factor:
        if skeleton is not None:
            return SparseFactor(SparseBasis(problem.equalities, skeleton), jacobian, held.free)
        key = (held.within.tobytes(), jacobian.nnz)
        if key not in kept:
            kept.clear()
            rows = _rows_held(problem, held)
            row_groups = problem.places.rows_for(rows.shape[0])
            kept[key] = sparse_basis(rows, jacobian, problem.places.groups, row_groups, budget)
        return SparseFactor(kept[key], jacobian, held.free)

    return make


def factory_of(problem: Problem, budget: Budget, skeleton: Skeleton | None = None) -> Factory:
    """
    Give the maker of factors for one problem; it keeps what depends on no value.

    ``skeleton`` is the order of its equalities and readings, for one whose bounds are left out.
    """
    small = is_small(*problem.equalities.shape)
    return _dense(problem) if small else _sparse(problem, budget, skeleton)
