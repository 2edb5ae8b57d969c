"""
Work on a large factor and its selected inverse in panels, compiled.

Neighbouring columns of one pattern (a supernode: Duff and Reid 1983) are put into a dense matrix, a
*panel*.  What is done with all of its rows at once is a product of dense matrices, for which
``np.dot`` calls BLAS: many times as fast as loops over the factor's entries.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .blocks import take_one
from .compiled import compiled, inlined, part_of_others
from .limits import SOLVE_BLOCK

if TYPE_CHECKING:
    from .problem import Floats, Ints

FEW = 96
"""Entries of a panel up to which loops over them take no longer than products."""

WIDE = 16
"""Columns of a panel at most: what they leave to one another is worked out by loops."""


@part_of_others
def alike(start: Ints, rows: Ints, first: int, most: int) -> int:
    """Count the columns from ``first`` on that have one pattern, up to ``most``."""
    count = 1
    while count < most:
        p, end = start[first + count - 1], start[first + count]
        if p == end or rows[p] != first + count or start[first + count + 1] - end != end - p - 1:
            break
        count += 1
    return count


@part_of_others
def _panels(start: Ints, rows: Ints) -> Ints:
    """Give the first column of each panel, and the number of columns."""
    n = len(start) - 1
    begins, count, first = np.empty(n + 1, dtype=np.int64), 0, 0
    while first < n:
        begins[count] = first
        count += 1
        first += alike(start, rows, first, WIDE)
    begins[count] = n
    return begins[: count + 1]


@part_of_others
def _panel(start: Ints, lower: Floats, first: int, wide: int) -> Floats:
    """Give what stands below ``wide`` columns of one pattern from ``first`` on, (wide, m)."""
    m = start[first + wide] - start[first + wide - 1]
    panel = np.empty((wide, m))
    for i in range(wide):
        end = start[first + i + 1]
        into, entries = panel[i], lower[end - m : end]
        for s in range(m):
            into[s] = entries[s]
    return panel


@inlined
def _take_row(into: Floats, to: int, of: Floats, row: int, factor: float) -> None:
    """Take a multiple of one row (k,) off another, which may be of the same matrix."""
    t, r = np.uint64(to), np.uint64(row)
    for c in range(into.shape[1]):
        # Without a sign nothing asks whether an index counts from the end.
        into[t, np.uint64(c)] -= factor * of[r, np.uint64(c)]


@part_of_others
def take_among(start: Ints, lower: Floats, first: int, own: Floats) -> None:
    """Take off the rows ``own`` (wide, k) of a panel, in place, what each leaves to the next."""
    for i in range(len(own) - 1):
        for j in range(i + 1, len(own)):
            _take_row(own, j, own, i, lower[start[first + i] + j - i - 1])


@part_of_others
def take_below(
    start: Ints, lower: Floats, first: int, own: Floats, there: Ints, into: Floats
) -> None:
    """Take what the rows ``own`` (wide, k) of a panel leave below off the rows ``there``."""
    if len(own) == 1:
        for s in range(len(there)):
            _take_row(into, there[s], own, 0, lower[start[first] + s])
    elif len(there) > 0:
        left = np.dot(_panel(start, lower, first, len(own)).T, own)
        for s in range(len(there)):
            _take_row(into, there[s], left, s, 1.0)


@part_of_others
def _runs(rows: Ints, clique: Ints, after: int, p: int, end: int, run: Ints, seat: Ints) -> int:
    """
    Find a clique's members from ``after`` on among ``rows``, from ``p`` to ``end``; count the runs.

    A run stands in one piece: ``run`` takes the first member of each, and at last their number,
    ``seat`` how far before the end each stands.
    """
    count, before = 0, -1
    for b in range(after, len(clique)):
        while rows[p] != clique[b]:
            p += 1
        if p != before + 1 or count == 0:
            run[count], seat[count] = b, end - p
            count += 1
        before = p
        p += 1
    run[count] = len(clique)
    return count


@part_of_others
def put_half(
    start: Ints,
    rows: Ints,
    diagonal: Floats,
    inner: Floats,
    clique: Ints,
    begin: int,
    end: int,
    into: Floats,
) -> None:
    """
    Put half of the selected inverse's rows ``begin`` to ``end`` of a clique ``into`` a matrix.

    That is the upper triangle and half the diagonal, from column ``begin`` on, zero elsewhere: with
    its transpose it is the inverse's block.  ``clique`` (k,) is ascending.
    """
    run, seat = np.empty(len(clique) + 1, np.int64), np.empty(len(clique), np.int64)
    count = 0
    for a in range(begin, end):
        column, row = clique[a], into[a - begin]
        stop = start[column + 1]
        new = a == begin or clique[a - 1] != column - 1
        if new or alike(start, rows, column - 1, 2) == 1:
            # In columns of one pattern the same rows stand as far from the end.
            count = _runs(rows, clique, a + 1, start[column], stop, run, seat)
        row[: a - begin] = 0.0
        row[a - begin] = 0.5 * diagonal[column]
        for t in range(count):
            late = max(a + 1 - run[t], 0)
            p, b, length = stop - seat[t] + late, run[t] + late, run[t + 1] - run[t] - late
            if length > 0:
                piece, known = row[b - begin : b - begin + length], inner[p : p + length]
                for s in range(length):
                    piece[s] = known[s]


@part_of_others
def _alone(
    start: Ints,
    rows: Ints,
    factors: Floats,
    met: Ints,
    diagonal: Floats,
    inner: Floats,
    found: Floats,
) -> None:
    """Put the selected inverse's entries below a column by itself into ``found`` (m,)."""
    found[:] = 0.0
    for a in range(len(met)):
        column, p = met[a], start[met[a]]
        found[a] -= factors[a] * diagonal[column]
        for b in range(a + 1, len(met)):
            while rows[p] != met[b]:
                p += 1
            found[a] -= factors[b] * inner[p]
            found[b] -= factors[a] * inner[p]
            p += 1


