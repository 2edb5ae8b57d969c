"""
Sparse LDLᵀ of a symmetric quasi-definite matrix and its solves, compiled.

The factor is computed row by row along the elimination tree (Liu 1990; Davis 2006, chapter 4), a
large one in blocks of columns (:mod:`~reconcile.kernel.blocks`).  Its selected inverse, every entry
of the inverse on the pattern of the factor, costs about as much as the factor itself
(:mod:`~reconcile.kernel.panels`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .blocks import factorise_blocks, take_there
from .compiled import compiled, part_of_others
from .forms import Asked, asked_of, forms
from .lazy import lazy
from .panels import selected_inverse

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


ROW_BY_ROW = 20_000
"""Entries of a factor up to which it is made row by row, where that takes no longer than in blocks
(measured at 100 streams and 10 components)."""

DROPPED = 1e300
"""Pivot put in place of a dependent one: its unknown is held at zero."""


@part_of_others
def tree_within(pointer: Ints, index: Ints, most: float) -> tuple[Ints, Ints, float]:
    """
    Give the tree as :func:`elimination_tree`, and the multiplications of one factorisation.

    Where these pass ``most`` it stops, since the order is of no use, and the rest is not filled in.
    """
    n, work = len(pointer) - 1, 0.0
    parent = np.full(n, -1, dtype=np.int64)
    count = np.zeros(n, dtype=np.int64)
    seen = np.full(n, -1, dtype=np.int64)
    for column in range(n):
        seen[column] = column
        for p in range(pointer[column], pointer[column + 1]):
            row = index[p]
            while row < column and seen[row] != column:
                if parent[row] == -1:
                    parent[row] = column
                work += 2.0 * count[row] + 1.0
                count[row] += 1
                seen[row] = column
                row = parent[row]
        if work > most:
            break
    return parent, count, work


@compiled
def elimination_tree(pointer: Ints, index: Ints) -> tuple[Ints, Ints]:
    """Give the parent of each column (-1 at a root) and the entries below its diagonal."""
    parent, count, _ = tree_within(pointer, index, np.inf)
    return parent, count


@compiled
def pattern(
    pointer: Ints, index: Ints, parent: Ints, start: Ints
) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """
    Give the factor's pattern once and for all.

    Rows of its entries; for each row its columns in the order in which they are eliminated, with
    the entry that each leaves; and the seat of each of the matrix's entries in the factor, none on
    the diagonal.
    """
    n = len(pointer) - 1
    total = start[n]
    rows = np.empty(total, dtype=np.int64)
    reach_start = np.zeros(n + 1, dtype=np.int64)
    reach = np.empty(total, dtype=np.int64)
    entry = np.empty(total, dtype=np.int64)
    fill = start[:-1].copy()
    seen = np.full(n, -1, dtype=np.int64)
    path = np.empty(n, dtype=np.int64)
    stack = np.empty(n, dtype=np.int64)
    seat = np.full(len(index), -1)
    count = 0
    for k in range(n):
        top = n
        seen[k] = k
        for p in range(pointer[k], pointer[k + 1]):
            row = index[p]
            length = 0
            while seen[row] != k:
                path[length] = row
                length += 1
                seen[row] = k
                row = parent[row]
            while length > 0:
                length -= 1
                top -= 1
                stack[top] = path[length]
        for t in range(top, n):
            column = stack[t]
            reach[count] = column
            entry[count] = fill[column]
            rows[fill[column]] = k
            fill[column] += 1
            count += 1
        reach_start[k + 1] = count
        for p in range(pointer[k], pointer[k + 1]):
            if index[p] < k:
                seat[p] = fill[index[p]] - 1
    return rows, reach_start, reach, entry, seat


@compiled
def factorise(
    pointer: Ints,
    index: Ints,
    start: Ints,
    rows: Ints,
    reach_start: Ints,
    reach: Ints,
    reach_entry: Ints,
    seat: Ints,
    data: Floats,
    tolerance: float,
    instead: float,
    lower: Floats,
    inverse: Floats,
    value: Floats,
) -> None:
    """
    Fill the factor of the matrix whose upper triangle is given column by column.

    ``lower`` takes the factor below its unit diagonal and ``inverse`` the inverse pivots; a pivot
    not above ``tolerance`` in size becomes ``instead``; ``value`` (n,) is room to work in.
    """
    if len(rows) > ROW_BY_ROW:
        matrix = pointer, index, start, rows, seat, data
        factorise_blocks(*matrix, tolerance, instead, lower, inverse, value)
        return
    value[:] = 0.0
    for k in range(len(inverse)):
        pivot = 0.0
        for p in range(pointer[k], pointer[k + 1]):
            if index[p] == k:
                pivot += data[p]
            else:
                value[index[p]] += data[p]
        for t in range(reach_start[k], reach_start[k + 1]):
            column, last = reach[t], reach_entry[t]
            y = value[column]
            value[column] = 0.0
            first = start[column]
            take_there(value, rows[first:last], lower[first:last], y)
            lower[last] = y * inverse[column]
            pivot -= y * lower[last]
        inverse[k] = 1.0 / (pivot if abs(pivot) > tolerance else instead)


@compiled
def substitute(start: Ints, rows: Ints, lower: Floats, inverse: Floats, right: Floats) -> None:
    """Solve in place for every column of ``right`` (n, k)."""
    n, k = right.shape
    for column in range(n):
        y = right[column]
        for p in range(start[column], start[column + 1]):
            into, factor = right[rows[p]], lower[p]
            for c in range(k):
                into[c] -= factor * y[c]
    for column in range(n - 1, -1, -1):
        y = right[column]
        for c in range(k):
            y[c] *= inverse[column]
        for p in range(start[column], start[column + 1]):
            value, factor = right[rows[p]], lower[p]
            for c in range(k):
                y[c] -= factor * value[c]


@part_of_others
def substitute_one(start: Ints, rows: Ints, lower: Floats, inverse: Floats, right: Floats) -> None:
    """As :func:`substitute` for one right-hand side (n,), without the inner loop."""
    n = len(right)
    for column in range(n):
        first, last = start[column], start[column + 1]
        take_there(right, rows[first:last], lower[first:last], right[column])
    for column in range(n - 1, -1, -1):
        first, last = start[column], start[column + 1]
        y = right[column] * inverse[column]
        right[column] = _less(y, right, rows[first:last], lower[first:last])


@part_of_others
def _less(y: float, of: Floats, there: Ints, a: Floats) -> float:
    """Give what is left of a number without the entries ``there`` of a vector times another."""
    for s in range(len(there)):
        # Without a sign nothing asks whether an index counts from the end.
        y -= a[s] * of[np.uint64(there[s])]
    return y


class Symbolic:
    """
    Elimination tree and factor pattern of one matrix pattern, given by its upper triangle.

    ``pointer`` (n + 1,), ``index``: compressed columns in elimination order, diagonal included;
    ``tree`` the parent of each column and where the factor's columns start, if they are known.
    """

    def __init__(self, pointer: Ints, index: Ints, tree: tuple[Ints, Ints] | None = None) -> None:
        self.pointer, self.index = pointer, index
        if tree is None:
            parent, count = elimination_tree(pointer, index)
            tree = parent, np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(count)))
        self.parent, self.start = tree

    @lazy
    def reaches(self) -> tuple[Ints, Ints, Ints, Ints, Ints]:
        """Rows of the factor's entries, what each of its rows is made from, and the seats."""
        found: Any = pattern(self.pointer, self.index, self.parent, self.start)
        return found[0], found[1], found[2], found[3], found[4]

    @property
    def entries(self) -> int:
        """Entries of the factor below its diagonal."""
        return int(self.start[-1])

    @property
    def work(self) -> float:
        """Multiplications of one factorisation."""
        return float((np.diff(self.start).astype(np.float64) ** 2).sum())

    @property
    def megabytes(self) -> float:
        """Memory of the pattern, of a factor and of its selected inverse."""
        return self.entries * 40 / 1e6


