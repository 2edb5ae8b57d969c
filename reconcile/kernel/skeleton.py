"""The optimality system's pattern in an order of elimination, and where everything stands in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .elimination import Elimination, eliminations, standing_of
from .exact import Rows
from .ldl import Symbolic, tree_within
from .ordering import pairs_of, upper_pattern
from .pins import unmoved
from .ratio_rows import divided, plain_amounts, slopes_of
from .unread import Open, left_open

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


@part_of_others
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
def _analysed(
    equal: Rows, slopes: Rows, at: Standing
) -> tuple[Rows, float, tuple[Ints | Bools, ...]]:
    """
    Order and analyse, by the one of two orders with less work.

    Gives the moves that no reading sees, the work, and the parts of a skeleton.
    """
    n, e = len(at.groups), len(at.rows)
    pair_start, first, second = pairs_of(slopes.start)
    weak, unseen, order, last, other_order, other_last = eliminations(
        equal, slopes, first, second, at
    )
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
    parts = (
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
    return unseen, work, parts


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
    return _skeleton(_analysed(equal, slopes, at)[2])


class Stated(NamedTuple):
    """
    What depends on a statement alone.

    ``meaningful`` (m,) and ``divides`` (n,) as :func:`~reconcile.kernel.ratio_rows.divided` gives
    them, the ``amounts`` read as :func:`~reconcile.kernel.ratio_rows.plain_amounts` does, the
    readings' derivatives ``slopes``, the ``skeleton``, and what is ``open`` if all readings count
    and the balances are all that is exact, with the readings of a ``steady`` denominator (m,)
    (:func:`~reconcile.kernel.pins.unmoved`).
    """

    meaningful: Bools
    divides: Bools
    amounts: tuple[Ints, Ints]
    slopes: Rows
    skeleton: Skeleton
    open: Open
    steady: Bools


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
    absent: Bools,
    push: Floats,
    balances: tuple[Ints, Ints],
    shape: tuple[int, int],
    ranked: bool,
) -> tuple[Bools, Bools, tuple[Ints, Ints], Bools, Floats, Open, tuple[Ints | Bools, ...]]:
    meaningful, divides = divided(start, column, below, constant, absent, shape[1])
    slope = slopes_of(start, column, above, below, beside, constant, point)
    at = standing_of(balances, len(equal.start) - 1, shape, len(point), ranked)
    unseen, work, found = _analysed(equal, Rows(start, column, slope), at)
    weak, last, place = found[0], found[2], found[3]
    if len(unseen.start) - 1 == weak.sum():
        opened = left_open(equal, unseen, ~absent, last, place, push, work)
    else:
        opened = Open(np.zeros(len(point), dtype=np.bool_), False, np.zeros(push.T.shape))
    amounts = plain_amounts(start, column, above, constant)
    steady = unmoved(start, column, below, opened.moves)
    return meaningful, divides, amounts, steady, slope, opened, found


def statement_of(
    equal: Rows,
    ratios: Ratios,
    point: Floats,
    absent: Bools,
    push: Floats,
    balances: tuple[Ints, Ints],
    shape: tuple[int, int],
    *,
    ranked: bool,
) -> Stated:
    """
    Say all of readings without products at a typical ``point`` (n,).

    ``absent`` unknowns (n,) are zero, and ``push`` (k, n) says how far the others move if they are
    held.  ``balances`` are node and quantity of the first rows of ``equal``, and ``shape`` the
    streams and quantities; ``ranked`` where nothing but solids couples the quantities.
    """
    rows = ratios.indptr, ratios.indices
    parts = *rows, ratios.above, ratios.below, ratios.beside, ratios.constant
    at = point, absent, push, balances, shape, ranked
    meaningful, divides, amounts, steady, slope, opened, found = _stated(equal, *parts, *at)
    slopes, skeleton = Rows(*rows, slope), _skeleton(found)
    return Stated(meaningful, divides, amounts, slopes, skeleton, opened, steady)
