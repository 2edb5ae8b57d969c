"""
What can be known, and how well, by dense linear algebra at a given state.

With ``J`` the derivative of every reading by free coordinates of the conserving flows, a
quantity with gradient ``g`` is determined by the readings if ``g`` lies in the row space of
``J``; a reading is redundant if its own row lies in the row space of the others; the degrees of
freedom are the readings less the rank of ``J``.  The covariance of the coordinates is
``(Jᵀ V⁻¹ J)⁺`` on that row space; readings with zero sd are equations, which restrict the
coordinates first (Narasimhan & Jordache 2000, chapters 3 and 7, in the null-space form).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.linalg as sl

from .statement import Array, Statement

RANK = 1e-9
"""Relative singular value below which a direction counts as undetermined."""


def row_space(matrix: Array, tolerance: float = RANK) -> Array:
    """Give an orthonormal basis (rows) of the row space, after scaling every row to length 1."""
    lengths = np.linalg.norm(matrix, axis=1, keepdims=True)
    rows = matrix / np.where(lengths > 0, lengths, 1.0)
    if not rows.size:
        return np.zeros((0, matrix.shape[1]))
    _, s, vt = np.linalg.svd(rows, full_matrices=False)
    return vt[: int(np.sum(s > tolerance * s[0]))]


def clearness(matrix: Array) -> float:
    """
    Say how clearly the rank of a matrix stands out: 1 is plain, 0 is anybody's guess.

    The share of singular values, on a logarithmic scale, that keep out of the band between
    1e-12 and 1e-6 of the largest.
    """
    lengths = np.linalg.norm(matrix, axis=1, keepdims=True)
    s = np.linalg.svd(matrix / np.where(lengths > 0, lengths, 1.0), compute_uv=False)
    doubtful = np.sum((s > 1e-12 * s[0]) & (s < 1e-6 * s[0]))
    return 1.0 - float(doubtful) / len(s)


@dataclass(frozen=True)
class Dense:
    """The derivative of the readings and the flows at a state."""

    statement: Statement
    flows: Array

    @cached_property
    def slopes(self) -> Array:
        """Derivative of every reading by the coordinates."""
        return self.statement.slopes(self.flows)

    def mass(self, s: int) -> Array:
        """Gradient of the solids of a stream."""
        return self.component_mass(s, 0)

    def component_mass(self, s: int, q: int) -> Array:
        """Gradient of one quantity in a stream."""
        return self.statement.span[s * self.statement.quantities + q]

    def assay(self, s: int, q: int) -> Array:
        """Gradient of component over solids."""
        x = self.flows
        return (self.component_mass(s, q) - x[s, q] / x[s, 0] * self.mass(s)) / x[s, 0]

    def share(self, s: int, q: int, whole: list[int]) -> Array:
        """Gradient of one stream's share of the sum over ``whole`` (yield, recovery, split)."""
        x, total = self.flows, float(self.flows[whole, q].sum())
        rows = np.sum([self.component_mass(t, q) for t in whole], axis=0)
        own = self.component_mass(s, q)
        gradient = (own - x[s, q] / total * rows) / total
        constant = np.linalg.norm(gradient) * total < 1e-12 * np.linalg.norm(own)
        return np.zeros_like(gradient) if constant else gradient

    def knows(self, gradient: Array, without: int | None = None) -> bool:
        """Say whether the readings (less one) determine a quantity."""
        if without is None:
            rows = self._determined
        else:
            rows = row_space(np.delete(self.slopes, without, axis=0))
        length = np.linalg.norm(gradient)
        if length == 0.0:
            return True
        return bool(np.linalg.norm(gradient - rows.T @ (rows @ gradient)) < 1e-7 * length)

    @property
    def degrees_of_freedom(self) -> int:
        """Readings less rank."""
        return len(self.statement.value) - len(self._determined)

    @cached_property
    def _determined(self) -> Array:
        return row_space(self.slopes)

    @cached_property
    def covariance(self) -> Array:
        """
        Give the covariance of the coordinates, on the determined directions.

        Directions that the readings do not determine have no variance here: ask
        :meth:`knows` first.
        """
        slopes, sd = self.slopes, self.statement.sd
        fixed = sd == 0
        free = np.eye(slopes.shape[1])
        if fixed.any():
            rows = slopes[fixed]
            free = sl.null_space(rows / np.linalg.norm(rows, axis=1, keepdims=True), rcond=1e-10)
        whitened = (slopes[~fixed] @ free) / sd[~fixed][:, None]
        _, s, vt = np.linalg.svd(whitened, full_matrices=False)
        keep = s > RANK * s[0]
        root = free @ (vt[keep].T / s[keep])
        return root @ root.T

    def sd(self, gradient: Array) -> float:
        """Give the posterior standard deviation of a determined quantity."""
        return float(np.sqrt(max(gradient @ self.covariance @ gradient, 0.0)))
