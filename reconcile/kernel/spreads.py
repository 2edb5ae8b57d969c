"""
What covariances ask of a factor in a known order, compiled.

Right-hand sides go into the order of elimination and come back out of it in the same pass.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .exact import Rows
from .ldl import substitute
from .limits import SOLVE_BLOCK
from .system import pulled, seen

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


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


@part_of_others
def _forward(factor: Eliminated, right: Floats) -> None:
    """Eliminate ``right`` (n + e, k) in place, of which most is zero."""
    k = right.shape[1]
    for t in range(len(right)):
        y, there = right[t], False
        for c in range(k):
            there |= y[c] != 0.0
        if there:
            for p in range(factor.start[t], factor.start[t + 1]):
                into, share = right[factor.rows[p]], factor.lower[p]
                for c in range(k):
                    into[c] -= share * y[c]


@part_of_others
def _places(order: Ints) -> Ints:
    """Give where each of the unknowns and balances stands in the order, (n + e,)."""
    place = np.empty_like(order)
    for t in range(len(order)):
        place[order[t]] = t
    return place


@part_of_others
def _needed(factor: Eliminated, place: Ints, sum_column: Ints) -> Bools:
    """Say of each place in the order whether others, or a sum, need to know all that is there."""
    needed = np.zeros(len(place), dtype=np.bool_)
    for p in range(len(factor.rows)):
        needed[factor.rows[p]] = True
    for p in range(len(sum_column)):
        needed[place[sum_column[p]]] = True
    return needed


@part_of_others
def _back(factor: Eliminated, right: Floats, needed: Bools, own: Ints) -> None:
    """
    Solve in place for what was eliminated, ``right`` (n + e, k), as far as it is asked for.

    Of what is not ``needed`` that is the one column that is its ``own`` (n + e,), -1 for none.
    """
    k = right.shape[1]
    for t in range(len(right) - 1, -1, -1):
        y, first, last = right[t], factor.start[t], factor.start[t + 1]
        if needed[t]:
            for c in range(k):
                y[c] *= factor.inverse[t]
            for p in range(first, last):
                known, share = right[factor.rows[p]], factor.lower[p]
                for c in range(k):
                    y[c] -= share * known[c]
        elif own[t] >= 0:
            c = own[t]
            y[c] *= factor.inverse[t]
            for p in range(first, last):
                y[c] -= factor.lower[p] * right[factor.rows[p], c]


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
    whole, sums = len(factor.order), len(sum_start) - 1
    cross, shared = np.empty(len(partner)), np.zeros(sums)
    place, own = _places(factor.order), np.empty(whole, dtype=np.int64)
    needed = _needed(factor, place, sum_column)
    for begin in range(0, sums, SOLVE_BLOCK):
        end = min(begin + SOLVE_BLOCK, sums)
        right = np.zeros((whole, end - begin))
        own[:] = -1
        for j in range(len(partner)):
            if begin <= partner[j] < end:
                own[place[j]] = partner[j] - begin
        for row in range(begin, end):
            for p in range(sum_start[row], sum_start[row + 1]):
                j = sum_column[p]
                right[place[j], row - begin] = columns[j] * sum_data[p]
        _forward(factor, right)
        _back(factor, right, needed, own)
        for j in range(len(partner)):
            if begin <= partner[j] < end:
                cross[j] = columns[j] * right[place[j], partner[j] - begin]
        for row in range(begin, end):
            for p in range(sum_start[row], sum_start[row + 1]):
                j = sum_column[p]
                shared[row] += sum_data[p] * columns[j] * right[place[j], row - begin]
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
