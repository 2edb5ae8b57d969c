"""
What the balances leave open of the unread, without a factor of everything; compiled.

What was read follows the weak unknowns: each moves by one, and its stream so that no reading sees
it (:func:`~reconcile.kernel.ordering.weak_unknowns`).  What balances say of these moves decides
which unknowns must be held.  A balance that sees one of them alone forbids it, and most go in that
way, one after the other.  Those left (streams unread all around a node, or around a loop) hang
together in small clusters, each eliminated as a dense matrix.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import part_of_others
from .exact import Rows
from .limits import SEEN, UNSEEN
from .ordering import NONE, by_key, turned
from .unions import root_of

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Open(NamedTuple):
    """
    Unknowns to hold, ``pins`` (n,), and the ``moves`` (n, k) that they leave open.

    Both only if ``sure``: where numbers leave no doubt and the order of elimination finds a pivot
    for each unknown that it has matched with a balance.
    """

    pins: Bools
    sure: bool
    moves: Floats


@part_of_others
def _columns(rows: Rows, n: int) -> Rows:
    """Give rows (m, n) column by column."""
    begins, row = turned(rows.start, rows.column, n)
    fill, data = begins[:-1].copy(), np.empty(len(row))
    for p in range(len(data)):
        # Entries of a column stand in the order in which they come in the rows.
        data[fill[rows.column[p]]] = rows.data[p]
        fill[rows.column[p]] += 1
    return Rows(begins, row, data)


@part_of_others
def _crossings(equal: Rows, unseen: Rows, free: Bools) -> tuple[bool, Rows, Floats]:
    """
    Give what balances see of each move, (moves, e): whether that is sure, rows, and their sizes.

    Each row is at unit size.  What is not ``free`` cannot move, and its row is empty.
    """
    by_column, e, moves = _columns(equal, len(free)), len(equal.start) - 1, len(unseen.start) - 1
    begins, rows, most = by_column.start, by_column.column, 0
    for j in unseen.column:
        most += begins[j + 1] - begins[j]
    start, size = np.zeros(moves + 1, dtype=np.int64), np.ones(moves)
    column, data = np.empty(most, dtype=np.int64), np.empty(most)
    seen, terms = np.zeros(e), np.zeros(e)
    sure, used = True, 0
    for k in range(moves):
        first, last = unseen.start[k], unseen.start[k + 1]
        if not free[unseen.column[first]]:
            last = first
        met = used
        for p in range(first, last):
            j = unseen.column[p]
            sure = sure and (free[j] or abs(unseen.data[p]) < UNSEEN)
            for q in range(begins[j], begins[j + 1]):
                if terms[rows[q]] == 0.0:
                    column[met] = rows[q]
                    met += 1
                term = by_column.data[q] * unseen.data[p]
                seen[rows[q]] += term
                terms[rows[q]] += abs(term)
        largest = 0.0
        for r in column[used:met]:
            # What two ends of one stream cancel is rounding.
            seen[r] = seen[r] if abs(seen[r]) > UNSEEN * terms[r] else 0.0
            largest = max(largest, abs(seen[r]))
        size[k] = largest if largest > 0.0 else 1.0
        for p in range(used, met):
            r = column[p]
            share = seen[r] / size[k]
            sure = sure and (abs(share) < UNSEEN or abs(share) > SEEN)
            if abs(share) > SEEN:
                column[used], data[used] = r, share
                used += 1
            seen[r] = terms[r] = 0.0
        start[k + 1] = used
    return sure, Rows(start, column[:used].copy(), data[:used].copy()), size


@part_of_others
def _left(crossings: Rows, e: int) -> Bools:
    """Say which moves are left when each that a balance sees alone is forbidden in turn."""
    moves = len(crossings.start) - 1
    left = np.ones(moves, dtype=np.bool_)
    count, total = np.zeros(e, dtype=np.int64), np.zeros(e, dtype=np.int64)
    for k in range(moves):
        for r in crossings.column[crossings.start[k] : crossings.start[k + 1]]:
            count[r], total[r] = count[r] + 1, total[r] + k
    waiting, last = np.empty(e, dtype=np.int64), 0
    for r in range(e):
        if count[r] == 1:
            waiting[last] = r
            last += 1
    while last > 0:
        last -= 1
        if count[waiting[last]] == 0:
            continue
        # Of one move alone the sum of positions is its position.
        k = total[waiting[last]]
        left[k] = False
        for r in crossings.column[crossings.start[k] : crossings.start[k + 1]]:
            count[r], total[r] = count[r] - 1, total[r] - k
            if count[r] == 1:
                waiting[last] = r
                last += 1
    return left


@part_of_others
def _clusters(crossings: Rows, chosen: Ints, e: int) -> tuple[Ints, Ints]:
    """Give where each cluster begins, (clusters + 1,), among the chosen moves by cluster, (k,)."""
    parent, met = np.arange(len(chosen)), np.full(e, NONE, dtype=np.int64)
    for i in range(len(chosen)):
        for r in crossings.column[crossings.start[chosen[i]] : crossings.start[chosen[i] + 1]]:
            if met[r] != NONE:
                one, other = root_of(parent, met[r]), root_of(parent, i)
                parent[max(one, other)] = min(one, other)
            met[r] = i
    for i in range(len(chosen)):
        parent[i] = root_of(parent, i)
    order = by_key(parent, len(chosen))
    begins, clusters = np.empty(len(chosen) + 1, dtype=np.int64), 0
    for i in range(len(chosen)):
        if i == 0 or parent[order[i]] != parent[order[i - 1]]:
            begins[clusters] = i
            clusters += 1
    begins[clusters] = len(chosen)
    return begins[: clusters + 1], chosen[order]


@part_of_others
def _eliminated(matrix: Floats) -> tuple[bool, Ints]:
    """
    Eliminate column by column in place; give whether that is sure, and the column of each pivot.

    Rows come to stand in the order of pivots.  A column without one depends on those before it.
    """
    height, width = matrix.shape
    pivots, rank = np.empty(min(height, width), dtype=np.int64), 0
    for c in range(width):
        best, size = rank, 0.0
        for r in range(rank, height):
            if abs(matrix[r, c]) > size:
                best, size = r, abs(matrix[r, c])
        if size > UNSEEN and size < SEEN:
            return False, pivots[:rank]
        if size < SEEN:
            continue
        for t in range(c, width):
            matrix[rank, t], matrix[best, t] = matrix[best, t], matrix[rank, t]
        for r in range(rank + 1, height):
            if matrix[r, c] != 0.0:
                factor = matrix[r, c] / matrix[rank, c]
                for t in range(c + 1, width):
                    matrix[r, t] -= factor * matrix[rank, t]
        pivots[rank] = c
        rank += 1
    return True, pivots[:rank]


@part_of_others
def _matrix(crossings: Rows, members: Ints, where: Ints) -> Floats:
    """Give what balances see of a cluster's moves, (balances, moves), each balance at unit size."""
    height = 0
    for k in members:
        for r in crossings.column[crossings.start[k] : crossings.start[k + 1]]:
            if where[r] == NONE:
                where[r] = height
                height += 1
    matrix = np.zeros((height, len(members)))
    for i in range(len(members)):
        for p in range(crossings.start[members[i]], crossings.start[members[i] + 1]):
            matrix[where[crossings.column[p]], i] = crossings.data[p]
    for r in range(height):
        matrix[r] /= np.abs(matrix[r]).max()
    for k in members:
        where[crossings.column[crossings.start[k] : crossings.start[k + 1]]] = NONE
    return matrix


