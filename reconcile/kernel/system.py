"""
The optimality system at one point in numbers: sizes, matrix, refined solves; compiled.

``[[RᵀR + D, Eᵀ], [E, -δ]]`` of weighted rows R and equalities E, each unknown and each equality
brought to a size at which its pivot is about one; D is one where an unknown is held, else zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .exact import Rows
from .ldl import substitute
from .limits import REFINEMENTS, SETTLED

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class System(NamedTuple):
    """
    Scaled equalities (e, n) and rows of readings (m, n).

    ``columns`` (n,) and ``row_size`` (e,) are what unknowns and equalities were multiplied by,
    ``held`` (n,) one for an unknown that is held.
    """

    balances: Rows
    readings: Rows
    columns: Floats
    row_size: Floats
    held: Floats


@compiled
def seen(rows: Rows, moves: Floats) -> Floats:
    """Give what rows (m, n) see of ``moves`` (n, k), (m, k)."""
    count, k = len(rows.start) - 1, moves.shape[1]
    found = np.zeros((count, k))
    for i in range(count):
        into = found[i]
        for p in range(rows.start[i], rows.start[i + 1]):
            value, factor = moves[rows.column[p]], rows.data[p]
            for c in range(k):
                into[c] += factor * value[c]
    return found


@compiled
def pulled(rows: Rows, values: Floats, n: int) -> Floats:
    """Give the transposed rows (m, n) times ``values`` (m, k), (n, k)."""
    k = values.shape[1]
    found = np.zeros((n, k))
    for i in range(len(rows.start) - 1):
        value = values[i]
        for p in range(rows.start[i], rows.start[i + 1]):
            into, factor = found[rows.column[p]], rows.data[p]
            for c in range(k):
                into[c] += factor * value[c]
    return found


@compiled
def sized(balances: Rows, readings: Rows, free: Bools, weak: Bools) -> System:
    """
    Scale equalities and rows so that every pivot is about one.

    A read unknown is measured by its readings, a balance by the read unknowns in it, and an unread
    (``weak``) unknown by the balances that it enters; what is held has size zero.
    """
    start, column, balance = balances.start, balances.column, balances.data
    n, e = len(free), len(start) - 1
    columns, row_size = np.zeros(n), np.ones(e)
    for p in range(len(readings.column)):
        columns[readings.column[p]] += readings.data[p] * readings.data[p]
    for j in range(n):
        columns[j] = 1.0 / np.sqrt(columns[j]) if columns[j] > 0.0 else 1.0
    largest, unscaled = np.zeros(n), np.zeros(n)
    bare = np.ones(e, dtype=np.bool_)
    for r in range(e):
        spread = 0.0
        for p in range(start[r], start[r + 1]):
            j = column[p]
            unscaled[j] = max(unscaled[j], abs(balance[p]))
            if free[j] and not weak[j]:
                spread += (balance[p] * columns[j]) ** 2
        if spread > 0.0:
            bare[r], row_size[r] = False, 1.0 / np.sqrt(spread)
            for p in range(start[r], start[r + 1]):
                j = column[p]
                largest[j] = max(largest[j], abs(balance[p]) * row_size[r])
    for j in range(n):
        if weak[j]:
            reached = largest[j] if largest[j] > 0.0 else unscaled[j]
            columns[j] = 1.0 / reached if reached > 0.0 else 1.0
        if not free[j]:
            columns[j] = 0.0
    scaled = np.empty(len(balance))
    for r in range(e):
        if bare[r]:
            most = 0.0
            for p in range(start[r], start[r + 1]):
                most = max(most, abs(balance[p]) * columns[column[p]])
            row_size[r] = 1.0 / most if most > 0.0 else 1.0
        for p in range(start[r], start[r + 1]):
            scaled[p] = balance[p] * columns[column[p]] * row_size[r]
    rows = np.empty(len(readings.data))
    for p in range(len(rows)):
        rows[p] = readings.data[p] * columns[readings.column[p]]
    held = np.empty(n)
    for j in range(n):
        held[j] = 0.0 if free[j] else 1.0
    return System(
        Rows(start, column, scaled),
        Rows(readings.start, readings.column, rows),
        columns,
        row_size,
        held,
    )


@compiled
def filled(
    of: System, pair_entry: Ints, diagonal_entry: Ints, balance_entry: Ints, shift: float, size: int
) -> Floats:
    """Give the matrix's upper triangle (size,) in the order of elimination, δ = ``shift``."""
    n = len(of.held)
    data = np.zeros(size)
    k = 0
    for i in range(len(of.readings.start) - 1):
        last = of.readings.start[i + 1]
        for p in range(of.readings.start[i], last):
            for q in range(p, last):
                data[pair_entry[k]] += of.readings.data[p] * of.readings.data[q]
                k += 1
    for j in range(n):
        data[diagonal_entry[j]] += of.held[j]
    for r in range(len(of.row_size)):
        data[diagonal_entry[n + r]] -= shift
    for p in range(len(of.balances.data)):
        data[balance_entry[p]] += of.balances.data[p]
    return data


