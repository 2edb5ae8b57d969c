"""Choice of factor: dense for small flowsheets, sparse for the rest, behind one call."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.linalg import qr

from .dense import DenseBasis, DenseFactor, rank_of

if TYPE_CHECKING:
    from .active_set import Factor, Factory, Held
    from .problem import Bools, Problem


def unit_rows(rows: sp.csr_array) -> sp.csr_array:
    """Give the rows divided by their lengths."""
    size = np.sqrt(np.asarray(rows.multiply(rows).sum(axis=1)))
    return sp.csr_array(sp.diags_array(1 / np.where(size > 0, size, 1.0)) @ rows)


def pins_of(balances: sp.csr_array, rows: sp.csr_array, closed: Bools) -> Bools:
    """Give a smallest set of unknowns that, once held, leaves nothing undetermined: shape (n,)."""
    free = np.flatnonzero(~closed)
    stacked = sp.vstack((unit_rows(balances), unit_rows(rows)), format="csr")[:, free].toarray()
    length = np.linalg.norm(stacked, axis=0)
    triangle, order = qr(stacked / np.where(length > 0, length, 1.0), mode="r", pivoting=True)
    pins = np.zeros(len(closed), dtype=bool)
    pins[free[order[rank_of(triangle) :]]] = True
    return pins


def unit_factor(balances: sp.csr_array, rows: sp.csr_array, held: Held) -> Factor:
    """Give the factor in which every row of the readings counts as it stands."""
    return DenseFactor(DenseBasis(balances, held.free), rows)


def factory_of(problem: Problem) -> Factory:
    """Give the maker of factors for one problem; it keeps the last basis it made."""
    kept: dict[bytes, DenseBasis] = {}

    def make(held: Held, jacobian: sp.csr_array) -> Factor:
        if held.key not in kept:
            kept.clear()
            rows = sp.vstack(
                (problem.equalities, problem.within[np.flatnonzero(held.within)]), format="csr"
            )
            kept[held.key] = DenseBasis(rows, held.free)
        return DenseFactor(kept[held.key], jacobian)

    return make
