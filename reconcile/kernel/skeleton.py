"""The optimality system's pattern in an order of elimination, and where everything stands in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .compiled import compiled
from .elimination import Elimination, eliminations, standing_of
from .exact import Rows
from .ldl import Symbolic, tree_within
from .ordering import pairs_of, upper_pattern
from .ratio_rows import slopes_of

if TYPE_CHECKING:
    from .elimination import Standing
    from .problem import Bools, Floats, Ints, Ratios


@dataclass(frozen=True)
class Skeleton:
    """
    One pattern of readings (m, n) and equalities (e, n), ordered and analysed.

    ``place`` (n + e,) of each unknown and balance in the order; ``pair_start`` (m + 1,), ``first``
    and ``second`` the products of two coefficients of one reading; the ``_entry`` arrays say where
    each product, each diagonal (n + e,) and each coefficient of an equality stands in the matrix.
    """

    elimination: Elimination
    place: Ints
    symbolic: Symbolic
    pair_start: Ints
    first: Ints
    second: Ints
    pair_entry: Ints
    diagonal_entry: Ints
    balance_entry: Ints


@compiled
def _placed(
    order: Ints, one: Ints, other: Ints, most: float
) -> tuple[Ints, Ints, Ints, Ints, Ints, Ints, float]:
    """
    Analyse a pattern in an order, as far as its work does not pass ``most``.

    ``one`` and ``other`` are the two unknowns or balances of each entry.  Gives the place of each,
    the upper triangle, where each entry stands, and the elimination tree with counts and work.
    """
    size = len(order)
    place = np.empty(size, dtype=np.int64)
    for k in range(size):
        place[order[k]] = k
    pointer, index, entry = upper_pattern(place[one], place[other], size)
    parent, count, work = tree_within(pointer, index, most)
    return place, pointer, index, entry, parent, count, work


@compiled
def _analysed(equal: Rows, slopes: Rows, at: Standing) -> tuple[Ints | Bools, ...]:
    """Order and analyse, by the one of two orders with less work."""
    n, e = len(at.groups), len(at.rows)
    pair_start, first, second = pairs_of(slopes.start)
    weak, order, last, other_order, other_last = eliminations(equal, slopes, first, second, at)
    count, entries = len(first), len(first) + n + e + len(equal.column)
    one, other = np.empty(entries, dtype=np.int64), np.empty(entries, dtype=np.int64)
    for k in range(count):
        one[k], other[k] = slopes.column[first[k]], slopes.column[second[k]]
    for j in range(n + e):
        one[count + j] = other[count + j] = j
    for r in range(e):
        for p in range(equal.start[r], equal.start[r + 1]):
            one[count + n + e + p], other[count + n + e + p] = n + r, equal.column[p]
    place, pointer, index, entry, parent, below, work = _placed(order, one, other, np.inf)
    if at.rank.any():
        found = _placed(other_order, one, other, work)
        if found[6] < work:
            order, last = other_order, other_last
            place, pointer, index, entry, parent, below, work = found
    start = np.zeros(n + e + 1, dtype=np.int64)
    start[1:] = np.cumsum(below)
    return (
        weak,
        order,
        last,
        place,
        pointer,
        index,
        parent,
        start,
        pair_start,
        first,
        second,
        entry[:count],
        entry[count : count + n + e],
        entry[count + n + e :],
    )


def _skeleton(found: tuple[Any, ...]) -> Skeleton:
    weak, order, last, place, pointer, index, parent, start, *products = found
    symbolic = Symbolic(pointer, index, (parent, start))
    return Skeleton(Elimination(order, weak, last), place, symbolic, *products)


def skeleton_of(equal: Rows, slopes: Rows, at: Standing) -> Skeleton:
    """
    Order and analyse a statement once.

    ``equal`` (e, n) and ``slopes`` (m, n), the readings' derivatives at a typical point, by which
    unknowns that no reading sees by themselves are told.  Of the two orders, streams before nodes
    and quantity by quantity (where ``at`` has ranks), the one with less work is taken.
    """
    return _skeleton(_analysed(equal, slopes, at))


@compiled
def _stated(
    equal: Rows,
    start: Ints,
    column: Ints,
    above: Floats,
    below: Floats,
    beside: Floats,
    constant: Floats,
    point: Floats,
    balances: tuple[Ints, Ints],
    shape: tuple[int, int],
    ranked: bool,
) -> tuple[Floats, tuple[Ints | Bools, ...]]:
    slope = slopes_of(start, column, above, below, beside, constant, point)
    at = standing_of(balances, len(equal.start) - 1, shape, len(point), ranked)
    return slope, _analysed(equal, Rows(start, column, slope), at)


def statement_of(
    equal: Rows,
    ratios: Ratios,
    point: Floats,
    balances: tuple[Ints, Ints],
    shape: tuple[int, int],
    *,
    ranked: bool,
) -> tuple[Rows, Skeleton]:
    """
    Give the derivatives of readings without products at a typical ``point`` (n,), and the order.

    ``balances`` are node and quantity of the first rows of ``equal``, and ``shape`` the streams and
    quantities; ``ranked`` where nothing but solids couples the quantities.
    """
    rows = ratios.indptr, ratios.indices
    parts = *rows, ratios.above, ratios.below, ratios.beside, ratios.constant
    slope, found = _stated(equal, *parts, point, balances, shape, ranked)
    return Rows(*rows, slope), _skeleton(found)
