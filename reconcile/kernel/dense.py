"""
Dense factor of the inner problem, for small flowsheets: null space and orthogonal factors.

``minimise ½ |J d|² + g·d`` subject to ``E d = r`` with some unknowns held: a basis ``Z`` of the
null space of ``E`` by a pivoted QR of its transpose, then a QR of ``J Z`` (Nocedal and Wright
2006, 16.2; Björck 1996, 5.1).  Nothing is squared before it is factored.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import qr, solve_triangular

from .lazy import lazy
from .limits import RANK_TOLERANCE, UNMET

if TYPE_CHECKING:
    import scipy.sparse as sp

    from .problem import Bools, Floats, Ints


@dataclass(frozen=True)
class Step:
    """``move`` (n,); ``multipliers`` (e,) of the equalities; ``costs`` (n,) of held unknowns."""

    move: Floats
    multipliers: Floats
    costs: Floats


def rank_of(triangle: Floats) -> int:
    """Give the numerical rank from the triangle of a column-pivoted QR."""
    diagonal = np.abs(np.diag(triangle))
    if diagonal.size == 0 or diagonal[0] == 0:
        return 0
    return int(np.count_nonzero(diagonal > RANK_TOLERANCE * diagonal[0]))


def _finite(numbers: Floats) -> Floats:
    if not np.isfinite(numbers).all():
        raise np.linalg.LinAlgError("numbers beyond the range of the arithmetic")
    return numbers


class DenseBasis:
    """Null space of the equalities over the free unknowns; reused while both stay the same."""

    def __init__(self, equalities: sp.csr_array, free: Bools) -> None:
        self.equalities = equalities
        self.free: Ints = np.flatnonzero(free)
        self.rows = equalities.toarray()
        _finite(self.rows)
        q, triangle, order = qr(self.rows[:, self.free].T, pivoting=True)
        rank = rank_of(triangle)
        self.range: Floats = q[:, :rank]
        self.null: Floats = q[:, rank:]
        self._triangle: Floats = triangle[:rank, :rank]
        self._order: Ints = order[:rank]

    def particular(self, shortfall: Floats) -> Floats:
        """Give the shortest move of the free unknowns with ``E move = shortfall``."""
        inner = solve_triangular(self._triangle, shortfall[self._order], trans="T")
        return np.asarray(self.range @ inner)

    def multipliers(self, gradient: Floats) -> Floats:
        """Give multipliers with ``Eᵀ multipliers = gradient`` over the free unknowns."""
        result = np.zeros(self.rows.shape[0])
        result[self._order] = solve_triangular(self._triangle, self.range.T @ gradient)
        return result


class DenseFactor:
    """The inner problem at one point, ready for any number of right-hand sides."""

    def __init__(self, basis: DenseBasis, jacobian: sp.csr_array) -> None:
        self._basis = basis
        self._jacobian = jacobian
        self._reduced = _finite(np.asarray(jacobian[:, basis.free] @ basis.null))

    @lazy
    def _triangle(self) -> Floats:
        rows, columns = self._reduced.shape
        if rows < columns:
            return np.zeros((columns, columns))
        return np.asarray(np.linalg.qr(self._reduced, mode="r"))

    @lazy
    def singular(self) -> bool:
        """Whether the readings leave a direction undetermined."""
        diagonal = np.abs(np.diag(self._triangle))
        if diagonal.size == 0:
            return False
        size = np.linalg.norm(self._triangle, axis=0)
        return bool(np.any(diagonal <= RANK_TOLERANCE * np.where(size > 0, size, 1.0)))

    @lazy
    def _seen(self) -> tuple[Floats, Floats]:
        """Give the sizes and directions (k, reduced) that the readings see at all."""
        _, sizes, along = np.linalg.svd(self._reduced, full_matrices=False)
        kept = sizes > RANK_TOLERANCE * sizes.max(initial=0.0)
        return sizes[kept], along[kept]

    def _newton(self, right: Floats) -> Floats:
        if self._triangle.shape[0] == 0:
            return right
        if self.singular:
            sizes, along = self._seen
            return np.asarray(along.T @ ((along @ right) / sizes**2))
        inner = solve_triangular(self._triangle, right, trans="T")
        return np.asarray(solve_triangular(self._triangle, inner))

    def solve(self, gradient: Floats, shortfall: Floats, held_move: Floats) -> Step:
        """
        Solve for the step.

        ``gradient`` (n,), ``shortfall`` (e,) = target - E x, ``held_move`` (n,): how far each
        held unknown moves (ignored where free).

        Raises
        ------
        numpy.linalg.LinAlgError
            if the numbers are too far apart for a double.
        """
        free, null = self._basis.free, self._basis.null
        move = held_move.copy()
        move[free] = 0.0
        move[free] = self._basis.particular(_finite(shortfall - self._basis.equalities @ move))
        slope = _finite(gradient + self._jacobian.T @ (self._jacobian @ move))
        move[free] -= null @ self._newton(null.T @ slope[free])
        slope = _finite(gradient + self._jacobian.T @ (self._jacobian @ move))
        multipliers = self._basis.multipliers(slope[free])
        return Step(move, multipliers, slope - self._basis.equalities.T @ multipliers)

    @lazy
    def _root(self) -> Floats:
        """Root of the covariance of the free unknowns: ``root @ root.T``."""
        if self._triangle.shape[0] == 0:
            return np.zeros((len(self._basis.free), 0))
        if self.singular:
            sizes, along = self._seen
            return np.asarray(self._basis.null @ (along.T / sizes))
        inverse = solve_triangular(self._triangle, self._basis.null.T, trans="T")
        return np.asarray(inverse.T)

    def spread(self, rights: Floats) -> Floats:
        """Give the covariance times each of ``rights`` (n, k), what is held unmoved."""
        result = np.zeros_like(rights)
        result[self._basis.free] = self._root @ (self._root.T @ rights[self._basis.free])
        return result

    def variance(self, rows: sp.csr_array) -> Floats:
        """Give the variance of each functional in ``rows`` (k, n), shape (k,)."""
        spread = rows[:, self._basis.free] @ self._root
        return np.asarray(np.einsum("ij,ij->i", spread, spread))

    def cross(self, left: sp.csr_array, right: sp.csr_array, partner: Ints) -> Floats:
        """
        Give the covariance of each functional in ``left`` (k, n) with its partner in ``right``.

        ``partner`` (k,) are positions in ``right`` (l, n).
        """
        free = self._basis.free
        spread = (right[:, free] @ self._root)[partner]
        return np.asarray(np.einsum("ij,ij->i", left[:, free] @ self._root, spread))

    def stiffness(self, rows: sp.csr_array) -> Floats:
        """
        Give the least ``|J d|²`` with ``E d = c`` for each row ``c`` (k, e), shape (k,).

        Infinite where no move leaves the equalities unmet by ``c``.
        """
        basis, wanted = self._basis, rows.toarray().T
        moves = basis.particular(wanted)
        unmet = np.abs(basis.rows[:, basis.free] @ moves - wanted).max(axis=0, initial=0.0)
        rows = self._jacobian[:, basis.free]
        moves = moves - self._root @ (self._root.T @ (rows.T @ (rows @ moves)))
        seen = np.asarray(rows @ moves)
        size = np.abs(wanted).max(axis=0, initial=0.0)
        return np.where(unmet <= UNMET * size, np.einsum("ij,ij->j", seen, seen), np.inf)
