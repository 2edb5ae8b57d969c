"""The optimality system's pattern in an order of elimination, and where everything stands in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .ldl import Symbolic
from .ordering import pairs_of, upper_pattern

if TYPE_CHECKING:
    import scipy.sparse as sp
    from numpy.typing import NDArray

    from .elimination import Elimination
    from .problem import Ints

    Positions = NDArray[np.integer]


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


def skeletons_of(
    equalities: sp.csr_array, rows: tuple[Positions, Positions], orders: list[Elimination]
) -> list[Skeleton]:
    """Analyse equalities with readings of a pattern (starts, columns), in several orders."""
    e, n = equalities.shape
    start, index = (part.astype(np.int64) for part in rows)
    pair_start, first, second = pairs_of(start)
    count = len(first)
    balance = np.repeat(np.arange(n, n + e), np.diff(equalities.indptr))
    every = np.arange(n + e)
    one = np.concatenate((index[first], every, balance))
    other = np.concatenate((index[second], every, equalities.indices))
    found = []
    for order in orders:
        place = np.empty(n + e, dtype=np.int64)
        place[order.order] = every
        pointer, row, entry = upper_pattern(place[one], place[other], n + e)
        symbolic = Symbolic(pointer, row)
        entries = np.split(entry, (count, count + n + e))
        found.append(Skeleton(order, place, symbolic, pair_start, first, second, *entries))
    return found
