"""
Many sets of values of one statement, side by side, compiled.

The same iteration as :mod:`~reconcile.kernel.newton` with the inner problem of
:mod:`~reconcile.kernel.active_set`, on one elimination order and one symbolic factor.  Every number
carries a last axis of lanes, one for each set of values, so that the innermost loops run over
neighbours in memory.  What a lane meets and this road does not handle (a component that is all of
its solids, a set of bounds that does not settle) ends it with a named state, and the caller takes
that one set of values over the general road.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled
from .limits import (
    ACTIVE_SET_ROUNDS,
    ARMIJO,
    BOUND_TOLERANCE,
    CANCELLED_PIVOT,
    DUAL_SHIFT,
    KKT_STALLED,
    KKT_TOLERANCE,
    LANE_HALVINGS,
    LANE_REFINEMENTS,
    LANE_SETTLED,
    LANE_STEPS,
    LINEAR_PASSES,
    MEASURABLE,
    MOST_UNMET,
    MULTIPLIER_FLOOR,
    MULTIPLIER_RELATIVE,
    PRIOR_WEIGHT,
    SHORT_STEP,
    SHRINK,
    SMALLEST_SCALE,
    STALL_ROUNDS,
)

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints

RUNNING, CONVERGED, BEYOND, UNSETTLED, STEPS, NUMBERS = range(6)
"""How a lane stands: ``BEYOND`` a bound between unknowns is reached, which this road does not hold;
``UNSETTLED`` the set of bounds went on changing or no step went down; ``STEPS`` too many of them;
``NUMBERS`` beyond the range of the arithmetic."""


class Layout(NamedTuple):
    """
    A statement's patterns, in the form that the compiled loops read.

    Readings, equalities and bounds between unknowns by row, with their coefficients; ``weak`` marks
    unknowns that no reading sees by themselves, ``closed`` those that are zero for good; ``order``
    to ``reach_entry`` are the factor's order and pattern; the ``_entry`` arrays say where each
    product of two coefficients of a reading, each diagonal and each coefficient of an equality
    stands in the matrix to be factored.
    """

    reading_start: Ints
    reading_column: Ints
    above: Floats
    below: Floats
    beside: Floats
    constant: Floats
    balance_start: Ints
    balance_column: Ints
    balance: Floats
    within_start: Ints
    within_column: Ints
    within: Floats
    weak: Bools
    closed: Bools
    order: Ints
    matrix_start: Ints
    matrix_row: Ints
    start: Ints
    rows: Ints
    reach_start: Ints
    reach: Ints
    reach_entry: Ints
    pair_start: Ints
    pair_entry: Ints
    diagonal_entry: Ints
    balance_entry: Ints


class Given(NamedTuple):
    """
    The values of each lane.

    ``y`` and ``sd`` (m, lanes); ``target`` (e, lanes); ``floor`` (n, lanes) the lower bounds, above
    zero for what divides, minus infinity where free; ``scale`` (n, lanes) the size of each unknown.
    """

    y: Floats
    sd: Floats
    target: Floats
    floor: Floats
    scale: Floats


class _Room(NamedTuple):
    """Space for one inner problem."""

    free: Bools
    weight: Floats
    curvature: Floats
    size: Floats
    row_size: Floats
    largest: Floats
    data: Floats
    lower: Floats
    inverse: Floats
    work: Floats
    right: Floats
    residual: Floats
    found: Floats
    scaled: Floats
    seen: Floats
    cost: Floats
    terms: Floats


@compiled
def reaches(pointer: Ints, index: Ints, parent: Ints, start: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """
    Give the factor's pattern once and for all.

    Rows of its entries; and for each row its columns in the order in which they are eliminated,
    with the entry that each leaves.
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
    return rows, reach_start, reach, entry