@part_of_others
def _unmet(of: System, found: Floats, right: Floats) -> Floats:
    """Give ``right`` less the system, without its shift, times ``found``, each (n + e, k)."""
    n, k = len(of.held), right.shape[1]
    left = right.copy()
    left[:n] -= pulled(of.readings, seen(of.readings, found), n)
    left[:n] -= pulled(of.balances, found[n:], n)
    left[n:] -= seen(of.balances, found)
    for j in range(n):
        if of.held[j] > 0.0:
            for c in range(k):
                left[j, c] -= found[j, c]
    return left


@part_of_others
def _settled(left: Floats, size: Floats, best: Floats) -> bool:
    """Say whether no column's residual is worth another round; ``best`` (k,) takes the least."""
    done = True
    for c in range(len(size)):
        worst = 0.0
        for j in range(len(left)):
            worst = max(worst, abs(left[j, c]))
        done = done and (worst <= SETTLED * size[c] or worst >= 0.5 * best[c])
        best[c] = min(best[c], worst)
    return done


@compiled
def refined(
    of: System, order: Ints, start: Ints, rows: Ints, lower: Floats, inverse: Floats, right: Floats
) -> Floats:
    """
    Solve the system without its shift for ``right`` (n + e, k).

    With the factor of the one with it, refined until the residual no longer shrinks.
    """
    k = right.shape[1]
    found, left = np.zeros(right.shape), right
    turned = np.empty(right.shape)
    size, best = np.zeros(k), np.full(k, np.inf)
    for j in range(len(right)):
        for c in range(k):
            size[c] = max(size[c], abs(right[j, c]))
    for _ in range(REFINEMENTS + 1):
        for j in range(len(order)):
            turned[j] = left[order[j]]
        substitute(start, rows, lower, inverse, turned)
        for j in range(len(order)):
            found[order[j]] += turned[j]
        left = _unmet(of, found, right)
        if _settled(left, size, best):
            break
    return found


@compiled
def pushed(
    of: System,
    order: Ints,
    start: Ints,
    rows: Ints,
    lower: Floats,
    inverse: Floats,
    balances: Rows,
    readings: Rows,
    push: Floats,
) -> Floats:
    """
    Give the moves (n, k) of least cost that follow what is held.

    ``push`` (n, k) says how far that moves, and is zero elsewhere; ``balances`` and ``readings``
    are the rows that the system was made of.
    """
    n, k = push.shape
    right = np.zeros((n + len(of.row_size), k))
    right[:n] = pulled(readings, seen(readings, push), n)
    right[n:] = seen(balances, push)
    for j in range(n):
        right[j] *= of.columns[j]
    for r in range(len(of.row_size)):
        right[n + r] *= of.row_size[r]
    moves, found = push.copy(), refined(of, order, start, rows, lower, inverse, right)
    for j in range(n):
        moves[j] -= of.columns[j] * found[j]
    return moves
