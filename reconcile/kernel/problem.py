"""
The kernel's statement of a reconciliation: arrays and positions, no names.

Minimise ``Σ ρ_i((h_i(x) - y_i) / sd_i)`` with ``h_i = N_i(x) / (d_i·x + c_i) + b_i·x`` and
``N_i(x) = n_i·x + Σ k x_p x_q`` subject to ``E x = b``, ``x_j ≥ lower_j`` and ``G x ≥ 0``.  Rows
``n_i``, ``d_i``, ``b_i`` share one sparse pattern.  Most readings are plain ratios under squares;
products come from compositions that are unknown themselves, ``b`` from shared errors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .lazy import lazy
from .losses import Losses
from .quotients import Quotients
from .rows import at_unit_size, scale_columns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Products:
    """
    Terms ``factor · x[left] · x[right]`` of the numerators, each (p,).

    ``row`` is the reading; ``at_left`` and ``at_right`` are the stored entries of the two unknowns
    in that reading's row.
    """

    row: Ints
    left: Ints
    right: Ints
    at_left: Ints
    at_right: Ints
    factor: Floats

    def values(self, x: Floats) -> Floats:
        """Give each term at ``x``."""
        return np.asarray(self.factor * x[self.left] * x[self.right])


@cache
def no_products() -> Products:
    """Give an empty set of products."""
    none = np.zeros(0, dtype=np.int64)
    return Products(none, none, none, none, none, np.zeros(0))


@dataclass(frozen=True)
class Ratios:
    """
    Readings as ratios of linear functionals over a common row pattern.

    ``indptr``, ``indices`` are the compressed rows, shape (m,) over n columns; ``above``, ``below``
    and ``beside`` the coefficients of ``n_i``, ``d_i`` and ``b_i`` on that pattern; ``constant`` is
    ``c_i``; ``products`` are further terms of the numerators.
    """

    columns: int
    indptr: Ints
    indices: Ints
    above: Floats
    below: Floats
    constant: Floats
    beside: Floats
    products: Products

    @property
    def count(self) -> int:
        """Number of readings."""
        return len(self.constant)

    @lazy
    def quotients(self) -> Quotients:
        """The ratios alone, without products and offsets, for the compiled loops."""
        pattern = self.indptr.astype(np.int64), self.indices.astype(np.int64)
        return Quotients(*pattern, self.above, self.below, self.constant)

    @lazy
    def row_of_entry(self) -> Ints:
        """Row position of each stored coefficient."""
        return np.repeat(np.arange(self.count), np.diff(self.indptr))

    def _rows(self, data: Floats) -> sp.csr_array:
        shape = (self.count, self.columns)
        return sp.csr_array((data, self.indices, self.indptr), shape=shape)

    def _sums(self, data: Floats, x: Floats) -> Floats:
        """Give rows with these coefficients times ``x``; to make a matrix takes longer."""
        terms = data * x[self.indices]
        return np.bincount(self.row_of_entry, terms, self.count).astype(np.float64)

    def numerators(self, x: Floats) -> Floats:
        """Give ``N_i(x)``, shape (m,)."""
        result = self._sums(self.above, x)
        if len(self.products.row):
            np.add.at(result, self.products.row, self.products.values(x))
        return result

    def denominators(self, x: Floats) -> Floats:
        """Give ``d_i·x + c_i``, shape (m,)."""
        return self._sums(self.below, x) + self.constant

    def offsets(self, x: Floats) -> Floats:
        """Give ``b_i·x``, what shared errors add to each reading, shape (m,)."""
        return self._sums(self.beside, x)

    def slopes(self, x: Floats) -> Floats:
        """Give the derivative of the numerators at ``x``, one number for each stored entry."""
        if not len(self.products.row):
            return self.above
        products, slopes = self.products, self.above.copy()
        np.add.at(slopes, products.at_left, products.factor * x[products.right])
        np.add.at(slopes, products.at_right, products.factor * x[products.left])
        return slopes

    def jacobian(self, x: Floats, ratio: Floats, weight: Floats) -> sp.csr_array:
        """Give rows ``weight_i (N_i' - ratio_i d_i)`` at ``x``, shape (m, n)."""
        row = self.row_of_entry
        return self._rows((self.slopes(x) - ratio[row] * self.below) * weight[row])

    def derivative(self, x: Floats, ratio: Floats, below: Floats, weight: Floats) -> sp.csr_array:
        """
        Give rows ``weight_i ((N_i' - ratio_i d_i) / below_i + b_i)`` at ``x``, shape (m, n).

        With the ratio and denominator at ``x`` that is the derivative of ``h``, weighted.
        """
        row = self.row_of_entry
        slope = (self.slopes(x) - ratio[row] * self.below) / below[row]
        return self._rows((slope + self.beside) * weight[row])

    def scaled(self, scale: Floats) -> Ratios:
        """Give the same readings of ``x / scale``."""
        factor, products = scale[self.indices], self.products
        grown = products.factor * scale[products.left] * scale[products.right]
        return replace(
            self,
            above=self.above * factor,
            below=self.below * factor,
            beside=self.beside * factor,
            products=replace(products, factor=grown),
        )

    def without_offsets(self, first: int | None = None) -> Ratios:
        """Give the same readings as if they shared no errors; from ``first`` on offsets stay."""
        stays = np.zeros(len(self.indices), dtype=bool) if first is None else self.indices >= first
        return replace(self, beside=np.where(stays, self.beside, 0.0))

    def keep(self, chosen: Bools) -> Ratios:
        """Give the readings marked in ``chosen``, shape (m,)."""
        if chosen.all():
            return self
        entries = chosen[self.row_of_entry]
        lengths = np.diff(self.indptr)[chosen]
        return Ratios(
            self.columns,
            np.concatenate(([0], np.cumsum(lengths))),
            self.indices[entries],
            self.above[entries],
            self.below[entries],
            self.constant[chosen],
            self.beside[entries],
            self._kept_products(chosen, entries),
        )

    def _kept_products(self, chosen: Bools, entries: Bools) -> Products:
        products = self.products
        if not len(products.row):
            return products
        kept = chosen[products.row]
        row, entry = np.cumsum(chosen) - 1, np.cumsum(entries) - 1
        return Products(
            row[products.row[kept]],
            products.left[kept],
            products.right[kept],
            entry[products.at_left[kept]],
            entry[products.at_right[kept]],
            products.factor[kept],
        )


def plain_ratios(
    columns: int, indptr: Ints, indices: Ints, above: Floats, below: Floats, constant: Floats
) -> Ratios:
    """Give readings that share no errors and have no products."""
    beside = np.zeros_like(above)
    return Ratios(columns, indptr, indices, above, below, constant, beside, no_products())


@dataclass(frozen=True)
class Places:
    """
    Where unknowns and balances stand.

    ``groups`` (n,) streams, -1 for unknowns of no stream, which readings all over the flowsheet may
    share; ``rows`` (balances,) nodes.
    """

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

    ``equalities`` (e, n) with ``target`` (e,); ``ratios`` with ``y`` and ``sd`` > 0, both (m,), and
    their ``losses``;
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
    losses: Losses

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.ratios.columns

    def residuals(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Give ``(h - y) / sd``, the ratio in ``h`` and its denominator at ``x``, each (m,)."""
        below = self.ratios.denominators(x)
        ratio = self.ratios.numerators(x) / below
        return (ratio + self.ratios.offsets(x) - self.y) / self.sd, ratio, below

    def scaled(self, scale: Floats) -> Problem:
        """Give the same problem in the unknowns ``x / scale``, its rows of unit size."""
        equalities, factor = at_unit_size(scale_columns(self.equalities, scale))
        within, _ = at_unit_size(scale_columns(self.within, scale))
        return Problem(
            equalities,
            self.target * factor,
            self.ratios.scaled(scale),
            self.y,
            self.sd,
            self.lower / scale,
            within,
            self.places,
            self.losses,
        )