@compiled
def _room(at: Layout, lanes: int) -> _Room:
    n, e = len(at.weak), len(at.balance_start) - 1
    whole, terms = n + e, len(at.reading_column)
    return _Room(
        np.empty((n, lanes), dtype=np.bool_),
        np.empty((n, lanes)),
        np.empty((n, lanes)),
        np.empty((n, lanes)),
        np.empty((e, lanes)),
        np.empty((n, lanes)),
        np.empty((len(at.matrix_row), lanes)),
        np.empty((len(at.rows), lanes)),
        np.empty((whole, lanes)),
        np.empty((whole, lanes)),
        np.empty((whole, lanes)),
        np.empty((whole, lanes)),
        np.empty((whole, lanes)),
        np.empty((terms, lanes)),
        np.empty(lanes),
        np.empty((n, lanes)),
        np.empty((n, lanes)),
    )


@compiled
def _factor_alone(at: Layout, data: Floats, lower: Floats, inverse: Floats, value: Floats) -> None:
    """As :func:`_factor` for a single lane, (entries,) and (n,), without the inner loops."""
    value[:] = 0.0
    for k in range(len(inverse)):
        pivot = 0.0
        for p in range(at.matrix_start[k], at.matrix_start[k + 1]):
            if at.matrix_row[p] == k:
                pivot += data[p]
            else:
                value[at.matrix_row[p]] += data[p]
        for t in range(at.reach_start[k], at.reach_start[k + 1]):
            column, last = at.reach[t], at.reach_entry[t]
            y = value[column]
            value[column] = 0.0
            for p in range(at.start[column], last):
                value[at.rows[p]] -= lower[p] * y
            lower[last] = y * inverse[column]
            pivot -= y * lower[last]
        inverse[k] = 1.0 / pivot if abs(pivot) > CANCELLED_PIVOT else 1.0


@compiled
def _substitute_alone(
    at: Layout, lower: Floats, inverse: Floats, right: Floats, work: Floats
) -> None:
    """As :func:`_substitute` for a single lane, (n + e,)."""
    n = len(right)
    for k in range(n):
        work[k] = right[at.order[k]]
    for column in range(n):
        y = work[column]
        for p in range(at.start[column], at.start[column + 1]):
            work[at.rows[p]] -= lower[p] * y
    for column in range(n - 1, -1, -1):
        y = work[column] * inverse[column]
        for p in range(at.start[column], at.start[column + 1]):
            y -= lower[p] * work[at.rows[p]]
        work[column] = y
    for k in range(n):
        right[at.order[k]] = work[k]


@compiled
def _factor(at: Layout, room: _Room) -> None:
    n, lanes = room.inverse.shape
    if lanes == 1:
        whole = (room.data.size, room.lower.size, room.inverse.size)
        data, lower = room.data.reshape(whole[0]), room.lower.reshape(whole[1])
        inverse, value = room.inverse.reshape(whole[2]), room.work.reshape(whole[2])
        _factor_alone(at, data, lower, inverse, value)
        return
    value = room.work
    value[:] = 0.0
    for k in range(n):
        pivot = room.inverse[k]
        pivot[:] = 0.0
        for p in range(at.matrix_start[k], at.matrix_start[k + 1]):
            into = pivot if at.matrix_row[p] == k else value[at.matrix_row[p]]
            entry = room.data[p]
            for c in range(lanes):
                into[c] += entry[c]
        for t in range(at.reach_start[k], at.reach_start[k + 1]):
            column, last = at.reach[t], at.reach_entry[t]
            y, scale, left = value[column], room.inverse[column], room.lower[last]
            for p in range(at.start[column], last):
                below, factor = value[at.rows[p]], room.lower[p]
                for c in range(lanes):
                    below[c] -= factor[c] * y[c]
            for c in range(lanes):
                left[c] = y[c] * scale[c]
                pivot[c] -= y[c] * left[c]
                y[c] = 0.0
        for c in range(lanes):
            pivot[c] = 1.0 / pivot[c] if abs(pivot[c]) > CANCELLED_PIVOT else 1.0


