"""
The factor of a large matrix in blocks of columns, compiled.

Neighbouring columns of one pattern (a supernode: Duff and Reid 1983) are a dense block.  Block by
block, the work is long loops over few arrays where row by row it is short ones over many, and what
a block needs of one before is fetched for all its columns together (left-looking: Ng and Peyton
1993).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .compiled import inlined, part_of_others

if TYPE_CHECKING:
    from .problem import Floats, Ints

FOUR = 4
"""Columns taken off together, so that what they are taken off stays at hand."""


@part_of_others
def take_four(
    into: Floats,
    a: Floats,
    b: Floats,
    c: Floats,
    d: Floats,
    f: float,
    g: float,
    h: float,
    i: float,
) -> None:
    """Take multiples of four vectors off another, in this order."""
    for s in range(len(into)):
        into[s] = into[s] - f * a[s] - g * b[s] - h * c[s] - i * d[s]


@part_of_others
def take_one(into: Floats, a: Floats, f: float) -> None:
    """Take a multiple of a vector off another."""
    for s in range(len(into)):
        into[s] -= f * a[s]


@part_of_others
def take_there(into: Floats, there: Ints, a: Floats, f: float) -> None:
    """Take a multiple of a vector off the entries ``there`` of another."""
    for s in range(len(there)):
        # Without a sign nothing asks whether an index counts from the end.
        into[np.uint64(there[s])] -= f * a[s]


@inlined
def _taken_off(
    start: Ints,
    lower: Floats,
    pivot: Floats,
    first: int,
    count: int,
    below: int,
    into: Floats,
) -> float:
    """
    Take off a vector what some columns leave to one of their rows; give what they leave its pivot.

    The ``count`` columns from ``first`` on are of one block.  The row stands ``below`` entries
    before the end of each, and the vector begins with the one after.
    """
    share, m, i = 0.0, len(into), 0
    while i + FOUR <= count:
        p = start[first + i + 1] - below
        q = start[first + i + 2] - below
        r = start[first + i + 3] - below
        s = start[first + i + 4] - below
        f, g = lower[p] * pivot[first + i], lower[q] * pivot[first + i + 1]
        h, k = lower[r] * pivot[first + i + 2], lower[s] * pivot[first + i + 3]
        share += f * lower[p] + g * lower[q] + h * lower[r] + k * lower[s]
        take_four(
            into,
            lower[p + 1 : p + 1 + m],
            lower[q + 1 : q + 1 + m],
            lower[r + 1 : r + 1 + m],
            lower[s + 1 : s + 1 + m],
            f,
            g,
            h,
            k,
        )
        i += FOUR
    while i < count:
        p = start[first + i + 1] - below
        f = lower[p] * pivot[first + i]
        share += f * lower[p]
        take_one(into, lower[p + 1 : p + 1 + m], f)
        i += 1
    return share


@part_of_others
def _take_placed(
    into: Floats, shift: int, place: Ints, rows: Ints, a: Floats, factor: float
) -> None:
    """Take a multiple of a vector off the entries where its rows stand."""
    for s in range(len(rows)):
        # Without a sign nothing asks whether an index counts from the end.
        into[np.uint64(shift + place[np.uint64(rows[s])])] -= factor * a[s]


@part_of_others
def _blocks(start: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Give the first and the last column of each column's block, (n,) each."""
    n = len(start) - 1
    begin, end = np.arange(n), np.arange(n)
    for j in range(1, n):
        count, one_less = start[j] - start[j - 1], start[j + 1] - start[j]
        if count == one_less + 1 and rows[start[j - 1]] == j:
            begin[j] = begin[j - 1]
        end[begin[j]] = j
    for j in range(n):
        end[j] = end[begin[j]]
    return begin, end


@part_of_others
def factorise_blocks(
    pointer: Ints,
    index: Ints,
    start: Ints,
    rows: Ints,
    seat: Ints,
    data: Floats,
    tolerance: float,
    instead: float,
    lower: Floats,
    inverse: Floats,
    pivot: Floats,
) -> None:
    """
    As :func:`~reconcile.kernel.ldl.factorise`, block by block.

    ``seat`` says where each of the matrix's entries goes in the factor.  A block is called by its
    first column.  It waits at the block that its next row, ``met``, belongs to, in a list.
    """
    n = len(inverse)
    begin, end = _blocks(start, rows)
    met, waiting, following = np.empty(n, np.int64), np.full(n, -1), np.empty(n, np.int64)
    place, room = np.empty(n, dtype=np.int64), np.empty(n)
    lower[:] = 0.0
    pivot[:] = 0.0
    for k in range(n):
        for p in range(pointer[k], pointer[k + 1]):
            if index[p] == k:
                pivot[k] += data[p]
            else:
                lower[seat[p]] += data[p]
    for j in range(n):
        first, last = begin[j], end[j]
        if j == first and waiting[j] >= 0:
            for i in range(j, last + 1):
                place[i] = i - j
            for p in range(start[last], start[last + 1]):
                place[rows[p]] = last - j + 1 + p - start[last]
            before = waiting[j]
            while before >= 0:
                after, count = following[before], end[before] - before + 1
                q, stop = met[before], start[end[before] + 1]
                while q < stop and rows[q] <= last:
                    column, there = rows[q], rows[q + 1 : stop]
                    shift, m = start[column] - (column - j) - 1, len(there)
                    if count == 1:
                        factor = lower[q] * pivot[before]
                        pivot[column] -= factor * lower[q]
                        _take_placed(lower, shift, place, there, lower[q + 1 : stop], factor)
                    else:
                        room[:m] = 0.0
                        own, above = room[:m], stop - q
                        share = _taken_off(start, lower, pivot, before, count, above, own)
                        pivot[column] -= share
                        _take_placed(lower, shift, place, there, own, -1.0)
                    q += 1
                if q < stop:
                    at, met[before] = begin[rows[q]], q
                    following[before], waiting[at] = waiting[at], before
                before = after
        own, left = lower[start[j] : start[j + 1]], pivot[j]
        if j > first:
            left -= _taken_off(start, lower, pivot, first, j - first, len(own) + 1, own)
        pivot[j] = left if abs(left) > tolerance else instead
        inverse[j] = 1.0 / pivot[j]
        for s in range(len(own)):
            own[s] *= inverse[j]
        if j == last and len(own) > 0:
            at, met[first] = begin[rows[start[j]]], start[j]
            following[first], waiting[at] = waiting[at], first
