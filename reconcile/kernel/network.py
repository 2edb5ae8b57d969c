"""
What runs through the nodes of a flowsheet, compiled: connected parts, and flows from splits.

What runs through each node is what is fed to it and a share of what runs through the nodes before
it.  That system is an M-matrix, which may be factored without exchanging rows (Funderlic and
Plemmons 1981); all quantities go side by side on one minimum-degree order of the nodes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .ldl import elimination_tree, pattern
from .ordering import minimum_degree, upper_pattern
from .unions import root_of

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints

SMALLEST_SHARE = 1e-14
"""Share of what runs through a node, below which what leaves it for good is rounding."""


class Network(NamedTuple):
    """
    Nodes in order of elimination, and where each stream stands among their links.

    ``source`` and ``target`` (streams,) are places in the order, -1 for outside; the rest is the
    pattern of :mod:`~reconcile.kernel.ldl`, with the ``entry`` (streams,) of each inner stream.
    """

    source: Ints
    target: Ints
    pointer: Ints
    column: Ints
    entry: Ints
    start: Ints
    rows: Ints
    reach_start: Ints
    reach: Ints
    reach_entry: Ints


@part_of_others
def network_of(source: Ints, target: Ints, nodes: int) -> Network:
    """Order the nodes of streams with ends from 0, -1 for outside."""
    streams = len(source)
    start, member = np.zeros(streams + 1, dtype=np.int64), np.empty(2 * streams, dtype=np.int64)
    used = 0
    for s in range(streams):
        if source[s] >= 0 and target[s] >= 0 and source[s] != target[s]:
            member[used], member[used + 1] = source[s], target[s]
            used += 2
        start[s + 1] = used
    place = minimum_degree(start, member[:used].copy(), nodes)
    here, there = source.copy(), target.copy()
    one, other = np.empty(streams + nodes, dtype=np.int64), np.empty(streams + nodes, np.int64)
    for s in range(streams):
        here[s] = place[source[s]] if source[s] >= 0 else -1
        there[s] = place[target[s]] if target[s] >= 0 else -1
        inner = here[s] >= 0 and there[s] >= 0
        one[s], other[s] = (here[s], there[s]) if inner else (0, 0)
    for k in range(nodes):
        one[streams + k] = other[streams + k] = k
    pointer, index, entry = upper_pattern(one, other, nodes)
    parent, count = elimination_tree(pointer, index)
    begins = np.zeros(nodes + 1, dtype=np.int64)
    begins[1:] = np.cumsum(count)
    rows, reach_start, reach, reach_entry, _ = pattern(pointer, index, parent, begins)
    entry = entry[:streams].copy()
    return Network(
        here, there, pointer, index, entry, begins, rows, reach_start, reach, reach_entry
    )


@part_of_others
def _factored(net: Network, upper: Floats, lower: Floats) -> tuple[Floats, Floats, Floats]:
    """
    Factor the links (links, Q) above and below the diagonal, the latter with the diagonal.

    Gives both factors (entries, Q) without their diagonals, and the inverse pivots (nodes, Q).
    """
    nodes, lanes = len(net.pointer) - 1, upper.shape[1]
    left, right = np.zeros((len(net.rows), lanes)), np.zeros((len(net.rows), lanes))
    row, column = np.zeros((nodes, lanes)), np.zeros((nodes, lanes))
    inverse = np.empty((nodes, lanes))
    for k in range(nodes):
        pivot = inverse[k]
        for p in range(net.pointer[k], net.pointer[k + 1] - 1):
            row[net.column[p]], column[net.column[p]] = lower[p], upper[p]
        pivot[:] = lower[net.pointer[k + 1] - 1]
        for t in range(net.reach_start[k], net.reach_start[k + 1]):
            j, last = net.reach[t], net.reach_entry[t]
            for c in range(lanes):
                left[last, c], right[last, c] = row[j, c] * inverse[j, c], column[j, c]
                pivot[c] -= left[last, c] * right[last, c]
                row[j, c], column[j, c] = 0.0, 0.0
            for p in range(net.start[j], last):
                r = net.rows[p]
                for c in range(lanes):
                    column[r, c] -= left[p, c] * right[last, c]
                    row[r, c] -= right[p, c] * left[last, c]
        for c in range(lanes):
            pivot[c] = 1.0 / pivot[c] if pivot[c] > SMALLEST_SHARE else np.inf
    return left, right, inverse


@part_of_others
def _solve(net: Network, left: Floats, right: Floats, inverse: Floats, through: Floats) -> None:
    """Solve for what runs through the nodes, in place of what is fed to them (nodes, Q)."""
    nodes, lanes = through.shape
    for j in range(nodes):
        for p in range(net.start[j], net.start[j + 1]):
            for c in range(lanes):
                through[net.rows[p], c] -= left[p, c] * through[j, c]
    for j in range(nodes - 1, -1, -1):
        for p in range(net.start[j], net.start[j + 1]):
            for c in range(lanes):
                through[j, c] -= right[p, c] * through[net.rows[p], c]
        for c in range(lanes):
            through[j, c] *= inverse[j, c]


@part_of_others
def _normalised(net: Network, held: Bools, share: Floats, result: Floats) -> None:
    """Give each stream's share of its node's outlets, (streams, Q)."""
    streams, lanes = share.shape
    total = np.zeros((len(net.pointer) - 1, lanes))
    for s in range(streams):
        for c in range(lanes):
            if net.source[s] >= 0 and held[s, c]:
                total[net.source[s], c] += share[s, c]
    result[:] = 0.0
    for s in range(streams):
        for c in range(lanes):
            if net.source[s] >= 0 and held[s, c]:
                whole = total[net.source[s], c]
                result[s, c] = share[s, c] / whole if whole > 0.0 else share[s, c]


@compiled
def flows(
    net: Network, held: Bools, entries: Bools, feeds: Floats, share: Floats, result: Floats
) -> bool:
    """
    Give flows (streams, Q) from what enters and a split at every node; false where nothing leaves.

    ``held`` and ``entries`` (streams, Q) say which streams hold a quantity and where it begins;
    ``feeds`` and ``share`` (streams, Q) the amount of each entry, and of each other stream its
    weight among its node's outlets.
    """
    streams, lanes = feeds.shape
    through = np.zeros((len(net.pointer) - 1, lanes))
    upper, lower = np.zeros((len(net.column), lanes)), np.zeros((len(net.column), lanes))
    _normalised(net, held, share, result)
    lower[net.pointer[1:] - 1] = 1.0
    for s in range(streams):
        here, there = net.source[s], net.target[s]
        for c in range(lanes if there >= 0 else 0):
            if entries[s, c]:
                through[there, c] += feeds[s, c] if held[s, c] else 0.0
            elif there >= here:
                lower[net.entry[s], c] -= result[s, c]
            else:
                upper[net.entry[s], c] -= result[s, c]
    left, right, inverse = _factored(net, upper, lower)
    if np.isinf(inverse).any():
        return False
    _solve(net, left, right, inverse, through)
    for s in range(streams):
        for c in range(lanes):
            if entries[s, c]:
                result[s, c] = feeds[s, c] if held[s, c] else 0.0
            else:
                result[s, c] *= through[net.source[s], c]
    return True


@compiled
def joined(source: Ints, target: Ints, nodes: int) -> Ints:
    """Give the connected part of each node, numbered from 0 in order of its first node."""
    parent = np.arange(nodes)
    for s in range(len(source)):
        if source[s] >= 0 and target[s] >= 0:
            one, other = root_of(parent, source[s]), root_of(parent, target[s])
            parent[max(one, other)] = min(one, other)
    number, count = np.empty(nodes, dtype=np.int64), 0
    for k in range(nodes):
        if parent[k] == k:
            number[k] = count
            count += 1
        else:
            number[k] = number[parent[k]]
    return number


@part_of_others
def parts_of(source: Ints, target: Ints, nodes: int) -> Ints:
    """Give the connected part of each stream, numbered from 0 in order of its first node."""
    number = joined(source, target, nodes)
    part = np.empty(len(source), dtype=np.int64)
    for s in range(len(source)):
        part[s] = number[source[s] if source[s] >= 0 else target[s]]
    return part


@part_of_others
def entries_of(source: Ints, target: Ints, part: Ints) -> Bools:
    """Say which streams begin a part: its feeds, or the first of one that only circulates."""
    entries, parts = source < 0, part.max() + 1
    circulates, met = np.ones(parts, dtype=np.bool_), np.zeros(parts, dtype=np.bool_)
    for s in range(len(part)):
        circulates[part[s]] &= source[s] >= 0 and target[s] >= 0
    for s in range(len(part)):
        entries[s] |= circulates[part[s]] and not met[part[s]]
        met[part[s]] = True
    return entries