@compiled
def _substitute(at: Layout, room: _Room, right: Floats) -> None:
    """Solve for ``right`` (n + e, lanes) in place."""
    n, lanes = right.shape
    if lanes == 1:
        lower, inverse = room.lower.reshape(room.lower.size), room.inverse.reshape(n)
        _substitute_alone(at, lower, inverse, right.reshape(n), room.work.reshape(n))
        return
    work = room.work
    for k in range(n):
        into, value = work[k], right[at.order[k]]
        for c in range(lanes):
            into[c] = value[c]
    for column in range(n):
        y = work[column]
        for p in range(at.start[column], at.start[column + 1]):
            into, factor = work[at.rows[p]], room.lower[p]
            for c in range(lanes):
                into[c] -= factor[c] * y[c]
    for column in range(n - 1, -1, -1):
        y, scale = work[column], room.inverse[column]
        for c in range(lanes):
            y[c] *= scale[c]
        for p in range(at.start[column], at.start[column + 1]):
            value, factor = work[at.rows[p]], room.lower[p]
            for c in range(lanes):
                y[c] -= factor[c] * value[c]
    for k in range(n):
        into, value = right[at.order[k]], work[k]
        for c in range(lanes):
            into[c] = value[c]


@compiled
def _see(at: Layout, rows: Floats, vector: Floats, i: int, seen: Floats) -> None:
    """Give a reading's row times a vector (n, lanes)."""
    lanes = len(seen)
    seen[:] = 0.0
    for p in range(at.reading_start[i], at.reading_start[i + 1]):
        row, value = rows[p], vector[at.reading_column[p]]
        for c in range(lanes):
            seen[c] += row[c] * value[c]


@compiled
def _add_square(
    at: Layout, rows: Floats, vector: Floats, sign: float, into: Floats, seen: Floats
) -> None:
    """Add ``sign · rowsᵀ (rows · vector)`` to ``into`` (n, lanes)."""
    lanes = len(seen)
    for i in range(len(at.reading_start) - 1):
        _see(at, rows, vector, i, seen)
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, to = rows[p], into[at.reading_column[p]]
            for c in range(lanes):
                to[c] += sign * row[c] * seen[c]


@compiled
def _measure(at: Layout, slope: Floats, room: _Room) -> None:
    """Bring unknowns and equalities to pivots of about one, as ``elimination.sizes`` does."""
    n, lanes = room.curvature.shape
    size, row_size, largest = room.size, room.row_size, room.largest
    curvature = room.curvature
    curvature[:] = room.weight
    for p in range(len(at.reading_column)):
        into, entry = curvature[at.reading_column[p]], slope[p]
        for c in range(lanes):
            into[c] += entry[c] * entry[c]
    largest[:] = 0.0
    for j in range(n):
        for c in range(lanes):
            strong = curvature[j, c] > 0.0 and not at.weak[j] and room.free[j, c]
            size[j, c] = 1.0 / np.sqrt(curvature[j, c]) if strong else 0.0
    for r in range(len(at.balance_start) - 1):
        first, last = at.balance_start[r], at.balance_start[r + 1]
        for c in range(lanes):
            total = 0.0
            for p in range(first, last):
                total += (at.balance[p] * size[at.balance_column[p], c]) ** 2
            row_size[r, c] = 1.0 / np.sqrt(total) if total > 0.0 else 0.0
            for p in range(first, last):
                j, reached = at.balance_column[p], abs(at.balance[p]) * row_size[r, c]
                largest[j, c] = max(largest[j, c], reached)
    for r in range(len(at.balance_start) - 1):
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j, entry = at.balance_column[p], abs(at.balance[p])
            for c in range(lanes):
                if room.free[j, c] and size[j, c] == 0.0:
                    size[j, c] = 1.0 / (largest[j, c] if largest[j, c] > 0.0 else entry)
    for j in range(n):
        for c in range(lanes):
            if room.free[j, c] and size[j, c] == 0.0:
                size[j, c] = 1.0 / np.sqrt(curvature[j, c]) if curvature[j, c] > 0.0 else 1.0
    for r in range(len(at.balance_start) - 1):
        for c in range(lanes):
            if row_size[r, c] == 0.0:
                bare = 0.0
                for p in range(at.balance_start[r], at.balance_start[r + 1]):
                    bare = max(bare, abs(at.balance[p]) * size[at.balance_column[p], c])
                row_size[r, c] = 1.0 / bare if bare > 0.0 else 1.0


