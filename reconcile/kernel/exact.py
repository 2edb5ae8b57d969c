"""
Rows that hold whatever the values, compiled from the ends of streams: balances, sums and nests.

They come in compressed form; a matrix is made of them only where somebody asks for one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy.sparse as sp

from .compiled import compiled, part_of_others

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Rows(NamedTuple):
    """Rows as compiled loops take them: starts (rows + 1,), columns and coefficients (entries,)."""

    start: Ints
    column: Ints
    data: Floats

    @property
    def height(self) -> int:
        """Number of rows."""
        return len(self.start) - 1

    @classmethod
    def of(cls, matrix: sp.csr_array) -> Rows:
        """Give the rows of a matrix."""
        start, column = (part.astype(np.int64) for part in (matrix.indptr, matrix.indices))
        return cls(start, column, matrix.data)

    def part(self, first: int, last: int) -> Rows:
        """Give the rows from ``first`` on and before ``last``."""
        start = self.start[first : last + 1]
        inside = slice(start[0], start[-1])
        return Rows(start - start[0], self.column[inside], self.data[inside])

    def and_then(self, more: Rows) -> Rows:
        """Give them with more rows behind them."""
        if not more.height:
            return self
        start = np.concatenate((self.start, self.start[-1] + more.start[1:]))
        both = (np.concatenate(pair) for pair in zip(self[1:], more[1:], strict=True))
        return Rows(start, *both)

    def matrix(self, columns: int) -> sp.csr_array:
        """Give them as a matrix (rows, columns)."""
        return sp.csr_array((self.data, self.column, self.start), shape=(self.height, columns))


class Totals(NamedTuple):
    """
    Quantities that are sums of others in the same stream.

    ``whole`` (totals,); ``start`` (totals + 1,), ``part`` and ``factor`` the parts of each with
    their coefficients in ``whole - parts``; ``where`` (totals, streams) where it holds.
    """

    whole: Ints
    start: Ints
    part: Ints
    factor: Floats
    where: Bools


_NONE = np.zeros(0, dtype=np.int64)

NO_TOTALS = Totals(
    _NONE, np.zeros(1, dtype=np.int64), _NONE, np.zeros(0), np.zeros((0, 0), dtype=bool)
)
"""No quantity is a sum of others."""


@part_of_others
def _touching(source: Ints, target: Ints, nodes: int) -> tuple[Ints, Ints, Floats]:
    """Give the streams at each node in order: starts, streams, signs (+1 for an inlet)."""
    begins = np.zeros(nodes + 1, dtype=np.int64)
    for s in range(len(source)):
        if source[s] >= 0:
            begins[source[s] + 1] += 1
        if target[s] >= 0:
            begins[target[s] + 1] += 1
    for k in range(nodes):
        begins[k + 1] += begins[k]
    fill = begins[:-1].copy()
    stream, sign = np.empty(begins[nodes], dtype=np.int64), np.empty(begins[nodes])
    for s in range(len(source)):
        for node, direction in ((source[s], -1.0), (target[s], 1.0)):
            if node >= 0:
                stream[fill[node]], sign[fill[node]] = s, direction
                fill[node] += 1
    return begins, stream, sign


@part_of_others
def _follows(conserved: Bools, totals: Totals, i: int, node: int, streams: Ints) -> bool:
    """Say whether a node's balance of a total follows from its streams' sums and the parts'."""
    for p in range(totals.start[i], totals.start[i + 1]):
        if not conserved[node, totals.part[p]]:
            return False
    for s in streams:  # noqa: SIM110 - a generator is not compiled
        if not totals.where[i, s]:
            return False
    return True


@part_of_others
def _stated(conserved: Bools, held: Bools, totals: Totals, begins: Ints, stream: Ints) -> Bools:
    """
    Say which balances (nodes, Q) are stated.

    Those of what no stream at the node holds say nothing, and a whole is left out where the sums
    of its streams and the balances of its parts imply it.
    """
    nodes, kinds = conserved.shape
    stated, met = np.zeros((nodes, kinds), dtype=np.bool_), np.zeros(kinds, dtype=np.bool_)
    for k in range(nodes):
        for s in stream[begins[k] : begins[k + 1]]:
            stated[k] |= conserved[k] & held[s]
    for i in range(len(totals.whole)):
        whole = totals.whole[i]
        for k in range(nodes):
            streams = stream[begins[k] : begins[k + 1]]
            if not met[whole] and _follows(conserved, totals, i, k, streams):
                stated[k, whole] = False
        met[whole] = True
    return stated


