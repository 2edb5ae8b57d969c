"""
The kernel's statement of a reconciliation: arrays and positions, no names.

Minimise ``½ Σ ((h_i(x) - y_i) / sd_i)²`` with ``h_i = (n_i·x) / (d_i·x + c_i)`` subject to
``E x = b``, ``x_j ≥ lower_j`` and ``G x ≥ 0``.  Rows ``n_i``, ``d_i`` share one sparse pattern.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .rows import largest_in_rows, reciprocal, scale_columns, scale_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Ratios:
    """
    Readings as ratios of linear functionals over a common row pattern.

    ``indptr``, ``indices`` are the compressed rows, shape (m,) over n columns; ``above`` and
    ``below`` the coefficients of ``n_i`` and ``d_i`` on that pattern; ``constant`` is ``c_i``.
    """

    columns: int
    indptr: Ints
    indices: Ints
    above: Floats
    below: Floats
    constant: Floats

    @property
    def count(self) -> int:
        """Number of readings."""
        return len(self.constant)

    @property
    def row_of_entry(self) -> Ints:
        """Row position of each stored coefficient."""
        return np.repeat(np.arange(self.count), np.diff(self.indptr))

    def _rows(self, data: Floats) -> sp.csr_array:
        shape = (self.count, self.columns)
        return sp.csr_array((data, self.indices, self.indptr), shape=shape)

    def numerators(self, x: Floats) -> Floats:
        """Give ``n_i·x``, shape (m,)."""
        return np.asarray(self._rows(self.above) @ x)

    def denominators(self, x: Floats) -> Floats:
        """Give ``d_i·x + c_i``, shape (m,)."""
        return np.asarray(self._rows(self.below) @ x) + self.constant

    def jacobian(self, ratio: Floats, weight: Floats) -> sp.csr_array:
        """Give rows ``weight_i (n_i - ratio_i d_i)``, shape (m, n)."""
        row = self.row_of_entry
        return self._rows((self.above - ratio[row] * self.below) * weight[row])

    def scaled(self, scale: Floats) -> Ratios:
        """Give the same readings of ``x / scale``."""
        factor = scale[self.indices]
        return replace(self, above=self.above * factor, below=self.below * factor)

    def keep(self, chosen: Bools) -> Ratios:
        """Give the readings marked in ``chosen``, shape (m,)."""
        entries = chosen[self.row_of_entry]
        lengths = np.diff(self.indptr)[chosen]
        return Ratios(
            self.columns,
            np.concatenate(([0], np.cumsum(lengths))),
            self.indices[entries],
            self.above[entries],
            self.below[entries],
            self.constant[chosen],
        )


@dataclass(frozen=True)
class Places:
    """Where unknowns and balances stand: ``groups`` (n,) streams, ``rows`` (balances,) nodes."""

    groups: Ints
    rows: Ints

    def rows_for(self, count: int) -> Ints:
        """Give the node of each of ``count`` equalities; those beyond the balances stand alone."""
        alone = self.rows.max(initial=-1) + 1 + np.arange(count - len(self.rows))
        return np.concatenate((self.rows, alone))


@dataclass(frozen=True)
class Problem:
    """
    One reconciliation, ready to solve.

    ``equalities`` (e, n) with ``target`` (e,); ``ratios`` with ``y`` and ``sd`` > 0, both (m,);
    ``lower`` (n,), ``-inf`` where free; ``within`` (g, n), rows that must stay ≥ 0;
    ``places``, by which large systems are ordered.
    """

    equalities: sp.csr_array
    target: Floats
    ratios: Ratios
    y: Floats
    sd: Floats
    lower: Floats
    within: sp.csr_array
    places: Places

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.ratios.columns

    def residuals(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Give ``(h - y) / sd``, ``h`` and the denominators at ``x``, each (m,)."""
        below = self.ratios.denominators(x)
        ratio = self.ratios.numerators(x) / below
        return (ratio - self.y) / self.sd, ratio, below

    def scaled(self, scale: Floats) -> Problem:
        """Give the same problem in the unknowns ``x / scale``, its rows of unit size."""
        equalities, factor = _unit_rows(scale_columns(self.equalities, scale))
        within, _ = _unit_rows(scale_columns(self.within, scale))
        return Problem(
            equalities,
            self.target * factor,
            self.ratios.scaled(scale),
            self.y,
            self.sd,
            self.lower / scale,
            within,
            self.places,
        )


def _unit_rows(rows: sp.csr_array) -> tuple[sp.csr_array, Floats]:
    factor = reciprocal(largest_in_rows(rows))
    return scale_rows(rows, factor), factor