@compiled
def _assemble(at: Layout, slope: Floats, room: _Room) -> None:
    """Fill the matrix to be factored."""
    n, lanes = room.size.shape
    data, scaled = room.data, room.scaled
    data[:] = 0.0
    for p in range(len(at.reading_column)):
        into, entry, factor = scaled[p], slope[p], room.size[at.reading_column[p]]
        for c in range(lanes):
            into[c] = entry[c] * factor[c]
    for i in range(len(at.reading_start) - 1):
        k = at.pair_start[i]
        first, last = at.reading_start[i], at.reading_start[i + 1]
        for p in range(first, last):
            left = scaled[p]
            for q in range(p, last):
                into, other = data[at.pair_entry[k]], scaled[q]
                k += 1
                for c in range(lanes):
                    into[c] += left[c] * other[c]
    for j in range(n):
        into = data[at.diagonal_entry[j]]
        for c in range(lanes):
            into[c] += _own(room, j, c)
    for r in range(len(at.balance_start) - 1):
        data[at.diagonal_entry[n + r]] = -DUAL_SHIFT
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            into, j = data[at.balance_entry[p]], at.balance_column[p]
            for c in range(lanes):
                into[c] += at.balance[p] * room.size[j, c] * room.row_size[r, c]


@compiled
def _own(room: _Room, j: int, c: int) -> float:
    """Give an unknown's own diagonal: the pull to the start, or one where it is held."""
    return room.weight[j, c] * room.size[j, c] ** 2 if room.free[j, c] else 1.0


@compiled
def _apply(at: Layout, room: _Room, found: Floats, residual: Floats) -> None:
    """Take the matrix, without the shift of the equalities, times ``found`` off the residual."""
    n, lanes = room.size.shape
    _add_square(at, room.scaled, found, -1.0, residual, room.seen)
    for j in range(n):
        for c in range(lanes):
            residual[j, c] -= _own(room, j, c) * found[j, c]
    for r in range(len(at.balance_start) - 1):
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j = at.balance_column[p]
            for c in range(lanes):
                entry = at.balance[p] * room.size[j, c] * room.row_size[r, c]
                residual[j, c] -= entry * found[n + r, c]
                residual[n + r, c] -= entry * found[j, c]


@compiled
def _refined(at: Layout, room: _Room, running: Bools) -> None:
    """
    Solve for ``right``, refined against the matrix without its shift.

    Leaves in ``seen`` how much of each lane's right-hand side is unmet.
    """
    whole, lanes = room.right.shape
    best, goal = np.full(lanes, np.inf), np.zeros(lanes)
    for k in range(whole):
        for c in range(lanes):
            goal[c] = max(goal[c], abs(room.right[k, c]))
    room.found[:] = 0.0
    room.residual[:] = room.right
    for _ in range(LANE_REFINEMENTS):
        _substitute(at, room, room.residual)
        room.found[:] += room.residual
        room.residual[:] = room.right
        _apply(at, room, room.found, room.residual)
        again = False
        for c in range(lanes):
            worst = 0.0
            for k in range(whole):
                worst = max(worst, abs(room.residual[k, c]))
            if running[c] and worst > LANE_SETTLED * goal[c] and worst < 0.5 * best[c]:
                again = True
            best[c] = min(best[c], worst)
        if not again:
            break
    for c in range(lanes):
        room.seen[c] = best[c] / goal[c] if goal[c] > 0.0 else 0.0