@part_of_others
def balance_rows(
    source: Ints, target: Ints, conserved: Bools, held: Bools, totals: Totals
) -> tuple[Ints, Ints, Ints, Ints, Floats]:
    """
    Give the balances, inlets less outlets, node by node.

    ``source`` and ``target`` (streams,) nodes, -1 for outside; ``conserved`` (nodes, Q) and
    ``held`` (streams, Q); columns are ``stream · Q + quantity``.  Gives node and quantity of each
    row, then starts, columns and coefficients.
    """
    nodes, kinds = conserved.shape
    begins, stream, sign = _touching(source, target, nodes)
    stated = _stated(conserved, held, totals, begins, stream)
    rows = entries = 0
    for k in range(nodes):
        here = stated[k].sum()
        rows, entries = rows + here, entries + here * (begins[k + 1] - begins[k])
    node, quantity = np.empty(rows, dtype=np.int64), np.empty(rows, dtype=np.int64)
    start = np.zeros(rows + 1, dtype=np.int64)
    column, data = np.empty(entries, dtype=np.int64), np.empty(entries)
    row = at = 0
    for k in range(nodes):
        for q in range(kinds):
            if not stated[k, q]:
                continue
            for t in range(begins[k], begins[k + 1]):
                column[at], data[at] = stream[t] * kinds + q, sign[t]
                at += 1
            node[row], quantity[row] = k, q
            row += 1
            start[row] = at
    return node, quantity, start, column, data


@part_of_others
def sum_rows(totals: Totals, kinds: int) -> tuple[Ints, Ints, Floats]:
    """Give rows whole less parts, total by total: starts, columns and coefficients."""
    rows = entries = 0
    for i in range(len(totals.whole)):
        here = totals.where[i].sum()
        rows += here
        entries += here * (1 + totals.start[i + 1] - totals.start[i])
    start = np.zeros(rows + 1, dtype=np.int64)
    column, data = np.empty(entries, dtype=np.int64), np.empty(entries)
    row = at = 0
    for i in range(len(totals.whole)):
        for s in np.flatnonzero(totals.where[i]):
            column[at], data[at] = s * kinds + totals.whole[i], 1.0
            at += 1
            for p in range(totals.start[i], totals.start[i + 1]):
                column[at], data[at] = s * kinds + totals.part[p], totals.factor[p]
                at += 1
            row += 1
            start[row] = at
    return start, column, data


@part_of_others
def nested_rows(streams: Ints, part: Ints, whole: Ints, kinds: int) -> tuple[Ints, Ints, Floats]:
    """
    Give rows ``whole - part`` stream by stream: starts, columns and coefficients.

    ``part`` and ``whole`` (nests,) quantities of each of the ``streams`` (positions).
    """
    nests = len(part)
    entries = 2 * nests * len(streams)
    column, data = np.empty(entries, dtype=np.int64), np.empty(entries)
    for i in range(len(streams)):
        for k in range(nests):
            at = 2 * (i * nests + k)
            column[at], data[at] = streams[i] * kinds + whole[k], 1.0
            column[at + 1], data[at + 1] = streams[i] * kinds + part[k], -1.0
    return np.arange(0, entries + 1, 2), column, data


@compiled
def closing(
    start: Ints, column: Ints, data: Floats, x: Floats, least: Floats, share: float
) -> Bools:
    """
    Say of each lane of ``x`` (n, lanes) whether every row is zero but for rounding, (lanes,).

    That is a ``share`` of the sum of its terms' sizes, an unknown counting at ``least`` (n,).
    """
    lanes = x.shape[1]
    closes, total, size = np.ones(lanes, dtype=np.bool_), np.empty(lanes), np.empty(lanes)
    for i in range(len(start) - 1):
        total[:], size[:] = 0.0, 0.0
        for p in range(start[i], start[i + 1]):
            j = column[p]
            for c in range(lanes):
                total[c] += data[p] * x[j, c]
                size[c] += abs(data[p]) * max(abs(x[j, c]), least[j])
        for c in range(lanes):
            closes[c] = closes[c] and abs(total[c]) <= share * size[c]
    return closes
