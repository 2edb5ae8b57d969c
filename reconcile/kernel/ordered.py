"""
The factor of the optimality system in a known order, and what covariances ask of it.

Rows come in compressed form: no matrix is made of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .exact import Rows
from .lazy import lazy
from .ldl import DROPPED, Numeric
from .limits import (
    CANCELLED_PIVOT,
    SOLVE_BLOCK,
    VARIANCE_RESOLUTION,
)
from .rows import scale_columns
from .spreads import Eliminated, bent_moves, spread_once, with_sums
from .system import System, filled, pushed, refined, sized

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints
    from .skeleton import Skeleton


def _filled(skeleton: Skeleton, system: System, shift: float) -> Floats:
    entries = (skeleton.pair_entry, skeleton.diagonal_entry, skeleton.balance_entry)
    found: Floats = filled(system, *entries, shift, len(skeleton.symbolic.index))
    return found


class OrderedFactor:
    """The covariance of unknowns (n,) under equalities (e, n) and readings (m, n)."""

    def __init__(
        self, skeleton: Skeleton, balances: Rows, readings: Rows, free: Bools, shift: float
    ) -> None:
        """
        Factor on a skeleton what is ``free`` (n,), with ``shift`` off the pivots of equalities.

        Without a shift a pivot that vanishes is not made up for: see :attr:`least_pivot`.
        """
        self.skeleton, self._balances, self._readings = skeleton, balances, readings
        self._system: System = sized(balances, readings, free, skeleton.elimination.weak)
        instead = 1.0 if shift > 0 else DROPPED
        data = _filled(skeleton, self._system, shift)
        self.numeric = Numeric(skeleton.symbolic, data, CANCELLED_PIVOT, instead)

    @property
    def columns(self) -> Floats:
        """What the unknowns were multiplied by, (n,)."""
        return self._system.columns

    @property
    def row_size(self) -> Floats:
        """What the equalities were multiplied by, (e,)."""
        return self._system.row_size

    @lazy
    def least_pivot(self) -> float:
        """
        The least pivot, or the reciprocal of the largest if that is less: about one is natural.

        It is next to nothing where balances depend on one another or nothing read crosses one.
        """
        size = np.abs(self.numeric.inverse_pivots)
        return float(min(size.min(), 1 / size.max()))

    def _once(self, right: Floats) -> Floats:
        turned = self.numeric.solve(right[self.skeleton.elimination.order])
        return turned[self.skeleton.place]

    def refined(self, right: Floats) -> Floats:
        """Solve the scaled system (n + e, k), refined until the residual no longer shrinks."""
        found: Floats = refined(self._system, *self._parts, np.ascontiguousarray(right))
        return found

    @property
    def _parts(self) -> Eliminated:
        """The order and the factor, as the compiled loops take them."""
        numeric, order = self.numeric, self.skeleton.elimination.order
        factor = numeric.symbolic.start, numeric.rows, numeric.lower, numeric.inverse_pivots
        return Eliminated(order, *factor)

    def spread(self, rights: Floats) -> Floats:
        """Give the covariance times each of ``rights`` (n, k), what is held unmoved."""
        full = np.zeros((len(self.skeleton.place), rights.shape[1]))
        full[: len(self.columns)] = self.columns[:, None] * rights
        found = self.refined(full)
        return np.asarray(self.columns[:, None] * found[: len(self.columns)])

    def spread_once(self, rights: Floats) -> Floats:
        """Give the same without refinement, as true as the variances are."""
        found: Floats = spread_once(self._parts, self.columns, rights)
        return found

    def with_sums(
        self, sums: sp.csr_array, partner: Ints, columns: Floats
    ) -> tuple[Floats, Floats]:
        """
        Give the covariance of each of the first unknowns with its sum, (k,), and each sum's own.

        ``partner`` (k,) says which of the ``sums`` (l, n) belongs to which; ``columns`` (n,) are
        what the unknowns asked of were multiplied by.
        """
        rows = sums.indptr.astype(np.int64), sums.indices.astype(np.int64), sums.data
        found: tuple[Floats, Floats] = with_sums(self._parts, columns, *rows, partner)
        return found

    def bent_moves(
        self, told: Rows, own: Floats, bent: Floats, normal: Floats
    ) -> tuple[Floats, Floats]:
        """
        Give the moves (n, k) that errors ``normal`` (m, k) bring, and the same to second order.

        ``told`` are the readings' derivatives; by entry what is their ``own`` and what bends them.
        """
        parts = self._parts, self.columns
        found: tuple[Floats, Floats] = bent_moves(*parts, told, own, bent, normal)
        return found

    def pushed(self, push: Floats) -> Floats:
        """
        Give the moves (n, k) of least cost that follow what is held.

        ``push`` (n, k) says how far that moves, and is zero elsewhere.
        """
        rows = self._balances, self._readings
        found: Floats = pushed(self._system, *self._parts, *rows, np.ascontiguousarray(push))
        return found

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional in ``rows`` (k, n), shape (k,)."""
        return self.forms(scale_columns(rows, self.columns), 0, VARIANCE_RESOLUTION)

    def forms(self, scaled: sp.csr_array, first: int, resolution: float) -> Floats:
        """Give each scaled row's form with the inverse; its columns count from ``first``."""
        place = self.skeleton.place[first + scaled.indices]
        return self.numeric.forms(scaled.indptr.astype(np.int64), place, scaled.data, resolution)

    def cross(self, left: sp.csr_array, right: sp.csr_array, partner: Ints) -> Floats:
        """
        Give the covariance of each functional in ``left`` (k, n) with its partner in ``right``.

        ``partner`` (k,) positions in ``right`` (l, n); one solve serves all that share a partner.
        """
        scaled, others = scale_columns(left, self.columns), scale_columns(right, self.columns)
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
        right = np.zeros((len(self.skeleton.place), scaled.shape[0]))
        right[: len(self.columns)] = scaled.T.toarray()
        return self._once(right)[: len(self.columns)]
