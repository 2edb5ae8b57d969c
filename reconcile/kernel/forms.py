"""
Quadratic forms ``g Z gᵀ`` of many sparse rows with the inverse of a factored matrix, compiled.

The selected inverse holds the entries of ``Z`` on the factor's pattern.  A row whose unknowns all
meet there (a *clique*) needs no more.  Any other is first eliminated like a right-hand side, column
by column, until what is left of it is one: with ``L`` the factor and ``d`` its pivots,

    g Z gᵀ = Σ y² / d over the columns eliminated + y Z yᵀ over the clique left.

How far that goes depends on the pattern alone, and rows that meet the same columns share it.
"""

from __future__ import annotations

from heapq import heappop, heappush
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .blocks import take_there
from .compiled import compiled, part_of_others
from .limits import SOLVE_BLOCK
from .panels import WIDE, alike, put_half, take_among, take_below

if TYPE_CHECKING:
    from .problem import Floats, Ints


LONG = 16
"""Columns of a row from which on its pairs, half the square as many, are not looked up one by one.
"""


class Cliques(NamedTuple):
    """
    How groups of rows come to a clique.

    ``group_start`` and ``group_row``: the rows of each group; ``gone_start`` and ``gone``: the
    columns eliminated, ascending; ``left_start`` and ``left``: the clique, ascending.
    """

    group_start: Ints
    group_row: Ints
    gone_start: Ints
    gone: Ints
    left_start: Ints
    left: Ints


class Asked(NamedTuple):
    """
    Rows whose forms are asked, by pattern: columns in the order of elimination.

    ``stored`` says where the inverse's entry of each pair of a row's columns stands, -1 for one
    that does not; ``far`` how rows with such pairs come to a clique.
    """

    pointer: Ints
    column: Ints
    stored: Ints
    far: Cliques


@part_of_others
def _pairs_stored(start: Ints, rows: Ints, pointer: Ints, index: Ints) -> Ints:
    """
    Give where the inverse's entry of each pair of a row's columns stands, row by row.

    The diagonal counts first, then the entries on the factor's pattern; -1 for one that is not
    there.  The pairs of a row come in the order (0, 0), (0, 1) ... (1, 1) ...; a long row has none.
    """
    n, count = len(start) - 1, 0
    for k in range(len(pointer) - 1):
        length = pointer[k + 1] - pointer[k]
        count += length * (length + 1) // 2 if length <= LONG else 0
    stored = np.empty(count, dtype=np.int64)
    t = 0
    for k in range(len(pointer) - 1):
        if pointer[k + 1] - pointer[k] > LONG:
            continue
        for p in range(pointer[k], pointer[k + 1]):
            for q in range(p, pointer[k + 1]):
                low, high = min(index[p], index[q]), max(index[p], index[q])
                stored[t] = low
                if low < high:
                    first, last = start[low], start[low + 1]
                    found = first + np.searchsorted(rows[first:last], high)
                    there = found < last and rows[found] == high
                    stored[t] = n + found if there else -1
                t += 1
    return stored


@part_of_others
def _cliques(
    start: Ints,
    rows: Ints,
    pointer: Ints,
    index: Ints,
    group_start: Ints,
    group_row: Ints,
) -> Cliques:
    """
    Find out what is eliminated for each group of rows, on the factor's pattern.

    ``start`` and ``rows`` are that pattern by column; ``pointer`` and ``index`` the rows in the
    order of elimination.
    """
    groups = len(group_start) - 1
    mark = np.full(len(start) - 1, -1, dtype=np.int64)
    gone, left = [np.int64(0) for _ in range(0)], [np.int64(0) for _ in range(0)]
    gone_start = np.zeros(groups + 1, dtype=np.int64)
    left_start = np.zeros(groups + 1, dtype=np.int64)
    for g in range(groups):
        waiting = [np.int64(0) for _ in range(0)]
        for t in range(group_start[g], group_start[g + 1]):
            for p in range(pointer[group_row[t]], pointer[group_row[t] + 1]):
                if mark[index[p]] != g:
                    mark[index[p]] = g
                    heappush(waiting, index[p])
        while len(waiting) > 0:
            column = heappop(waiting)
            met = 0
            for p in range(start[column], start[column + 1]):
                met += mark[rows[p]] == g
            if met == len(waiting):
                left.append(column)
                while len(waiting) > 0:
                    left.append(heappop(waiting))
                break
            gone.append(column)
            for p in range(start[column], start[column + 1]):
                if mark[rows[p]] != g:
                    mark[rows[p]] = g
                    heappush(waiting, rows[p])
        gone_start[g + 1], left_start[g + 1] = len(gone), len(left)
    return Cliques(group_start, group_row, gone_start, np.array(gone), left_start, np.array(left))


