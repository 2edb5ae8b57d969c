"""A statement's patterns laid out for the compiled loops: order, factor, what goes where."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp

from .elimination import Elimination, Ranks, eliminate
from .lane_readings import Layout
from .ldl import Symbolic

if TYPE_CHECKING:
    from .problem import Ints, Places, Ratios


def _pairs(ratios: Ratios) -> tuple[Ints, Ints, Ints]:
    """Give the products of two coefficients of one reading: row starts, first and second entry."""
    lengths = np.diff(ratios.indptr)
    counts = lengths * (lengths + 1) // 2
    starts = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(counts)))
    first, second = np.empty(starts[-1], dtype=np.int64), np.empty(starts[-1], dtype=np.int64)
    for length in np.unique(lengths):
        rows = np.flatnonzero(lengths == length)
        a, b = np.triu_indices(int(length))
        at = starts[rows][:, None] + np.arange(len(a))
        first[at] = ratios.indptr[rows][:, None] + a
        second[at] = ratios.indptr[rows][:, None] + b
    return starts, first, second


def layout_of(
    equalities: sp.csr_array,
    ratios: Ratios,
    within: sp.csr_array,
    typical: sp.csr_array,
    places: Places,
    ranks: Ranks | None,
) -> Layout:
    """
    Order and analyse a statement once.

    ``typical`` (m, n) are the readings' derivatives at a typical point, by which unknowns that no
    reading sees by themselves are told.  Of the two orders, streams before nodes and quantity by
    quantity (where ``ranks`` are given), the one with less work is taken.
    """
    equalities = sp.csr_array(equalities)
    row_groups = places.rows_for(equalities.shape[0])
    pairs = _pairs(ratios)
    orders = [eliminate(equalities, typical, places.groups, row_groups)]
    if ranks is not None:
        orders.append(eliminate(equalities, typical, places.groups, row_groups, ranks))
    tried = [(order, *_analysed(equalities, ratios, pairs, order)) for order in orders]
    return _laid(equalities, ratios, within, pairs, *min(tried, key=lambda one: one[1].work))


def _analysed(
    equalities: sp.csr_array, ratios: Ratios, pairs: tuple[Ints, Ints, Ints], found: Elimination
) -> tuple[Symbolic, Ints]:
    """Give the symbolic factor, and where pairs, diagonals and coefficients stand in the matrix."""
    e, n = equalities.shape
    place = np.empty(n + e, dtype=np.int64)
    place[found.order] = np.arange(n + e)
    _, first, second = pairs
    columns = ratios.indices
    row = np.repeat(np.arange(e), np.diff(equalities.indptr))
    ends = (
        np.concatenate((place[columns[first]], np.arange(n + e), place[n + row])),
        np.concatenate((place[columns[second]], np.arange(n + e), place[equalities.indices])),
    )
    low, high = np.minimum(*ends), np.maximum(*ends)
    code, entry = np.unique(high * (n + e) + low, return_inverse=True)
    pointer = np.searchsorted(code // (n + e), np.arange(n + e + 1)).astype(np.int64)
    index = (code % (n + e)).astype(np.int64)
    return Symbolic(pointer, index), entry


def _laid(
    equalities: sp.csr_array,
    ratios: Ratios,
    within: sp.csr_array,
    pairs: tuple[Ints, Ints, Ints],
    found: Elimination,
    symbolic: Symbolic,
    entry: Ints,
) -> Layout:
    whole, count = len(found.order), len(pairs[1])
    place = np.empty(whole, dtype=np.int64)
    place[found.order] = np.arange(whole)
    diagonal = entry[count : count + whole]
    return Layout(
        ratios.indptr.astype(np.int64),
        ratios.indices.astype(np.int64),
        ratios.above,
        ratios.below,
        ratios.beside,
        ratios.constant,
        equalities.indptr.astype(np.int64),
        equalities.indices.astype(np.int64),
        equalities.data,
        within.indptr.astype(np.int64),
        within.indices.astype(np.int64),
        within.data,
        found.weak,
        found.order.astype(np.int64),
        symbolic.pointer,
        symbolic.index,
        symbolic.start,
        *symbolic.reaches,
        pairs[0],
        entry[:count].astype(np.int64),
        diagonal[place].astype(np.int64),
        entry[count + whole :].astype(np.int64),
    )
