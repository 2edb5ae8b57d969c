"""
What covariances ask of a factor in a known order, compiled.

Right-hand sides go into the order of elimination and come back out of it in the same pass.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled
from .exact import Rows
from .ldl import substitute
from .limits import SOLVE_BLOCK
from .system import pulled, seen

if TYPE_CHECKING:
    from .problem import Floats, Ints


class Eliminated(NamedTuple):
    """
    A factor in its order.

    ``order`` (n + e,) of elimination; ``start``, ``rows`` and ``lower`` the factor by column, and
    ``inverse`` its inverse pivots.
    """

    order: Ints
    start: Ints
    rows: Ints
    lower: Floats
    inverse: Floats


@compiled
def spread_once(factor: Eliminated, columns: Floats, rights: Floats) -> Floats:
    """
    Give the covariance of unknowns times each of ``rights`` (n, k), without refinement.

    ``columns`` (n,) are what the unknowns were multiplied by.
    """
    order = factor.order
    n, k = rights.shape
    turned, found = np.zeros((len(order), k)), np.empty((n, k))
    for t in range(len(order)):
        j = order[t]
        if j < n:
            for c in range(k):
                turned[t, c] = columns[j] * rights[j, c]
    substitute(factor.start, factor.rows, factor.lower, factor.inverse, turned)
    for t in range(len(order)):
        j = order[t]
        if j < n:
            for c in range(k):
                found[j, c] = columns[j] * turned[t, c]
    return found


@compiled
def with_sums(
    factor: Eliminated,
    columns: Floats,
    sum_start: Ints,
    sum_column: Ints,
    sum_data: Floats,
    partner: Ints,
) -> tuple[Floats, Floats]:
    """
    Give the covariance of each of the first unknowns with its sum, and the variance of each sum.

    ``sum_start``, ``sum_column`` and ``sum_data`` are the sums (l, n) by row, of which ``partner``
    (k,) says which belongs to which unknown.
    """
    sums = len(sum_start) - 1
    cross, shared = np.empty(len(partner)), np.zeros(sums)
    for begin in range(0, sums, SOLVE_BLOCK):
        end = min(begin + SOLVE_BLOCK, sums)
        rights = np.zeros((len(columns), end - begin))
        for row in range(begin, end):
            for p in range(sum_start[row], sum_start[row + 1]):
                rights[sum_column[p], row - begin] = sum_data[p]
        found = spread_once(factor, columns, rights)
        for j in range(len(partner)):
            if begin <= partner[j] < end:
                cross[j] = found[j, partner[j] - begin]
        for row in range(begin, end):
            for p in range(sum_start[row], sum_start[row + 1]):
                shared[row] += sum_data[p] * found[sum_column[p], row - begin]
    return cross, shared


@compiled
def bent_moves(
    factor: Eliminated,
    columns: Floats,
    told: Rows,
    own: Floats,
    bent: Floats,
    normal: Floats,
) -> tuple[Floats, Floats]:
    """
    Give random moves of the estimate (n, k), and the same bent to second order.

    ``told`` (m, n) are the readings' derivatives in their sds, what is ``own`` to the quotients and
    what bends them, entry by entry; ``normal`` (m, k) are the errors, in their sds.
    """
    n = len(columns)
    move = spread_once(factor, columns, pulled(told, normal, n))
    bend = -seen(Rows(told.start, told.column, own), move)
    bend *= seen(Rows(told.start, told.column, bent), move)
    return move, move - spread_once(factor, columns, pulled(told, bend, n))