@compiled
def asked_of(start: Ints, rows: Ints, pointer: Ints, index: Ints, kin: Ints) -> Asked:
    """
    Look up rows on the factor's pattern, by column ``start`` and ``rows``.

    Rows of the same ``kin`` (rows,) share what is eliminated for them.
    """
    stored = _pairs_stored(start, rows, pointer, index)
    count = len(pointer) - 1
    far = np.zeros(count, dtype=np.bool_)
    t = 0
    for k in range(count):
        length = pointer[k + 1] - pointer[k]
        far[k] = length > LONG
        for _ in range(0 if far[k] else length * (length + 1) // 2):
            far[k] = far[k] or stored[t] < 0
            t += 1
    chosen = np.flatnonzero(far)
    chosen = chosen[np.argsort(kin[chosen], kind="mergesort")]
    other = np.ones(len(chosen) + 1, dtype=np.bool_)
    for c in range(1, len(chosen)):
        other[c] = kin[chosen[c]] != kin[chosen[c - 1]]
    begins = np.flatnonzero(other) if len(chosen) > 0 else np.zeros(1, dtype=np.int64)
    far_rows = _cliques(start, rows, pointer, index, begins, chosen)
    return Asked(pointer, index, stored, far_rows)


@part_of_others
def _stored_forms(
    rows: Asked, diagonal: Floats, inner: Floats, data: Floats, resolution: float, into: Floats
) -> None:
    """Put the forms of all rows whose pairs are all stored into ``into`` (rows,)."""
    n, t = len(diagonal), 0
    for k in range(len(rows.pointer) - 1):
        if rows.pointer[k + 1] - rows.pointer[k] > LONG:
            continue
        total, size, there = 0.0, 0.0, True
        for p in range(rows.pointer[k], rows.pointer[k + 1]):
            for q in range(p, rows.pointer[k + 1]):
                at = rows.stored[t]
                t += 1
                if at < 0:
                    there = False
                    continue
                entry = diagonal[at] if at < n else inner[at - n]
                own = data[p] * data[q] * (entry if p == q else 2.0 * entry)
                total += own
                size += abs(own)
        if there:
            into[k] = 0.0 if abs(total) <= resolution * size else total


class _Sums(NamedTuple):
    """
    What a group's forms come to, (k,) each.

    ``total``, and the sizes of its terms added up: at least ``least``, at most ``most``.
    """

    total: Floats
    least: Floats
    most: Floats


@part_of_others
def _one_form(
    start: Ints,
    below: Ints,
    lower: Floats,
    inverse: Floats,
    diagonal: Floats,
    inner: Floats,
    gone: Ints,
    left: Ints,
    resolution: float,
    row: Floats,
) -> float:
    """Give the form of one ``row`` (n,), which is all zero afterwards."""
    total, size = 0.0, 0.0
    for column in gone:
        y, first, last = row[column], start[column], start[column + 1]
        own = y * y * inverse[column]
        total += own
        size += abs(own)
        take_there(row, below[first:last], lower[first:last], y)
        row[column] = 0.0
    for column in left:
        y = row[column]
        own = y * y * diagonal[column]
        total += own
        size += abs(own)
        for p in range(start[column], start[column + 1]):
            own = 2.0 * y * inner[p] * row[below[p]]
            total += own
            size += abs(own)
        row[column] = 0.0
    return 0.0 if abs(total) <= resolution * size else total


@part_of_others
def _eliminate(
    start: Ints,
    below: Ints,
    lower: Floats,
    inverse: Floats,
    gone: Ints,
    place: Ints,
    work: Floats,
    sums: _Sums,
) -> None:
    """
    Eliminate the columns ``gone`` of a group's rows, ``work`` (columns, k), in panels.

    ``place`` (n,) says which of the rows of ``work`` belongs to which column.
    """
    k, t = work.shape[1], 0
    while t < len(gone):
        first, most = gone[t], 1
        while most < WIDE and t + most < len(gone) and gone[t + most] == first + most:
            most += 1
        wide = alike(start, below, first, most)
        own = work[t : t + wide]
        take_among(start, lower, first, own)
        for i in range(wide):
            y, pivot = own[i], inverse[first + i]
            for c in range(k):
                share = y[c] * y[c] * pivot
                sums.total[c] += share
                sums.least[c] += abs(share)
        there = place[below[start[first + wide - 1] : start[first + wide]]]
        take_below(start, lower, first, own, there, work)
        t += wide


@part_of_others
def _add_clique(
    start: Ints,
    below: Ints,
    diagonal: Floats,
    inner: Floats,
    left: Ints,
    work: Floats,
    sums: _Sums,
) -> None:
    """
    Add the forms of what is left of a group's rows, ``work`` (l, k), with the clique ``left``.

    The largest entry of each of the block's rows bounds the sizes of the terms.
    """
    size, k = work.shape
    room = np.empty(min(size, SOLVE_BLOCK) * size)
    length, weighed = np.zeros(k), np.zeros(k)
    for c in range(k):
        sums.most[c] = sums.least[c]
    for begin in range(0, size, SOLVE_BLOCK):
        end = min(begin + SOLVE_BLOCK, size)
        half = room[: (end - begin) * (size - begin)].reshape(end - begin, size - begin)
        put_half(start, below, diagonal, inner, left, begin, end, half)
        product = np.dot(half, work[begin:])
        for a in range(begin, end):
            y, z, own = work[a], product[a - begin], abs(diagonal[left[a]])
            entries, largest = half[a - begin], 0.0
            for b in range(len(entries)):
                largest = max(largest, abs(entries[b]))
            for c in range(k):
                sums.total[c] += 2.0 * y[c] * z[c]
                sums.least[c] += y[c] * y[c] * own
                length[c] += abs(y[c])
                weighed[c] += abs(y[c]) * largest
    for c in range(k):
        sums.most[c] += 2.0 * weighed[c] * length[c]


@part_of_others
def _far_forms(
    rows: Asked,
    start: Ints,
    below: Ints,
    lower: Floats,
    inverse: Floats,
    diagonal: Floats,
    inner: Floats,
    data: Floats,
    resolution: float,
    into: Floats,
) -> None:
    """Put the forms of the rows that are far into ``into`` (rows,), group by group."""
    at = rows.far
    place, row = np.empty(len(inverse), dtype=np.int64), np.zeros(len(inverse))
    for g in range(len(at.group_start) - 1):
        members = at.group_row[at.group_start[g] : at.group_start[g + 1]]
        gone = at.gone[at.gone_start[g] : at.gone_start[g + 1]]
        left = at.left[at.left_start[g] : at.left_start[g + 1]]
        k = len(members)
        sums = _Sums(np.zeros(k), np.zeros(k), np.zeros(k))
        if k > 1:
            for t in range(len(gone)):
                place[gone[t]] = t
            for t in range(len(left)):
                place[left[t]] = len(gone) + t
            work = np.zeros((len(gone) + len(left), k))
            for c in range(k):
                for p in range(rows.pointer[members[c]], rows.pointer[members[c] + 1]):
                    work[place[rows.column[p]], c] += data[p]
            _eliminate(start, below, lower, inverse, gone, place, work, sums)
            _add_clique(start, below, diagonal, inner, left, work[len(gone) :], sums)
        for c in range(k):
            size = abs(sums.total[c])
            if k > 1 and size <= resolution * sums.least[c]:
                into[members[c]] = 0.0
            elif k > 1 and size > resolution * sums.most[c]:
                into[members[c]] = sums.total[c]
            else:
                # Alone, or so small that the sizes of its terms must be known.
                for p in range(rows.pointer[members[c]], rows.pointer[members[c] + 1]):
                    row[rows.column[p]] += data[p]
                factor = start, below, lower, inverse, diagonal, inner
                into[members[c]] = _one_form(*factor, gone, left, resolution, row)


@compiled
def forms(
    rows: Asked,
    start: Ints,
    below: Ints,
    lower: Floats,
    inverse: Floats,
    diagonal: Floats,
    inner: Floats,
    data: Floats,
    resolution: float,
) -> Floats:
    """
    Give ``g Z gᵀ`` of each row with the coefficients ``data``, (rows,).

    ``start``, ``below`` and ``lower`` are the factor by column, ``inverse`` its inverse pivots,
    ``diagonal`` and ``inner`` the selected inverse.  A form that is a difference of terms larger by
    ``1 / resolution`` comes back as zero.
    """
    found = np.zeros(len(rows.pointer) - 1)
    _stored_forms(rows, diagonal, inner, data, resolution, found)
    _far_forms(rows, start, below, lower, inverse, diagonal, inner, data, resolution, found)
    return found