@compiled
def _step(
    at: Layout,
    given: Given,
    room: _Room,
    slope: Floats,
    gradient: Floats,
    x: Floats,
    low: Floats,
    held: Bools,
    pinned: Bools,
    running: Bools,
    move: Floats,
    unmet: Floats,
) -> None:
    """
    Give the step for what is held, and what each unknown that is held costs.

    ``unmet`` (lanes,) says how much of the system rounding left unsolved.
    """
    n, lanes = x.shape
    for j in range(n):
        for c in range(lanes):
            room.free[j, c] = not (held[j, c] or pinned[j, c] or at.closed[j])
            move[j, c] = low[j, c] - x[j, c] if held[j, c] else 0.0
            room.right[j, c] = gradient[j, c] + room.weight[j, c] * move[j, c]
    _measure(at, slope, room)
    _assemble(at, slope, room)
    _factor(at, room)
    _add_square(at, slope, move, 1.0, room.right, room.seen)
    for j in range(n):
        for c in range(lanes):
            room.right[j, c] *= -room.size[j, c]
    for r in range(len(at.balance_start) - 1):
        for c in range(lanes):
            lack = given.target[r, c]
            for p in range(at.balance_start[r], at.balance_start[r + 1]):
                j = at.balance_column[p]
                lack -= at.balance[p] * (x[j, c] + move[j, c])
            room.right[n + r, c] = lack * room.row_size[r, c]
    _refined(at, room, running)
    unmet[:] = room.seen
    for j in range(n):
        for c in range(lanes):
            move[j, c] += room.size[j, c] * room.found[j, c]
            room.cost[j, c] = gradient[j, c] + room.weight[j, c] * move[j, c]
            room.terms[j, c] = abs(gradient[j, c])
    _add_square(at, slope, move, 1.0, room.cost, room.seen)
    for r in range(len(at.balance_start) - 1):
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j = at.balance_column[p]
            for c in range(lanes):
                term = at.balance[p] * room.row_size[r, c] * room.found[n + r, c]
                room.cost[j, c] += term
                room.terms[j, c] += abs(term)


@compiled
def _revise(
    at: Layout,
    given: Given,
    room: _Room,
    x: Floats,
    low: Floats,
    held: Bools,
    pinned: Bools,
    move: Floats,
    binding: Bools,
    changed: Bools,
) -> None:
    """Hold what broke its bound, release what pulls away from it."""
    n, lanes = x.shape
    changed[:] = False
    for j in range(n):
        for c in range(lanes):
            scale = given.scale[j, c]
            tolerance = MULTIPLIER_FLOOR + MULTIPLIER_RELATIVE * room.terms[j, c] * scale
            shadow = room.cost[j, c] * scale
            binding[j, c] = held[j, c] and shadow > tolerance
            if held[j, c]:
                if shadow < -tolerance:
                    held[j, c] = False
                    changed[c] = True
            elif at.closed[j]:
                continue
            elif pinned[j, c]:
                if abs(shadow) > tolerance:
                    pinned[j, c] = False
                    changed[c] = True
            elif x[j, c] + move[j, c] < low[j, c] - BOUND_TOLERANCE * scale:
                held[j, c] = True
                changed[c] = True


@compiled
def _inner(
    at: Layout,
    given: Given,
    room: _Room,
    slope: Floats,
    gradient: Floats,
    x: Floats,
    low: Floats,
    held: Bools,
    pinned: Bools,
    state: Ints,
    move: Floats,
    binding: Bools,
) -> None:
    """Solve the inner problem with lower bounds; lanes whose set does not settle are ended."""
    lanes = len(state)
    changed, running = np.zeros(lanes, dtype=np.bool_), state == RUNNING
    unmet = np.zeros(lanes)
    for _ in range(ACTIVE_SET_ROUNDS):
        _step(at, given, room, slope, gradient, x, low, held, pinned, running, move, unmet)
        _revise(at, given, room, x, low, held, pinned, move, binding, changed)
        if not (changed & running).any():
            break
    for c in range(lanes):
        if state[c] == RUNNING and changed[c]:
            state[c] = UNSETTLED
        if state[c] == RUNNING and not unmet[c] <= MOST_UNMET:
            state[c] = NUMBERS


