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
    DUAL_SHIFT,
    SOLVE_BLOCK,
    UNDETERMINED_PIVOT,
    VARIANCE_RESOLUTION,
)
from .rows import scale_columns
from .system import System, filled, pulled, refined, seen, sized

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints
    from .skeleton import Skeleton


def rows_of(matrix: sp.csr_array) -> Rows:
    """Give a matrix as compressed rows."""
    return Rows(matrix.indptr.astype(np.int64), matrix.indices.astype(np.int64), matrix.data)


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
        numeric, order = self.numeric, self.skeleton.elimination.order
        parts = (numeric.symbolic.start, numeric.rows, numeric.lower, numeric.inverse_pivots)
        found: Floats = refined(self._system, order, *parts, np.ascontiguousarray(right))
        return found

    def _right(self, rights: Floats) -> Floats:
        full = np.zeros((len(self.skeleton.place), rights.shape[1]))
        full[: len(self.columns)] = self.columns[:, None] * rights
        return full

    def spread(self, rights: Floats) -> Floats:
        """Give the covariance times each of ``rights`` (n, k), what is held unmoved."""
        found = self.refined(self._right(rights))
        return np.asarray(self.columns[:, None] * found[: len(self.columns)])

    def spread_once(self, rights: Floats) -> Floats:
        """Give the same without refinement, as true as the variances are."""
        found = self._once(self._right(rights))
        return np.asarray(self.columns[:, None] * found[: len(self.columns)])

    def pushed(self, push: Floats) -> Floats:
        """
        Give the moves (n, k) of least cost that follow what is held.

        ``push`` (n, k) says how far that moves, and is zero elsewhere.
        """
        n = len(self.columns)
        slope = pulled(self._readings, seen(self._readings, push), n)
        lack = seen(self._balances, push) * self.row_size[:, None]
        right = np.concatenate((self.columns[:, None] * slope, lack))
        return np.asarray(push - self.columns[:, None] * self.refined(right)[:n])

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


def undetermined_on(
    skeleton: Skeleton, balances: Rows, readings: Rows, free: Bools
) -> tuple[Bools, bool]:
    """
    Give a smallest set of the ``free`` unknowns that, once held, leaves nothing undetermined, (n,).

    Those are the unknowns eliminated last whose pivot vanishes.  The readings (m, n) are expected
    at unit size.  Also whether that is certain: it is not where the pivot of a balance, or of an
    unknown matched to one, has vanished: nothing read crosses the balances merged there, and what
    they say of the unread is lost.
    """
    elimination = skeleton.elimination
    pins, last = np.zeros(len(free), dtype=bool), elimination.last
    if not elimination.weak.any():
        return pins, True
    system = sized(balances, readings, free, elimination.weak)
    data = _filled(skeleton, system, DUAL_SHIFT)
    dropped = Numeric(skeleton.symbolic, data, UNDETERMINED_PIVOT, DROPPED).dropped.copy()
    pins[last[dropped[skeleton.place[last]]]] = True
    dropped[skeleton.place[last]] = False
    return pins, not dropped.any()
