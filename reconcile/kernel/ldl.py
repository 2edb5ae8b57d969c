"""
Sparse LDLᵀ of a symmetric quasi-definite matrix, its solves and its selected inverse, compiled.

The factor is computed row by row along the elimination tree (Liu 1990; Davis 2006, chapter 4); the
selected inverse by the recurrence of Takahashi, Fagan and Chin (1973), which gives every entry of
the inverse on the pattern of the factor for about the cost of the factor itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .compiled import compiled

if TYPE_CHECKING:
    from .problem import Floats, Ints


DROPPED = 1e300
"""Pivot put in place of a dependent one: its unknown is held at zero."""


@compiled
def elimination_tree(pointer: Ints, index: Ints) -> tuple[Ints, Ints]:
    """Give the parent of each column (-1 at a root) and the entries below its diagonal."""
    n = len(pointer) - 1
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
                count[row] += 1
                seen[row] = column
                row = parent[row]
    return parent, count


@compiled
def factorise(
    pointer: Ints,
    index: Ints,
    data: Floats,
    parent: Ints,
    start: Ints,
    tolerance: float,
    instead: float,
    rows: Ints,
    lower: Floats,
    pivots: Floats,
) -> None:
    """
    Fill the factor of the matrix whose upper triangle is given column by column.

    ``rows``, ``lower`` take the factor below its unit diagonal, columns at ``start``; a pivot not
    above ``tolerance`` in size becomes ``instead``.
    """
    n = len(pointer) - 1
    fill = start[:-1].copy()
    value = np.zeros(n)
    seen = np.full(n, -1, dtype=np.int64)
    path = np.empty(n, dtype=np.int64)
    stack = np.empty(n, dtype=np.int64)
    for k in range(n):
        top = n
        seen[k] = k
        diagonal = 0.0
        for p in range(pointer[k], pointer[k + 1]):
            row = index[p]
            if row == k:
                diagonal += data[p]
                continue
            value[row] += data[p]
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
            y = value[column]
            value[column] = 0.0
            for p in range(start[column], fill[column]):
                value[rows[p]] -= lower[p] * y
            entry = y / pivots[column]
            diagonal -= y * entry
            rows[fill[column]] = k
            lower[fill[column]] = entry
            fill[column] += 1
        if abs(diagonal) <= tolerance:
            diagonal = instead
        pivots[k] = diagonal


@compiled
def substitute(start: Ints, rows: Ints, lower: Floats, pivots: Floats, right: Floats) -> None:
    """Solve in place for every column of ``right`` (n, k)."""
    n, k = right.shape
    for column in range(n):
        for p in range(start[column], start[column + 1]):
            row, factor = rows[p], lower[p]
            for c in range(k):
                right[row, c] -= factor * right[column, c]
    for column in range(n - 1, -1, -1):
        for c in range(k):
            right[column, c] /= pivots[column]
        for p in range(start[column], start[column + 1]):
            row, factor = rows[p], lower[p]
            for c in range(k):
                right[column, c] -= factor * right[row, c]


@compiled
def selected_inverse(
    start: Ints, rows: Ints, lower: Floats, pivots: Floats
) -> tuple[Floats, Floats]:
    """Give the inverse's diagonal and its entries on the pattern of the factor."""
    n = len(pivots)
    inner = np.zeros(len(lower))
    diagonal = np.zeros(n)
    place = np.full(n, -1, dtype=np.int64)
    for column in range(n - 1, -1, -1):
        first, last = start[column], start[column + 1]
        for p in range(first, last):
            place[rows[p]] = p
        for p in range(first, last):
            row, factor = rows[p], lower[p]
            inner[p] -= factor * diagonal[row]
            for q in range(start[row], start[row + 1]):
                other = place[rows[q]]
                if other >= first:
                    inner[other] -= factor * inner[q]
                    inner[p] -= lower[other] * inner[q]
        total = 1.0 / pivots[column]
        for p in range(first, last):
            total -= lower[p] * inner[p]
            place[rows[p]] = -1
        diagonal[column] = total
    return diagonal, inner


@compiled
def quadratic_forms(
    start: Ints,
    rows: Ints,
    diagonal: Floats,
    inner: Floats,
    pointer: Ints,
    index: Ints,
    data: Floats,
) -> Floats:
    """
    Give ``g Z gᵀ`` for each sparse row ``g`` over the entries of the selected inverse ``Z``.

    A row that needs an entry outside the pattern comes back as NaN, for the caller to solve.
    """
    forms = np.zeros(len(pointer) - 1)
    for k in range(len(forms)):
        total = 0.0
        for p in range(pointer[k], pointer[k + 1]):
            i = index[p]
            total += data[p] * data[p] * diagonal[i]
            for q in range(p + 1, pointer[k + 1]):
                j = index[q]
                if data[p] == 0.0 or data[q] == 0.0:
                    continue
                if i == j:
                    total += 2 * data[p] * data[q] * diagonal[i]
                    continue
                low, high = min(i, j), max(i, j)
                a, b = start[low], start[low + 1]
                at = a + np.searchsorted(rows[a:b], high)
                if at < b and rows[at] == high:
                    total += 2 * data[p] * data[q] * inner[at]
                else:
                    total = np.nan
        forms[k] = total
    return forms


class Symbolic:
    """
    Elimination tree and factor pattern of one matrix pattern, given by its upper triangle.

    ``pointer`` (n + 1,), ``index``: compressed columns in elimination order, diagonal included.
    """

    def __init__(self, pointer: Ints, index: Ints) -> None:
        self.pointer, self.index = pointer, index
        self.parent, count = elimination_tree(pointer, index)
        self.start = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(count)))

    @property
    def entries(self) -> int:
        """Entries of the factor below its diagonal."""
        return int(self.start[-1])

    @property
    def megabytes(self) -> float:
        """Memory of the factor and its selected inverse."""
        return self.entries * 24 / 1e6


class Numeric:
    """The factor of one matrix on a known pattern."""

    def __init__(self, symbolic: Symbolic, data: Floats, tolerance: float, instead: float) -> None:
        self.symbolic = symbolic
        self.rows = np.empty(symbolic.entries, dtype=np.int64)
        self.lower = np.empty(symbolic.entries)
        self.pivots = np.empty(len(symbolic.pointer) - 1)
        factorise(
            symbolic.pointer,
            symbolic.index,
            data,
            symbolic.parent,
            symbolic.start,
            tolerance,
            instead,
            self.rows,
            self.lower,
            self.pivots,
        )

    def solve(self, right: Floats) -> Floats:
        """Give the solution for right-hand sides (n, k), in elimination order."""
        result = np.ascontiguousarray(right).copy()
        substitute(self.symbolic.start, self.rows, self.lower, self.pivots, result)
        return result

    def inverse(self) -> tuple[Floats, Floats]:
        """Give the selected inverse: diagonal (n,) and entries on the factor's pattern."""
        found: Any = selected_inverse(self.symbolic.start, self.rows, self.lower, self.pivots)
        return found[0], found[1]
