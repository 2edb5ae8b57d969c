"""
What the balances of many shifts leave over: residuals in the space where nothing else is seen.

In one shift the weighted residuals of all rows (readings over their sds, and what is known
beforehand) are ``e = M ε``, with M the projector that the balance leaves and ε standard normal
(Narasimhan and Jordache 2000, chapter 7).  With ``M = Q Qᵀ`` the coordinates ``w = Qᵀ e`` are
independent and standard normal, as many as there are degrees of freedom, and a bias of b sd in
reading i moves them by ``b q_i``, q_i the i-th row of Q, whose square is the redundancy number r_i
of the reading (Förstner 1979).  All evidence over shifts rests on w and Q.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

UNCHECKED = 1e-6
"""Redundancy numbers below this are rounding: nothing checks the reading."""


@dataclass(frozen=True)
class Residuals:
    """
    The residuals of many shifts.

    ``w`` (shifts, degrees) coordinates, zero beyond a shift's own degrees of freedom; ``bases``
    (kinds, readings, degrees) the rows q_i, zero for what was not read; ``of`` (shifts,) which of
    the bases is a shift's.  A reading that is too high moves w along its row.
    """

    w: Floats
    bases: Floats
    of: Ints

    @property
    def shifts(self) -> int:
        """How many shifts there are."""
        return len(self.w)

    @cached_property
    def counts(self) -> Floats:
        """How many shifts have each basis, (kinds,)."""
        return np.bincount(self.of, minlength=len(self.bases)).astype(np.float64)

    @cached_property
    def redundancy(self) -> Floats:
        """Redundancy number of each reading in each shift, zero where not read or unchecked."""
        by_kind = np.einsum("kiv,kiv->ki", self.bases, self.bases)
        return np.where(by_kind > UNCHECKED, by_kind, 0.0)[self.of]

    @cached_property
    def scatter(self) -> Floats:
        """Sums of w wᵀ over the shifts of each basis, (kinds, degrees, degrees)."""
        sums = np.zeros((len(self.bases), self.w.shape[1], self.w.shape[1]))
        for kind in range(len(self.bases)):
            mine = self.w[self.of == kind]
            sums[kind] = mine.T @ mine
        return sums

    @cached_property
    def serial(self) -> tuple[float, float]:
        """
        Give the correlation of residuals from shift to shift, and its sd if there is none.

        The products ``e_tᵀ e_{t+1}`` have mean zero and variance ``tr(M_t M_{t+1})`` where shifts
        are independent.
        """
        e = np.stack([self.bases[k] @ w for k, w in zip(self.of, self.w, strict=True)])
        free = float(sum((self.bases[k] ** 2).sum() for k in self.of[1:]))
        if free < 1 or self.shifts < 2:  # noqa: PLR2004 - nothing comes after
            return 0.0, float("inf")
        return float((e[1:] * e[:-1]).sum() / free), float(free**-0.5)

    def covariance(self, ratio: Floats) -> Floats:
        """
        Give the covariance of w in each basis, (kinds, degrees, degrees).

        Variances are ``ratio`` (readings,) of those stated.
        """
        changed = np.flatnonzero(ratio != 1)
        rows = self.bases[:, changed]
        excess = np.einsum("kiv,i,kiu->kvu", rows, ratio[changed] - 1, rows)
        return np.asarray(excess + np.eye(self.w.shape[1]))

    def whitened(self, ratio: Floats) -> Residuals:
        """Give the same residuals in coordinates that are standard normal under ``ratio``."""
        if (ratio == 1).all():
            return self
        root = np.linalg.cholesky(self.covariance(ratio))
        bases = np.linalg.solve(root, self.bases.transpose(0, 2, 1)).transpose(0, 2, 1)
        w = np.empty_like(self.w)
        for kind in range(len(bases)):
            mine = self.of == kind
            w[mine] = np.linalg.solve(root[kind], self.w[mine].T).T
        return Residuals(w, bases, self.of)

    def less(self, moves: Floats) -> Residuals:
        """Give the residuals with moves (shifts, degrees) taken away."""
        return replace(self, w=self.w - moves)

    def without(self, shift: int, signature: Floats) -> Residuals:
        """Give the residuals blind to one direction (degrees,) in one shift."""
        unit = signature / np.linalg.norm(signature)
        basis = self.bases[self.of[shift]]
        blind = basis - np.outer(basis @ unit, unit)
        w, of = self.w.copy(), self.of.copy()
        w[shift] -= unit * (unit @ w[shift])
        of[shift] = len(self.bases)
        return Residuals(w, np.concatenate((self.bases, blind[None])), of)


@dataclass(frozen=True)
class Instruments:
    """
    Which readings have one instrument or sample point.

    ``of`` (readings,) the position of each reading's instrument; ``count`` of them.  A bias of one
    moves each of its readings by the same number of its stated sds.
    """

    of: Ints
    count: int

    @cached_property
    def members(self) -> Floats:
        """One where a reading is of an instrument, (instruments, readings)."""
        return np.asarray(self.of[None, :] == np.arange(self.count)[:, None]).astype(np.float64)

    def signatures(self, residuals: Residuals) -> Floats:
        """Give what a bias of one sd moves in each basis, (kinds, instruments, degrees)."""
        if self.count == len(self.of) and np.array_equal(self.of, np.arange(self.count)):
            return residuals.bases
        return np.asarray(np.einsum("gi,kiv->kgv", self.members, residuals.bases))