@part_of_others
def _work(crossings: Rows, begins: Ints, chosen: Ints) -> float:
    """Give about the multiplications that it takes to eliminate the clusters."""
    work = 0.0
    for c in range(len(begins) - 1):
        members, entries = chosen[begins[c] : begins[c + 1]], 0
        for k in members:
            entries += crossings.start[k + 1] - crossings.start[k]
        work += entries * float(len(members)) ** 2
    return work


@part_of_others
def _follow(matrix: Floats, pivots: Ints, far: Floats) -> None:
    """Let the moves (k,) of an eliminated matrix that have a pivot follow those that have none."""
    for i in range(len(pivots) - 1, -1, -1):
        here = pivots[i]
        for t in range(here + 1, len(far)):
            far[here] -= matrix[i, t] * far[t]
        far[here] /= matrix[i, here]


@part_of_others
def left_open(
    equal: Rows, unseen: Rows, free: Bools, last: Ints, place: Ints, push: Floats, most: float
) -> Open:
    """
    Give a smallest set of unknowns to hold, and open moves, one for each row of ``push`` (k, n).

    ``equal`` are the balances (e, n), ``unseen`` the moves that no reading sees; of the ``free``
    unknowns (n,) only those that come ``last`` are held, ``place`` being the order.  ``push`` says
    how far each moves if it is held.  Not sure where it would take ``most`` multiplications.
    """
    n, e = len(free), len(equal.start) - 1
    pins, moves = np.zeros(n, dtype=np.bool_), np.zeros((n, len(push)))
    late = np.zeros(n, dtype=np.bool_)
    late[last] = True
    sure, crossings, size = _crossings(equal, unseen, free)
    head = unseen.column[unseen.start[:-1]]
    chosen = np.flatnonzero(_left(crossings, e) & free[head])
    chosen = chosen[by_key(place[head[chosen]], n + e)]
    begins, chosen = _clusters(crossings, chosen, e)
    if not sure or _work(crossings, begins, chosen) > most:
        return Open(pins, False, moves)
    where = np.full(e, NONE, dtype=np.int64)
    for c in range(len(begins) - 1):
        members = chosen[begins[c] : begins[c + 1]]
        matrix = _matrix(crossings, members, where)
        clear, pivots = _eliminated(matrix)
        open_ = np.ones(len(members), dtype=np.bool_)
        open_[pivots] = False
        held = head[members[open_]]
        sure = sure and clear and late[held].all()
        pins[held] = True
        for t in range(len(push) if len(held) > 0 else 0):
            far = np.where(open_, push[t, head[members]] * size[members], 0.0)
            _follow(matrix, pivots, far)
            for i in range(len(members)):
                k = members[i]
                for p in range(unseen.start[k], unseen.start[k + 1]):
                    moves[unseen.column[p], t] += unseen.data[p] * far[i] / size[k]
    return Open(pins, sure, moves)