class Numeric:
    """The factor of one matrix on a known pattern."""

    def __init__(self, symbolic: Symbolic, data: Floats, tolerance: float, instead: float) -> None:
        self.symbolic = symbolic
        n = len(symbolic.pointer) - 1
        self.rows = symbolic.reaches[0]
        self.lower, self.inverse_pivots = np.empty(symbolic.entries), np.empty(n)
        factorise(
            symbolic.pointer,
            symbolic.index,
            symbolic.start,
            *symbolic.reaches,
            data,
            tolerance,
            instead,
            self.lower,
            self.inverse_pivots,
            np.empty(n),
        )

    @property
    def dropped(self) -> Bools:
        """Unknowns whose pivot was dependent and became :data:`DROPPED`, (n,)."""
        return np.asarray(self.inverse_pivots == 1.0 / DROPPED)

    def solve(self, right: Floats) -> Floats:
        """Give the solution for right-hand sides (n, k), in elimination order."""
        result = np.ascontiguousarray(right).copy()
        substitute(self.symbolic.start, self.rows, self.lower, self.inverse_pivots, result)
        return result

    @lazy
    def selected(self) -> tuple[Floats, Floats]:
        """The selected inverse: diagonal (n,) and entries on the factor's pattern."""
        parts = (self.symbolic.start, self.rows, self.lower, self.inverse_pivots)
        found: Any = selected_inverse(*parts)
        return found[0], found[1]

    def forms(
        self,
        pointer: Ints,
        index: Ints,
        data: Floats,
        resolution: float,
        kin: Ints | None = None,
    ) -> Floats:
        """
        Give ``g A⁻¹ gᵀ`` for sparse rows ``g``, columns in elimination order, shape (k,).

        A difference of terms larger by ``1 / resolution`` counts as zero.  Rows of the same ``kin``
        (k,) share the work that the selected inverse leaves.
        """
        kin = np.arange(len(pointer) - 1) if kin is None else kin
        rows: Asked = asked_of(self.symbolic.start, self.rows, pointer, index, kin)
        return self.forms_of(rows, data, resolution)

    def forms_of(self, rows: Asked, data: Floats, resolution: float) -> Floats:
        """Give the same for rows (k, n) whose pattern is known, with these coefficients."""
        symbolic, (diagonal, inner) = self.symbolic, self.selected
        found: Floats = forms(
            rows,
            symbolic.start,
            self.rows,
            self.lower,
            self.inverse_pivots,
            diagonal,
            inner,
            data,
            resolution,
        )
        return found
