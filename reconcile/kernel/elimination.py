"""
Order of elimination of the optimality system ``[[H, Eᵀ], [E, 0]]`` of a large flowsheet.

Eliminating the streams first and then the nodes, in a minimum-degree order of the nodes, keeps the
factor as sparse as the node graph allows.  It needs every unknown to have a pivot of its own in
``H``, which those that were not read have not (*weak* unknowns).  A weak unknown is therefore
matched with a balance that it enters and eliminated right after it, which is the algebra of merging
the two nodes that the unread stream joins; weak unknowns left without a balance come last, where
their pivot is what all readings together say of them.  Zero there means undetermined.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from .ldl import DROPPED, Numeric, Symbolic
from .limits import DEPENDENT_PIVOT
from .rows import reciprocal, scale_columns, squared_columns

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


@dataclass(frozen=True)
class Elimination:
    """
    An order of unknowns and balances, unknowns counted first.

    ``order`` (n + e,); ``weak`` (n,) unknowns without a pivot in ``H``; ``last`` positions of the
    unknowns that no balance was left for.
    """

    order: Ints
    weak: Bools
    last: Ints


def upper_triangle(matrix: sp.csr_array, order: Ints) -> tuple[sp.csc_array, Ints]:
    """Give the upper triangle in elimination order, and where each of its entries stood."""
    numbered = sp.csr_array(
        (np.arange(1.0, len(matrix.data) + 1), matrix.indices, matrix.indptr), shape=matrix.shape
    )
    turned = sp.csc_array(sp.triu(numbered[order][:, order], format="csc"))
    turned.sort_indices()
    return turned, turned.data.astype(np.int64) - 1


def symbolic_of(turned: sp.csc_array) -> Symbolic:
    """Analyse an upper triangle."""
    return Symbolic(turned.indptr.astype(np.int64), turned.indices.astype(np.int64))


def gram(rows: sp.csr_array) -> sp.csr_array:
    """Give ``rowsᵀ rows`` with every entry that can occur and its whole diagonal stored."""
    ones = sp.csr_array((np.ones(len(rows.data)), rows.indices, rows.indptr), shape=rows.shape)
    n = rows.shape[1]
    pattern = sp.csr_array(ones.T @ ones + sp.eye_array(n))
    return on_pattern(sp.csr_array(rows.T @ rows), pattern)


def on_pattern(matrix: sp.csr_array, pattern: sp.csr_array) -> sp.csr_array:
    """Give ``matrix`` with exactly the stored entries of ``pattern``, which contains its own."""
    n = matrix.shape[1]
    matrix.sort_indices()
    pattern.sort_indices()
    row_m = np.repeat(np.arange(matrix.shape[0]), np.diff(matrix.indptr))
    row_p = np.repeat(np.arange(matrix.shape[0]), np.diff(pattern.indptr))
    at = np.searchsorted(row_p * n + pattern.indices, row_m * n + matrix.indices)
    data = np.zeros(len(pattern.data))
    data[at] = matrix.data
    return sp.csr_array((data, pattern.indices, pattern.indptr), shape=matrix.shape)


def minimum_degree(adjacency: sp.csr_array) -> Ints:
    """
    Give each vertex its place in a multiple minimum degree order (Liu 1985, as in SuperLU).

    ``adjacency`` is symmetric; only its pattern counts.
    """
    coarse = sp.csc_array(adjacency).copy()
    coarse.data = np.full(len(coarse.data), -1.0)
    weight = np.asarray(abs(coarse).sum(axis=1)).ravel() + 2.0
    settled = sp.csc_array(coarse + sp.diags_array(weight))
    return np.asarray(
        splu(
            settled,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        ).perm_c,
        dtype=np.int64,
    )


def _weak(jacobian: sp.csr_array, groups: Ints) -> tuple[Ints, Bools]:
    """Give an order of the unknowns, stream by stream, and which lack a pivot of their own."""
    hessian = gram(scale_columns(jacobian, reciprocal(np.sqrt(squared_columns(jacobian)))))
    degree = np.diff(hessian.indptr)
    order = np.lexsort((np.arange(len(groups)), degree, groups))
    turned, source = upper_triangle(hessian, order)
    numeric = Numeric(symbolic_of(turned), hessian.data[source], DEPENDENT_PIVOT, DROPPED)
    weak = np.zeros(len(groups), dtype=bool)
    weak[order[numeric.dropped]] = True
    return order, weak


def _row_places(equalities: sp.csr_array, groups: Ints, row_groups: Ints) -> Ints:
    """Give each balance its place in the order, node by node."""
    e, n = equalities.shape
    ones = sp.csr_array(
        (np.ones(len(equalities.data)), equalities.indices, equalities.indptr), shape=(e, n)
    )
    nodes = sp.csr_array((np.ones(e), (row_groups, np.arange(e))), shape=(row_groups.max() + 1, e))
    streams = sp.csr_array((np.ones(n), (np.arange(n), groups)), shape=(n, groups.max() + 1))
    touch = sp.csr_array(nodes @ ones @ streams)
    place = minimum_degree(sp.csr_array(touch @ touch.T))
    order = np.lexsort((np.arange(e), place[row_groups]))
    result = np.empty(e, dtype=np.int64)
    result[order] = np.arange(e)
    return result


class _Clusters:
    """Balances merged by the weak unknowns eliminated between them."""

    def __init__(self, equalities: sp.csr_array, weak: Bools) -> None:
        e = equalities.shape[0]
        self.parent = list(range(e + 1))
        columns = sp.csc_array(equalities)
        self.rows_of = [columns.indices[a:b] for a, b in pairwise(columns.indptr)]
        self.loose: list[set[int]] = []
        self.firm: list[bool] = []
        for r in range(e):
            entries = equalities.indices[equalities.indptr[r] : equalities.indptr[r + 1]]
            self.loose.append({int(j) for j in entries if weak[j]})
            self.firm.append(len(self.loose[-1]) < len(entries))
        self.loose.append(set())
        self.firm.append(True)

    @property
    def outside(self) -> int:
        """The cluster that has no balance of its own left."""
        return len(self.parent) - 1

    def find(self, row: int) -> int:
        """Give the cluster of a balance."""
        while self.parent[row] != row:
            self.parent[row] = self.parent[self.parent[row]]
            row = self.parent[row]
        return row

    def other(self, unknown: int, cluster: int) -> int:
        """Give the cluster at the other end of an unknown."""
        for row in self.rows_of[unknown]:
            if self.find(row) != cluster:
                return self.find(row)
        return self.outside

    def merge(self, cluster: int, into: int) -> None:
        """Join a cluster whose balance is used up to another."""
        self.parent[cluster] = into
        if into != self.outside:
            self.loose[into] |= self.loose[cluster]
        self.firm[into] = self.firm[into] or self.firm[cluster]


def _match(equalities: sp.csr_array, weak: Bools, places: Ints) -> list[tuple[int, int]]:
    """Give the balances in order, each with the weak unknown eliminated after it, or -1."""
    clusters = _Clusters(equalities, weak)
    used: set[int] = set()
    result: list[tuple[int, int]] = []

    def take(row: int) -> None:
        cluster = clusters.find(row)
        free = [u for u in clusters.loose[cluster] if u not in used]
        ends = {u: clusters.other(u, cluster) for u in free}
        # An unknown with both ends in one cluster closes a loop of unread flows: no balance of
        # this cluster can determine it.
        open_ends = [u for u in free if _leaves(clusters, u, cluster)]
        if not open_ends:
            result.append((row, -1))
            clusters.merge(cluster, clusters.outside)
            return
        chosen = min(open_ends, key=lambda u: (ends[u] == clusters.outside, u))
        used.add(chosen)
        clusters.loose[cluster].discard(chosen)
        result.append((row, chosen))
        clusters.merge(cluster, ends[chosen])

    waiting = [int(r) for r in np.argsort(places)]
    while waiting:
        postponed = []
        for row in waiting:
            if clusters.firm[clusters.find(row)] or not clusters.loose[clusters.find(row)]:
                take(row)
            else:
                postponed.append(row)
        if len(postponed) == len(waiting):
            take(postponed.pop(0))
        waiting = postponed
    return result


def _leaves(clusters: _Clusters, unknown: int, cluster: int) -> bool:
    """Say whether an unknown joins its cluster to another or to the outside, not to itself."""
    rows = clusters.rows_of[unknown]
    inside = sum(1 for row in rows if clusters.find(row) == cluster)
    return inside == 1 or len(rows) > inside


@dataclass(frozen=True)
class Ranks:
    """
    Which quantity unknowns (n,) and balances (e,) belong to: those of a low rank go first.

    With the solids of the highest rank the quantities do not couple until only solids are left
    (an arrow), which is cheap as long as all streams' solids may couple with one another.
    """

    unknowns: Ints
    rows: Ints


def eliminate(
    equalities: sp.csr_array,
    jacobian: sp.csr_array,
    groups: Ints,
    row_groups: Ints,
    ranks: Ranks | None = None,
) -> Elimination:
    """
    Order the unknowns and balances of one pattern.

    ``equalities`` (e, n) and ``jacobian`` (m, n) with values typical of those to come; ``groups``
    (n,) the stream of each unknown, -1 for none, and ``row_groups`` (e,) the node of each balance.
    All streams go before all nodes, or quantity by quantity where ``ranks`` are given.
    """
    n, e = equalities.shape[1], equalities.shape[0]
    common = groups < 0
    groups = np.where(common, groups.max() + 1, groups)
    order, weak = _weak(jacobian, groups)
    places = _row_places(equalities, groups, row_groups)
    pairs = _match(equalities, weak, places)
    matched = np.zeros(n, dtype=bool)
    matched[[unknown for _, unknown in pairs if unknown >= 0]] = True
    last = order[(weak & ~matched)[order]]
    strong, shared = order[~(weak | common)[order]], order[(~weak & common)[order]]
    rank_of, rank_of_row = (
        (np.zeros(n), np.zeros(e)) if ranks is None else (ranks.unknowns, ranks.rows)
    )
    parts: list[Ints] = []
    for rank in np.unique(np.concatenate((rank_of[strong], rank_of_row))):
        parts.append(strong[rank_of[strong] == rank])
        here = [(n + r, u) for r, u in pairs if rank_of_row[r] == rank]
        flat = [p for row, unknown in here for p in ((row, unknown) if unknown >= 0 else (row,))]
        parts.append(np.array(flat, dtype=np.int64))
    # What readings all over the flowsheet share comes last: eliminated earlier, it would couple
    # every node with every other.
    whole = np.concatenate((*parts, last, shared))
    return Elimination(whole.astype(np.int64), weak, last)


def sizes(
    equalities: sp.csr_array, jacobian: sp.csr_array, free: Bools, weak: Bools
) -> tuple[Floats, Floats]:
    """
    Give the sizes of unknowns (n,) and balances (e,) that bring every pivot to about one.

    A read unknown is measured by its readings, a balance by the read unknowns in it, and an unread
    unknown by the balances that it enters; what is held has size zero.
    """
    columns = reciprocal(np.sqrt(squared_columns(jacobian)))
    row = np.repeat(np.arange(equalities.shape[0]), np.diff(equalities.indptr))
    entries = np.abs(equalities.data)
    reaching = entries * np.where(weak | ~free, 0.0, columns)[equalities.indices]
    spread = np.sqrt(np.bincount(row, weights=reaching**2, minlength=equalities.shape[0]))
    rows = reciprocal(spread)
    largest = np.zeros(len(columns))
    np.maximum.at(largest, equalities.indices, entries * np.where(spread > 0, rows, 0.0)[row])
    unscaled = np.zeros(len(columns))
    np.maximum.at(unscaled, equalities.indices, entries)
    loose = np.where(largest > 0, reciprocal(largest), reciprocal(unscaled))
    columns = np.where(weak, loose, columns)
    bare = np.zeros(equalities.shape[0])
    np.maximum.at(bare, row, entries * (columns * free)[equalities.indices])
    rows = np.where(spread > 0, rows, reciprocal(bare))
    return np.where(free, columns, 0.0), rows