@part_of_others
def _met(
    start: Ints, rows: Ints, diagonal: Floats, inner: Floats, met: Ints, panel: Floats
) -> Floats:
    """Give a panel (wide, m) times less than nothing of the inverse's block of what it meets."""
    (wide, m), found = panel.shape, np.zeros(panel.shape)
    room = np.empty(min(m, SOLVE_BLOCK) * m)
    for begin in range(0, m, SOLVE_BLOCK):
        end = min(begin + SOLVE_BLOCK, m)
        half = room[: (end - begin) * (m - begin)].reshape(end - begin, m - begin)
        put_half(start, rows, diagonal, inner, met, begin, end, half)
        right = np.dot(np.ascontiguousarray(panel[:, begin:end]), half)
        left = np.dot(np.ascontiguousarray(panel[:, begin:]), half.T)
        for i in range(wide):
            take_one(found[i, begin:], right[i], 1.0)
            take_one(found[i, begin:end], left[i], 1.0)
    return found


@part_of_others
def _corner(start: Ints, lower: Floats, inverse: Floats, first: int, seen: Floats) -> Floats:
    """
    Give the selected inverse's block of a panel's own columns, (wide, wide).

    ``seen`` (wide, wide) is what the rows below have to do with each pair of them.
    """
    wide = len(seen)
    block = np.empty((wide, wide))
    for j in range(wide - 1, -1, -1):
        p, row = start[first + j] - j - 1, block[j]
        for i in range(j + 1, wide):
            row[i] = -seen[j, i]
        for q in range(j + 1, wide):
            take_one(row[j + 1 :], block[q, j + 1 :], lower[p + q])
        own = inverse[first + j] - seen[j, j]
        for q in range(j + 1, wide):
            block[q, j] = row[q]
            own -= lower[p + q] * row[q]
        row[j] = own
    return block


@compiled
def selected_inverse(
    start: Ints, rows: Ints, lower: Floats, inverse: Floats
) -> tuple[Floats, Floats]:
    """
    Give the inverse's diagonal and its entries on the pattern of the factor.

    By the recurrence of Takahashi, Fagan and Chin (1973), panel by panel: of what a panel's columns
    meet, the inverse is known when it is their turn.
    """
    n, begins = len(inverse), _panels(start, rows)
    inner, diagonal = np.empty(len(lower)), np.empty(n)
    for t in range(len(begins) - 2, -1, -1):
        first, last = begins[t], begins[t + 1]
        met, wide = rows[start[last - 1] : start[last]], last - first
        m = len(met)
        if wide * m < FEW:
            for j in range(last - 1, first - 1, -1):
                begin, end = start[j], start[j + 1]
                factors, found = lower[begin:end], inner[begin:end]
                _alone(start, rows, factors, rows[begin:end], diagonal, inner, found)
                own = inverse[j]
                for s in range(end - begin):
                    own -= factors[s] * found[s]
                diagonal[j] = own
            continue
        panel = _panel(start, lower, first, wide)
        below = _met(start, rows, diagonal, inner, met, panel)
        for j in range(wide - 2, -1, -1):
            for q in range(j + 1, wide):
                take_one(below[j], below[q], lower[start[first + j] + q - j - 1])
        block = _corner(start, lower, inverse, first, np.dot(panel, below.T))
        for j in range(wide):
            p = start[first + j]
            for q in range(j + 1, wide):
                inner[p + q - j - 1] = block[j, q]
            p += wide - j - 1
            for s in range(m):
                inner[p + s] = below[j, s]
            diagonal[first + j] = block[j, j]
    return diagonal, inner