@compiled
def _read(at: Layout, x: Floats, i: int, above: Floats, below: Floats, beside: Floats) -> None:
    """Give a reading's numerator, denominator and offset at ``x`` in every lane, each (lanes,)."""
    lanes = len(above)
    above[:] = 0.0
    below[:] = at.constant[i]
    beside[:] = 0.0
    for p in range(at.reading_start[i], at.reading_start[i + 1]):
        value = x[at.reading_column[p]]
        over, under, shift = at.above[p], at.below[p], at.beside[p]
        for c in range(lanes):
            above[c] += over * value[c]
            below[c] += under * value[c]
            beside[c] += shift * value[c]


@compiled
def _objective(at: Layout, given: Given, x: Floats, total: Floats) -> None:
    """Give each lane's weighted sum of squares, infinite where a denominator is not positive."""
    lanes = len(total)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    total[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        _read(at, x, i, above, below, beside)
        for c in range(lanes):
            residual = (above[c] / below[c] + beside[c] - given.y[i, c]) / given.sd[i, c]
            total[c] += residual * residual if below[c] > 0.0 else np.inf


@compiled
def _linear_rows(
    at: Layout, given: Given, x: Floats, least: Floats, slope: Floats, gradient: Floats
) -> None:
    """Give the rows and gradient of residuals cleared of their denominators."""
    lanes = x.shape[1]
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    unmet, divisor = np.empty(lanes), np.empty(lanes)
    gradient[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        _read(at, x, i, above, below, beside)
        for c in range(lanes):
            divisor[c] = max(below[c], least[c])
            cleared = (above[c] - given.y[i, c] * below[c]) / divisor[c]
            unmet[c] = (cleared + beside[c]) / given.sd[i, c]
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, into = slope[p], gradient[at.reading_column[p]]
            over, under, shift = at.above[p], at.below[p], at.beside[p]
            for c in range(lanes):
                entry = (over - given.y[i, c] * under) / divisor[c] + shift
                row[c] = entry / given.sd[i, c]
                into[c] += row[c] * unmet[c]


@compiled
def _curved_rows(
    at: Layout,
    given: Given,
    x: Floats,
    curved: Bools,
    slope: Floats,
    gradient: Floats,
    objective: Floats,
) -> None:
    """Give the rows whose square is the Hessian, the gradient and the objective."""
    lanes = x.shape[1]
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    ratio, pull, weight, scaled = (
        np.empty(lanes),
        np.empty(lanes),
        np.empty(lanes),
        np.empty(lanes),
    )
    gradient[:] = 0.0
    objective[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        _read(at, x, i, above, below, beside)
        for c in range(lanes):
            ratio[c] = above[c] / below[c]
            residual = ratio[c] + beside[c] - given.y[i, c]
            pull[c] = ratio[c] + residual if curved[c] else ratio[c]
            weight[c] = 1.0 / given.sd[i, c]
            scaled[c] = residual * weight[c]
            objective[c] += scaled[c] * scaled[c]
            below[c] = 1.0 / below[c]
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, into = slope[p], gradient[at.reading_column[p]]
            over, under, shift = at.above[p], at.below[p], at.beside[p]
            for c in range(lanes):
                straight = (over - ratio[c] * under) * below[c] + shift
                row[c] = ((over - pull[c] * under) * below[c] + shift) * weight[c]
                into[c] += straight * weight[c] * scaled[c]


@compiled
def _passes(
    at: Layout, given: Given, room: _Room, x: Floats, held: Bools, state: Ints, move: Floats
) -> None:
    """Improve a start by weighted linear least squares with bounds, with a weak pull to it."""
    n, lanes = x.shape
    begun, low = x.copy(), np.empty((n, lanes))
    slope, gradient = np.empty_like(room.scaled), np.empty((n, lanes))
    none, binding = np.zeros((n, lanes), dtype=np.bool_), np.zeros((n, lanes), dtype=np.bool_)
    least = np.zeros(lanes)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    for i in range(len(at.reading_start) - 1):
        _read(at, x, i, above, below, beside)
        for c in range(lanes):
            least[c] = max(least[c], SMALLEST_SCALE * below[c])
    for j in range(n):
        for c in range(lanes):
            room.weight[j, c] = (PRIOR_WEIGHT / given.scale[j, c]) ** 2
    for _ in range(LINEAR_PASSES):
        _linear_rows(at, given, x, least, slope, gradient)
        for j in range(n):
            for c in range(lanes):
                gradient[j, c] += room.weight[j, c] * (x[j, c] - begun[j, c])
        _guard(given, x, low)
        _inner(at, given, room, slope, gradient, x, low, held, none, state, move, binding)
        for c in range(lanes):
            if state[c] == RUNNING:
                for j in range(n):
                    x[j, c] += move[j, c]
    room.weight[:] = 0.0


@compiled
def _guard(given: Given, x: Floats, low: Floats) -> None:
    """Give lower bounds that no divisor falls through in one step."""
    n, lanes = x.shape
    for j in range(n):
        for c in range(lanes):
            floor = given.floor[j, c]
            low[j, c] = max(floor, SHRINK * x[j, c]) if floor > 0.0 else floor


@compiled
def _decrements(
    at: Layout, slope: Floats, move: Floats, objective: Floats, seen: Floats, result: Floats
) -> None:
    """Give the length of each move in posterior sds, relative to one plus the root objective."""
    lanes = len(result)
    result[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        _see(at, slope, move, i, seen)
        for c in range(lanes):
            result[c] += seen[c] * seen[c]
    for c in range(lanes):
        result[c] = np.sqrt(result[c]) / (1.0 + np.sqrt(objective[c]))


@compiled
def _shares(
    at: Layout,
    given: Given,
    x: Floats,
    move: Floats,
    trial: Floats,
    gradient: Floats,
    was: Floats,
    searched: Bools,
    share: Floats,
) -> None:
    """Give the share of each move that delivers a fair part of the predicted decrease, or 0."""
    n, lanes = x.shape
    down, reached = np.zeros(lanes), np.empty(lanes)
    for j in range(n):
        for c in range(lanes):
            down[c] += gradient[j, c] * move[j, c]
    share[:] = 1.0
    waiting = searched.copy()
    for _ in range(LANE_HALVINGS):
        if not waiting.any():
            return
        for j in range(n):
            for c in range(lanes):
                trial[j, c] = x[j, c] + share[c] * move[j, c]
        _objective(at, given, trial, reached)
        for c in range(lanes):
            if waiting[c]:
                if 0.5 * reached[c] <= 0.5 * was[c] + ARMIJO * share[c] * down[c]:
                    waiting[c] = False
                else:
                    share[c] *= 0.5
    for c in range(lanes):
        if waiting[c]:
            share[c] = 0.0


@compiled
def _beyond(at: Layout, given: Given, x: Floats, c: int) -> bool:
    """Say whether a bound between unknowns is broken."""
    for r in range(len(at.within_start) - 1):
        slack, size = 0.0, 0.0
        for p in range(at.within_start[r], at.within_start[r + 1]):
            j = at.within_column[p]
            slack += at.within[p] * x[j, c]
            size = max(size, abs(at.within[p]) * given.scale[j, c])
        if slack < -BOUND_TOLERANCE * size:
            return True
    return False


@compiled
def descend(
    at: Layout, given: Given, x: Floats, held: Bools, pinned: Bools, passes: bool
) -> tuple[Ints, Ints, Floats, Floats, Bools]:
    """
    Go down from ``x`` (n, lanes) to each lane's optimum, in place; ``held`` and ``pinned`` follow.

    Gives of each lane how it stands, its Newton steps, its decrement and its objective, and which
    bounds (n, lanes) push back.
    """
    n, lanes = x.shape
    room = _room(at, lanes)
    slope, gradient = np.empty_like(room.scaled), np.empty((n, lanes))
    move, low, trial = np.zeros((n, lanes)), np.empty((n, lanes)), np.empty((n, lanes))
    binding = np.zeros((n, lanes), dtype=np.bool_)
    state, steps = np.zeros(lanes, dtype=np.int64), np.zeros(lanes, dtype=np.int64)
    decrement, objective = np.full(lanes, np.inf), np.zeros(lanes)
    best, since = np.full(lanes, np.inf), np.zeros(lanes, dtype=np.int64)
    full, searched = np.ones(lanes, dtype=np.bool_), np.zeros(lanes, dtype=np.bool_)
    size, share = np.empty(lanes), np.empty(lanes)
    room.weight[:] = 0.0
    if passes:
        _passes(at, given, room, x, held, state, move)
    firm = pinned.any()
    for iteration in range(LANE_STEPS):
        curved = full & (not firm)
        _curved_rows(at, given, x, curved, slope, gradient, objective)
        for c in range(lanes):
            if state[c] == RUNNING and not np.isfinite(objective[c]):
                state[c] = NUMBERS
        _guard(given, x, low)
        _inner(at, given, room, slope, gradient, x, low, held, pinned, state, move, binding)
        _decrements(at, slope, move, objective, room.seen, size)
        for c in range(lanes):
            searched[c] = False
            if state[c] != RUNNING:
                continue
            decrement[c] = size[c]
            if not np.isfinite(size[c]):
                state[c] = NUMBERS
                continue
            if size[c] < 0.5 * best[c]:
                best[c], since[c] = size[c], 0
            else:
                since[c] += 1
            searched[c] = size[c] > KKT_TOLERANCE and size[c] * size[c] > MEASURABLE
        _shares(at, given, x, move, trial, gradient, objective, searched, share)
        for c in range(lanes):
            if state[c] != RUNNING:
                share[c] = 0.0
                continue
            steps[c] = iteration
            if decrement[c] <= KKT_TOLERANCE:
                state[c] = CONVERGED
            elif searched[c]:
                if share[c] == 0.0 and not full[c]:
                    state[c] = UNSETTLED
                full[c] = share[c] > SHORT_STEP
            elif since[c] >= STALL_ROUNDS:
                state[c] = CONVERGED if decrement[c] <= KKT_STALLED else UNSETTLED
                share[c] = 0.0
        for j in range(n):
            for c in range(lanes):
                if share[c] > 0.0:
                    x[j, c] += share[c] * move[j, c]
        if not (state == RUNNING).any():
            break
    _objective(at, given, x, objective)
    for c in range(lanes):
        if state[c] == RUNNING:
            state[c] = STEPS
        if state[c] == CONVERGED and _beyond(at, given, x, c):
            state[c] = BEYOND
    return state, steps, decrement, objective, binding


@compiled
def descend_all(
    at: Layout,
    y: Floats,
    sd: Floats,
    given: Given,
    start: Floats,
    pins: Bools,
    passes: bool,
    x: Floats,
) -> tuple[Ints, Ints, Floats, Bools, Bools]:
    """
    Go down for many blocks of lanes, all from one start (n,).

    ``y`` and ``sd`` are (blocks, m, lanes); ``given`` lends what all blocks share; ``x`` (blocks,
    n, lanes) takes the optima.  Gives of each block and lane how it stands, its steps and its
    objective, whether a bound pushes back, and whether something that divides is at its floor.
    """
    blocks, _, lanes = y.shape
    n = len(start)
    state, steps = np.zeros((blocks, lanes), dtype=np.int64), np.zeros((blocks, lanes), np.int64)
    objective = np.zeros((blocks, lanes))
    bounded = np.zeros((blocks, lanes), dtype=np.bool_)
    emptied = np.zeros((blocks, lanes), dtype=np.bool_)
    for b in range(blocks):
        held = np.zeros((n, lanes), dtype=np.bool_)
        pinned = np.zeros((n, lanes), dtype=np.bool_)
        for j in range(n):
            x[b, j] = start[j]
            pinned[j] = pins[j]
        own = Given(y[b], sd[b], given.target, given.floor, given.scale)
        found = descend(at, own, x[b], held, pinned, passes)
        state[b], steps[b], objective[b] = found[0], found[1], found[3]
        for j in range(n):
            for c in range(lanes):
                bounded[b, c] = bounded[b, c] or found[4][j, c]
                if held[j, c] and given.floor[j, c] > 0.0:
                    emptied[b, c] = True
    return state, steps, objective, bounded, emptied
