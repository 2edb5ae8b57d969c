"""
The loops behind an order of elimination, compiled: patterns, minimum degree, matching.

They are the same for every statement of one pattern and see positions only;
:mod:`~reconcile.kernel.elimination` says what they are for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .exact import Rows
from .ldl import DROPPED, elimination_tree, factorise, pattern
from .limits import DEPENDENT_PIVOT
from .unions import root_of

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints

NONE = -1
"""No unknown, no balance, no neighbour."""

MOST_TIED = 64
"""Unknowns looked at for what moves with the weak ones, for each unknown there is: within a stream
they are few, where readings tie streams together they may be all."""


@part_of_others
def by_key(key: Ints, size: int) -> Ints:
    """Give positions in the order of their keys, from 0 below ``size``; equal ones as they come."""
    fill, order = np.zeros(size + 1, dtype=np.int64), np.empty(len(key), dtype=np.int64)
    for k in key:
        fill[k + 1] += 1
    for k in range(size):
        fill[k + 1] += fill[k]
    for i in range(len(key)):
        order[fill[key[i]]] = i
        fill[key[i]] += 1
    return order


@part_of_others
def pairs_of(start: Ints) -> tuple[Ints, Ints, Ints]:
    """Give the products of two entries of one row: row starts, first and second entry."""
    rows = len(start) - 1
    pair_start = np.zeros(rows + 1, dtype=np.int64)
    for i in range(rows):
        length = start[i + 1] - start[i]
        pair_start[i + 1] = pair_start[i] + length * (length + 1) // 2
    first = np.empty(pair_start[rows], dtype=np.int64)
    second = np.empty(pair_start[rows], dtype=np.int64)
    k = 0
    for i in range(rows):
        for p in range(start[i], start[i + 1]):
            for q in range(p, start[i + 1]):
                first[k], second[k] = p, q
                k += 1
    return pair_start, first, second


@part_of_others
def upper_pattern(one: Ints, other: Ints, size: int) -> tuple[Ints, Ints, Ints]:
    """
    Give the compressed columns of an upper triangle that holds given entries, and where each is.

    ``one`` and ``other`` (k,) are an entry's two places, in any order and any number of times.
    """
    count = len(one)
    by_low, entry = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    fill = np.zeros(size + 1, dtype=np.int64)
    for k in range(count):
        fill[min(one[k], other[k]) + 1] += 1
    for j in range(size):
        fill[j + 1] += fill[j]
    for k in range(count):
        low = min(one[k], other[k])
        by_low[fill[low]] = k
        fill[low] += 1
    wide = np.zeros(size + 1, dtype=np.int64)
    for k in range(count):
        wide[max(one[k], other[k]) + 1] += 1
    for j in range(size):
        wide[j + 1] += wide[j]
    sorted_ = np.empty(count, dtype=np.int64)
    fill[:] = wide
    for t in range(count):
        k = by_low[t]
        high = max(one[k], other[k])
        sorted_[fill[high]] = k
        fill[high] += 1
    pointer, index = np.zeros(size + 1, dtype=np.int64), np.empty(count, dtype=np.int64)
    kept = 0
    for j in range(size):
        for t in range(wide[j], wide[j + 1]):
            k = sorted_[t]
            low = min(one[k], other[k])
            if kept == pointer[j] or index[kept - 1] != low:
                index[kept] = low
                kept += 1
            entry[k] = kept - 1
        pointer[j + 1] = kept
    return pointer, index[:kept].copy(), entry


@part_of_others
def turned(start: Ints, index: Ints, size: int) -> tuple[Ints, Ints]:
    """Give the rows in which each of ``size`` columns occurs: starts and rows."""
    begins = np.zeros(size + 1, dtype=np.int64)
    for p in range(len(index)):
        begins[index[p] + 1] += 1
    for j in range(size):
        begins[j + 1] += begins[j]
    fill, rows = begins[:-1].copy(), np.empty(len(index), dtype=np.int64)
    for i in range(len(start) - 1):
        for p in range(start[i], start[i + 1]):
            rows[fill[index[p]]] = i
            fill[index[p]] += 1
    return begins, rows


@part_of_others
def _degrees(pointer: Ints, row: Ints) -> Ints:
    """Give the stored entries in each row of a symmetric matrix, from its upper triangle."""
    degree = np.diff(pointer)
    for j in range(len(degree)):
        for p in range(pointer[j], pointer[j + 1]):
            if row[p] != j:
                degree[row[p]] += 1
    return degree


@part_of_others
def _unseen(
    order: Ints, dropped: Bools, size: Floats, first: Ints, start: Ints, rows: Ints, lower: Floats
) -> Rows:
    """
    Give a move that no reading sees for each ``dropped`` (n,) pivot of a factor, in its order.

    The unknown itself, first of its row, moves by one, and others as far as they must, ``size``
    (n,) being what each was multiplied by.  ``first`` (n,) is the least place that leads to each.
    No rows where readings tie too many unknowns together for that.
    """
    n, looked_at, count = len(order), 0, 0
    for k in range(n):
        if dropped[k]:
            looked_at, count = looked_at + k - first[k], count + 1
    if looked_at > MOST_TIED * n:
        return Rows(np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0))
    begins = np.zeros(count + 1, dtype=np.int64)
    column, data = np.empty(looked_at + count, dtype=np.int64), np.empty(looked_at + count)
    move, row, used = np.zeros(n), 0, 0
    for k in range(n):
        if not dropped[k]:
            continue
        column[used], data[used], move[k] = order[k], 1.0, 1.0
        used += 1
        for i in range(k - 1, first[k] - 1, -1):
            pull = 0.0
            for p in range(start[i] if not dropped[i] else start[i + 1], start[i + 1]):
                pull -= lower[p] * move[rows[p]]
            move[i] = pull
            if pull != 0.0:
                column[used], data[used] = order[i], pull * size[order[i]] / size[order[k]]
                used += 1
        move[first[k] : k + 1] = 0.0
        row += 1
        begins[row] = used
    return Rows(begins, column[:used].copy(), data[:used].copy())


@part_of_others
def weak_unknowns(
    first: Ints, second: Ints, column: Ints, slope: Floats, groups: Ints
) -> tuple[Ints, Bools, Rows]:
    """
    Give an order of the unknowns, stream by stream, and which lack a pivot of their own.

    ``first`` and ``second`` are the products of two entries of one row among ``column`` and
    ``slope``, typical derivatives; ``groups`` (n,) from 0.  Gives as well the move of each that no
    row sees, the unknown itself first and by one; no moves where there are weak unknowns but rows
    tie too many together.
    """
    n, count = len(groups), len(first)
    size = np.zeros(n)
    for p in range(len(column)):
        size[column[p]] += slope[p] * slope[p]
    for j in range(n):
        size[j] = 1.0 / np.sqrt(size[j]) if size[j] > 0.0 else 1.0
    one, other = np.empty(count + n, dtype=np.int64), np.empty(count + n, dtype=np.int64)
    for k in range(count):
        one[k], other[k] = column[first[k]], column[second[k]]
    for j in range(n):
        one[count + j] = other[count + j] = j
    order = by_key(_degrees(*upper_pattern(one, other, n)[:2]), n + 1)
    order = order[by_key(groups[order], groups.max() + 1)]
    place = np.empty(n, dtype=np.int64)
    for k in range(n):
        place[order[k]] = k
    for k in range(count + n):
        one[k], other[k] = place[one[k]], place[other[k]]
    pointer, row, entry = upper_pattern(one, other, n)
    gram = np.zeros(len(row))
    for k in range(count):
        p, q = first[k], second[k]
        gram[entry[k]] += slope[p] * size[column[p]] * slope[q] * size[column[q]]
    parent, below = elimination_tree(pointer, row)
    start = np.zeros(n + 1, dtype=np.int64)
    start[1:] = np.cumsum(below)
    rows, reach_start, reach, reach_entry, seat = pattern(pointer, row, parent, start)
    lower, inverse, work = np.empty(start[n]), np.empty(n), np.empty(n)
    factor = pointer, row, start, rows, reach_start, reach, reach_entry, seat
    factorise(*factor, gram, DEPENDENT_PIVOT, DROPPED, lower, inverse, work)
    dropped, weak = inverse == 1.0 / DROPPED, np.zeros(n, dtype=np.bool_)
    weak[order] = dropped
    least = np.arange(n)
    for k in range(n):
        if parent[k] != NONE:
            least[parent[k]] = min(least[parent[k]], least[k])
    return order, weak, _unseen(order, dropped, size, least, start, rows, lower)


class _Cliques(NamedTuple):
    """
    A graph as cliques that join its vertices, and its vertices in lists by degree.

    ``start`` and ``end`` bound each clique's members in the pool; ``absorbed`` ones are part
    of another.  ``first`` and ``last`` (vertices,) bound the cliques of each vertex in ``of``;
    ``place`` is none until it is eliminated; ``head`` (degrees,), ``after`` and ``before`` link
    those of one ``degree``; ``seen`` takes the last mark set on each.
    """

    start: Ints
    end: Ints
    absorbed: Bools
    first: Ints
    last: Ints
    of: Ints
    place: Ints
    head: Ints
    after: Ints
    before: Ints
    degree: Ints
    seen: Ints


@part_of_others
def _put(at: _Cliques, v: int, degree: int) -> None:
    """Put a vertex into the list of its degree."""
    at.degree[v], at.before[v], at.after[v] = degree, NONE, at.head[degree]
    if at.after[v] != NONE:
        at.before[at.after[v]] = v
    at.head[degree] = v


@part_of_others
def _drop(at: _Cliques, v: int) -> None:
    """Take a vertex out of the list of its degree."""
    if at.before[v] != NONE:
        at.after[at.before[v]] = at.after[v]
    else:
        at.head[at.degree[v]] = at.after[v]
    if at.after[v] != NONE:
        at.before[at.after[v]] = at.before[v]


@part_of_others
def _around(at: _Cliques, pool: Ints, v: int, mark: int, into: int) -> int:
    """Mark and count the vertices next to one; list them in the pool from ``into`` if >= 0."""
    count = 0
    at.seen[v] = mark
    for t in range(at.first[v], at.last[v]):
        clique = at.of[t]
        for p in range(at.start[clique], at.end[clique]):
            u = pool[p]
            if at.seen[u] != mark and at.place[u] == NONE:
                at.seen[u] = mark
                if into >= 0:
                    pool[into + count] = u
                count += 1
    return count


@part_of_others
def _belongs(at: _Cliques, v: int, clique: int) -> None:
    """Put a vertex into a clique in place of those that it has absorbed."""
    kept = at.first[v]
    for t in range(at.first[v], at.last[v]):
        if not at.absorbed[at.of[t]]:
            at.of[kept] = at.of[t]
            kept += 1
    at.of[kept] = clique
    at.last[v] = kept + 1


@part_of_others
def _cliques(start: Ints, member: Ints, vertices: int) -> _Cliques:
    begins, of = turned(start, member, vertices)
    total = len(start) - 1 + vertices
    clique_start, clique_end = np.zeros(total, dtype=np.int64), np.zeros(total, dtype=np.int64)
    clique_start[: len(start) - 1], clique_end[: len(start) - 1] = start[:-1], start[1:]
    none = np.full(vertices + 1, NONE, dtype=np.int64)
    return _Cliques(
        clique_start,
        clique_end,
        np.zeros(total, dtype=np.bool_),
        begins[:-1].copy(),
        begins[1:].copy(),
        of,
        none[1:].copy(),
        none.copy(),
        none[1:].copy(),
        none[1:].copy(),
        np.zeros(vertices, dtype=np.int64),
        none[1:].copy(),
    )


@compiled
def minimum_degree(start: Ints, member: Ints, vertices: int) -> Ints:
    """
    Give each vertex its place in a minimum-degree order of a graph given by cliques.

    Clique ``k`` joins ``member[start[k]:start[k + 1]]``.  Eliminating a vertex joins its cliques to
    one (the quotient graph of George and Liu 1981, chapter 5), so no fill is ever stored; degrees
    are exact.
    """
    at, cliques = _cliques(start, member, vertices), len(start) - 1
    pool, used, mark = member.copy(), len(member), 0
    for v in range(vertices - 1, -1, -1):
        mark += 1
        _put(at, v, _around(at, pool, v, mark, NONE))
    least = 0
    for step in range(vertices):
        while at.head[least] == NONE:
            least += 1
        v = at.head[least]
        _drop(at, v)
        mark += 1
        new = cliques + step
        if used + vertices > len(pool):
            larger = np.empty(max(used + vertices, 2 * len(pool)), dtype=np.int64)
            larger[:used] = pool[:used]
            pool = larger
        at.start[new], at.place[v] = used, step
        used += _around(at, pool, v, mark, used)
        at.end[new] = used
        for t in range(at.first[v], at.last[v]):
            at.absorbed[at.of[t]] = True
        for p in range(at.start[new], at.end[new]):
            _belongs(at, pool[p], new)
        for p in range(at.start[new], at.end[new]):
            mark += 1
            _drop(at, pool[p])
            near = _around(at, pool, pool[p], mark, NONE)
            _put(at, pool[p], near)
            least = min(least, near)
    place: Ints = at.place
    return place


@part_of_others
def by_node(start: Ints, column: Ints, groups: Ints, row_groups: Ints) -> Ints:
    """
    Give the balances node by node, in a minimum-degree order of the nodes that streams join.

    ``start`` and ``column`` are the balances' rows, ``groups`` (n,) and ``row_groups`` (e,) the
    stream of each unknown and the node of each balance, from 0.
    """
    nodes, streams = row_groups.max() + 1, groups.max() + 1
    rows, met = by_key(row_groups, nodes), np.full(streams, NONE, dtype=np.int64)
    begins = np.zeros(streams + 1, dtype=np.int64)
    for r in rows:
        for p in range(start[r], start[r + 1]):
            stream = groups[column[p]]
            begins[stream + 1] += met[stream] != row_groups[r]
            met[stream] = row_groups[r]
    for s in range(streams):
        begins[s + 1] += begins[s]
    fill, member = begins[:-1].copy(), np.empty(begins[streams], dtype=np.int64)
    met[:] = NONE
    for r in rows:
        for p in range(start[r], start[r + 1]):
            stream = groups[column[p]]
            if met[stream] != row_groups[r]:
                met[stream] = member[fill[stream]] = row_groups[r]
                fill[stream] += 1
    order: Ints = by_key(minimum_degree(begins, member, nodes)[row_groups], nodes)
    return order


class _Clusters(NamedTuple):
    """
    Balances merged by the weak unknowns eliminated between them; the last cluster is the outside.

    ``parent`` (e + 1,) leads to a cluster's name; ``head``, ``tail`` and ``after`` list the entries
    of weak unknowns in each, ``left`` counts them; ``firm`` says that it has other unknowns;
    ``begins`` and ``rows`` are the balances of each unknown, ``used`` those already eliminated.
    """

    parent: Ints
    head: Ints
    tail: Ints
    after: Ints
    left: Ints
    firm: Bools
    unknown: Ints
    begins: Ints
    rows: Ints
    used: Bools


@part_of_others
def _clusters(start: Ints, index: Ints, weak: Bools) -> _Clusters:
    e = len(start) - 1
    begins, rows = turned(start, index, len(weak))
    head, tail = np.full(e + 1, NONE, dtype=np.int64), np.full(e + 1, NONE, dtype=np.int64)
    after = np.full(len(index), NONE, dtype=np.int64)
    left, firm = np.zeros(e + 1, dtype=np.int64), np.ones(e + 1, dtype=np.bool_)
    for r in range(e):
        for p in range(start[r], start[r + 1]):
            if weak[index[p]]:
                left[r] += 1
                if tail[r] == NONE:
                    head[r] = p
                else:
                    after[tail[r]] = p
                tail[r] = p
        firm[r] = left[r] < start[r + 1] - start[r]
    used = np.zeros(len(weak), dtype=np.bool_)
    return _Clusters(np.arange(e + 1), head, tail, after, left, firm, index, begins, rows, used)


@part_of_others
def _other_end(clusters: _Clusters, u: int, cluster: int) -> int:
    """
    Give the cluster at the other end of an unknown, the outside if it ends there.

    ``NONE`` for one with both ends in the cluster: it closes a loop of unread flows, and no balance
    of this cluster can determine it.
    """
    inside, outside = 0, len(clusters.parent) - 1
    for p in range(clusters.begins[u], clusters.begins[u + 1]):
        there = root_of(clusters.parent, clusters.rows[p])
        if there != cluster:
            return int(there)
        inside += 1
    return outside if inside == 1 else NONE


@part_of_others
def _merge(clusters: _Clusters, cluster: int, into: int) -> None:
    """Join a cluster whose balance is used up to another."""
    clusters.parent[cluster] = into
    clusters.firm[into] = clusters.firm[into] or clusters.firm[cluster]
    if into == len(clusters.parent) - 1 or clusters.head[cluster] == NONE:
        return
    if clusters.tail[into] == NONE:
        clusters.head[into] = clusters.head[cluster]
    else:
        clusters.after[clusters.tail[into]] = clusters.head[cluster]
    clusters.tail[into] = clusters.tail[cluster]
    clusters.left[into] += clusters.left[cluster]


@part_of_others
def _take(clusters: _Clusters, row: int) -> int:
    """Use up a balance: give the weak unknown eliminated after it, or none, and merge."""
    cluster, outside = root_of(clusters.parent, row), len(clusters.parent) - 1
    chosen, into = NONE, outside
    link = clusters.head[cluster]
    while link != NONE:
        u = clusters.unknown[link]
        link = clusters.after[link]
        other = NONE if clusters.used[u] else _other_end(clusters, u, cluster)
        if other == NONE:
            continue
        nearer = (other != outside) > (into != outside)
        as_near = (other != outside) == (into != outside)
        if chosen == NONE or nearer or (as_near and u < chosen):
            chosen, into = u, other
    if chosen != NONE:
        clusters.used[chosen] = True
        clusters.left[cluster] -= 1
    _merge(clusters, cluster, into)
    return int(chosen)


@part_of_others
def matched(start: Ints, index: Ints, weak: Bools, sequence: Ints) -> tuple[Ints, Ints]:
    """
    Give the balances in order, each with the weak unknown eliminated after it, or -1.

    ``start``, ``index`` the balances' rows; ``sequence`` (e,) the order wished for.  A balance
    whose only unknowns are weak waits until one of them was used up next to it.
    """
    clusters, e = _clusters(start, index, weak), len(start) - 1
    row, unknown = np.empty(e, dtype=np.int64), np.empty(e, dtype=np.int64)
    waiting, count = sequence.copy(), 0
    while len(waiting) > 0:
        postponed = 0
        for r in waiting:
            cluster = root_of(clusters.parent, r)
            if clusters.firm[cluster] or clusters.left[cluster] == 0:
                row[count], unknown[count] = r, _take(clusters, r)
                count += 1
            else:
                waiting[postponed] = r
                postponed += 1
        if postponed == len(waiting):
            # None can begin: the first does all the same.
            row[count], unknown[count] = waiting[0], _take(clusters, waiting[0])
            count += 1
            waiting = waiting[1:].copy()
        else:
            waiting = waiting[:postponed].copy()
    return row, unknown


@part_of_others
def in_order(
    order: Ints,
    weak: Bools,
    common: Bools,
    pair_row: Ints,
    pair_unknown: Ints,
    rank: Ints,
    row_rank: Ints,
    ranks: int,
) -> tuple[Ints, Ints]:
    """
    Give unknowns and balances in order of elimination, rank by rank, and what comes last.

    ``rank`` (n,) and ``row_rank`` (e,) below ``ranks``.  Unknowns with a pivot of their own, then
    balances with what is matched to them; at the end weak unknowns without a balance, and what
    readings all over the flowsheet share.
    """
    n, e = len(order), len(pair_row)
    whole, count = np.empty(n + e, dtype=np.int64), 0
    waiting = weak.copy()
    for r in range(ranks):
        for j in order:
            if rank[j] == r and not weak[j] and not common[j]:
                whole[count] = j
                count += 1
        for k in range(e):
            if row_rank[pair_row[k]] != r:
                continue
            whole[count] = n + pair_row[k]
            count += 1
            if pair_unknown[k] != NONE:
                whole[count] = pair_unknown[k]
                waiting[pair_unknown[k]] = False
                count += 1
    last = order[waiting[order]]
    shared = order[(common & ~weak)[order]]
    whole[count : count + len(last)] = last
    whole[count + len(last) :] = shared
    return whole, last
