"""
The linear system behind one step of many sets of values side by side, compiled.

Scaled, factored on one order and one symbolic factor, and solved with refinement.  Bounds between
unknowns that hold are few, so they border the system instead of standing in its pattern.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled
from .lane_readings import Given, Layout, add_square
from .ldl import factorise, substitute, substitute_one
from .limits import (
    CANCELLED_PIVOT,
    DEPENDENT_PIVOT,
    DUAL_SHIFT,
    LANE_REFINEMENTS,
    LANE_SETTLED,
    LOST_PIVOT,
)

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Bounds(NamedTuple):
    """
    What is held in each lane.

    ``lower`` (n, lanes) at the lower bound, ``within`` (g, lanes) bounds between unknowns,
    ``pinned`` (n, lanes) at its present value, out of the undetermined unknowns ``pins``;
    ``pushing`` (n, lanes) and ``pressing`` (g, lanes) the bounds among them that push back.
    """

    lower: Bools
    within: Bools
    pinned: Bools
    pins: Bools
    pushing: Bools
    pressing: Bools


@compiled
def open_bounds(at: Layout, pins: Bools) -> Bounds:
    """Give a start with nothing held but the ``pins`` (n, lanes)."""
    shape = (len(at.within_start) - 1, pins.shape[1])
    return Bounds(
        np.zeros(pins.shape, dtype=np.bool_),
        np.zeros(shape, dtype=np.bool_),
        pins.copy(),
        pins,
        np.zeros(pins.shape, dtype=np.bool_),
        np.zeros(shape, dtype=np.bool_),
    )


class Room(NamedTuple):
    """
    Space for one inner problem.

    ``prop`` (lanes,) marks lanes where readings are missing, while the order counts on them all.
    """

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
    prop: Bools


class Border(NamedTuple):
    """
    The bounds between unknowns that hold, in the slots that they take in each lane.

    ``row`` (slots, lanes) their rows, -1 in a slot without one; ``spread`` (slots, n + e, lanes)
    the system solved for each; ``schur`` (slots, slots, lanes) what they leave, factored;
    ``multiplier``, ``right`` and ``residual`` (slots, lanes).
    """

    row: Ints
    spread: Floats
    schur: Floats
    multiplier: Floats
    right: Floats
    residual: Floats


@compiled
def room_for(at: Layout, given: Given) -> Room:
    """Make space, once for a descent."""
    lanes = len(at.side)
    n, e = len(at.weak), len(at.balance_start) - 1
    whole, terms = n + e, len(at.reading_column)
    prop = np.zeros(lanes, dtype=np.bool_)
    for c in range(lanes):
        prop[c] = np.isinf(given.sd[:, c]).any()
    return Room(
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
        prop,
    )


@compiled
def _factor(at: Layout, room: Room) -> None:
    n, lanes = len(at.order), len(at.side)
    if lanes == 1:
        factorise(
            at.matrix_start,
            at.matrix_row,
            at.start,
            at.rows,
            at.reach_start,
            at.reach,
            at.reach_entry,
            room.data.reshape(room.data.size),
            CANCELLED_PIVOT,
            1.0,
            room.lower.reshape(room.lower.size),
            room.inverse.reshape(n),
            room.work.reshape(n),
        )
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
def _substitute(at: Layout, room: Room, right: Floats) -> None:
    """Solve for ``right`` (n + e, lanes) in place."""
    n, lanes = len(at.order), len(at.side)
    if lanes == 1:
        lower, inverse = room.lower.reshape(room.lower.size), room.inverse.reshape(n)
        only, alone = right.reshape(n), room.work.reshape(n)
        for k in range(n):
            alone[k] = only[at.order[k]]
        substitute_one(at.start, at.rows, lower, inverse, alone)
        for k in range(n):
            only[at.order[k]] = alone[k]
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
def _measure(at: Layout, slope: Floats, room: Room) -> None:
    """Bring unknowns and equalities to pivots of about one, as ``elimination.sizes`` does."""
    n, lanes = len(at.weak), len(at.side)
    size, row_size, largest = room.size, room.row_size, room.largest
    curvature = room.curvature
    curvature[:] = room.weight
    for p in range(len(at.reading_column)):
        into, entry = curvature[at.reading_column[p]], slope[p]
        for c in range(lanes):
            into[c] += entry[c] * entry[c]
    largest[:] = 0.0
    for j in range(n):
        of, read, free = size[j], curvature[j], room.free[j]
        for c in range(lanes if not at.weak[j] else 0):
            of[c] = 1.0 / np.sqrt(read[c]) if free[c] & (read[c] > 0.0) else 0.0
        if at.weak[j]:
            of[:] = 0.0
    for r in range(len(at.balance_start) - 1):
        first, last, total = at.balance_start[r], at.balance_start[r + 1], row_size[r]
        total[:] = 0.0
        for p in range(first, last):
            factor, of = at.balance[p], size[at.balance_column[p]]
            for c in range(lanes):
                total[c] += (factor * of[c]) ** 2
        for c in range(lanes):
            total[c] = 1.0 / np.sqrt(total[c]) if total[c] > 0.0 else 0.0
        for p in range(first, last):
            factor, into = abs(at.balance[p]), largest[at.balance_column[p]]
            for c in range(lanes):
                into[c] = max(into[c], factor * total[c])
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
def _assemble(at: Layout, slope: Floats, room: Room, bounds: Bounds) -> None:
    """
    Fill the matrix to be factored, without its border.

    An unknown that has lost its readings, or that only a bound determines, has no pivot of its own;
    what is added to it is taken out again by refinement.
    """
    n, lanes = len(at.weak), len(at.side)
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
            lost = room.prop[c] and not at.weak[j]
            if room.free[j, c] and (lost or bounds.pins[j, c]):
                into[c] += LOST_PIVOT
    for r in range(len(at.balance_start) - 1):
        data[at.diagonal_entry[n + r]] = -DUAL_SHIFT
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            into, j = data[at.balance_entry[p]], at.balance_column[p]
            for c in range(lanes):
                into[c] += at.balance[p] * room.size[j, c] * room.row_size[r, c]


@compiled
def _own(room: Room, j: int, c: int) -> float:
    """Give an unknown's own diagonal: the pull to the start, or one where it is held."""
    return room.weight[j, c] * room.size[j, c] ** 2 if room.free[j, c] else 1.0


@compiled
def _apply(at: Layout, room: Room, found: Floats, residual: Floats) -> None:
    """Take the matrix, without the shift of the equalities, times ``found`` off the residual."""
    n, lanes = len(at.weak), len(at.side)
    add_square(at, room.scaled, found, -1.0, residual, room.seen)
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
def no_border(at: Layout) -> Border:
    """Give a border before any bound holds."""
    nothing: Border = _empty(np.full((0, len(at.side)), -1, dtype=np.int64), len(at.order))
    return nothing


@compiled
def _empty(row: Ints, whole: int) -> Border:
    slots, lanes = row.shape
    return Border(
        row,
        np.zeros((slots, whole, lanes)),
        np.zeros((slots, slots, lanes)),
        np.zeros((slots, lanes)),
        np.zeros((slots, lanes)),
        np.zeros((slots, lanes)),
    )


@compiled
def _border(at: Layout, room: Room, within: Bools, running: Bools) -> Border:
    """Gather the bounds between unknowns that hold, and solve the system for each."""
    whole, lanes = len(at.order), len(at.side)
    count = np.zeros(lanes, dtype=np.int64)
    for g in range(len(at.within_start) - 1):
        for c in range(lanes):
            if within[g, c] and running[c]:
                count[c] += 1
    slots = count.max()
    row = np.full((slots, lanes), -1, dtype=np.int64)
    count[:] = 0
    for g in range(len(at.within_start) - 1 if slots > 0 else 0):
        for c in range(lanes):
            if within[g, c] and running[c]:
                row[count[c], c] = g
                count[c] += 1
    border: Border = _empty(row, whole)
    for s in range(slots):
        for c in range(lanes):
            if row[s, c] >= 0:
                for p in range(at.within_start[row[s, c]], at.within_start[row[s, c] + 1]):
                    j = at.within_column[p]
                    border.spread[s, j, c] = at.within[p] * room.size[j, c]
    if lanes == 1 and slots > 0:
        _spread_alone(at, room, border.spread)
    else:
        for s in range(slots):
            _substitute(at, room, border.spread[s])
    for s in range(slots):
        for t in range(s + 1):
            for c in range(lanes):
                border.schur[s, t, c] = _across(at, room, row[s, c], border.spread[t], c)
    _factor_border(at, border)
    return border


@compiled
def _spread_alone(at: Layout, room: Room, spread: Floats) -> None:
    """Solve for all slots of a single lane together, (slots, n + e, 1), in place."""
    slots, whole = spread.shape[0], spread.shape[1]
    rights = np.empty((whole, slots))
    for k in range(whole):
        for s in range(slots):
            rights[k, s] = spread[s, at.order[k], 0]
    lower, inverse = room.lower.reshape(room.lower.size), room.inverse.reshape(whole)
    substitute(at.start, at.rows, lower, inverse, rights)
    for k in range(whole):
        for s in range(slots):
            spread[s, at.order[k], 0] = rights[k, s]


@compiled
def _across(at: Layout, room: Room, row: int, vector: Floats, c: int) -> float:
    """Give a scaled bound's row times a vector (n + e, lanes) in one lane, zero without a row."""
    total = 0.0
    if row >= 0:
        for p in range(at.within_start[row], at.within_start[row + 1]):
            j = at.within_column[p]
            total += at.within[p] * room.size[j, c] * vector[j, c]
    return total


@compiled
def _factor_border(at: Layout, border: Border) -> None:
    """Factor what the bounds leave, in place; one that follows from the others has no say."""
    slots, lanes = len(border.row), len(at.side)
    schur = border.schur
    for c in range(lanes):
        largest = 0.0
        for s in range(slots):
            largest = max(largest, schur[s, s, c])
        for s in range(slots):
            for t in range(s):
                if schur[t, t, c] == np.inf:
                    schur[s, t, c] = 0.0
                    continue
                for u in range(t):
                    if schur[u, u, c] < np.inf:
                        schur[s, t, c] -= schur[s, u, c] * schur[t, u, c] * schur[u, u, c]
                schur[s, t, c] /= schur[t, t, c]
                schur[s, s, c] -= schur[s, t, c] ** 2 * schur[t, t, c]
            if not schur[s, s, c] > DEPENDENT_PIVOT * largest:
                schur[s, s, c] = np.inf


@compiled
def _add_border(at: Layout, room: Room, border: Border, found: Floats) -> None:
    """Turn a solution without the bounds (n + e, lanes) into one with them, in place."""
    slots, lanes = len(border.row), len(at.side)
    schur = border.schur
    part = np.zeros(slots)
    for c in range(lanes):
        for s in range(slots):
            part[s] = _across(at, room, border.row[s, c], found, c) - border.residual[s, c]
            for t in range(s):
                part[s] -= schur[s, t, c] * part[t]
        for s in range(slots - 1, -1, -1):
            part[s] /= schur[s, s, c]
            for t in range(s + 1, slots):
                part[s] -= schur[t, s, c] * part[t]
        for s in range(slots):
            border.multiplier[s, c] += part[s]
            if part[s] != 0.0:
                for k in range(len(found)):
                    found[k, c] -= border.spread[s, k, c] * part[s]


@compiled
def _apply_border(at: Layout, room: Room, border: Border, residual: Floats) -> None:
    """Take the border off the residual of the system, and give that of the bounds themselves."""
    slots, lanes = len(border.row), len(at.side)
    for s in range(slots):
        for c in range(lanes):
            row = border.row[s, c]
            if row < 0 or border.schur[s, s, c] == np.inf:
                border.residual[s, c] = 0.0
                continue
            border.residual[s, c] = border.right[s, c] - _across(at, room, row, room.found, c)
            for p in range(at.within_start[row], at.within_start[row + 1]):
                j = at.within_column[p]
                residual[j, c] -= at.within[p] * room.size[j, c] * border.multiplier[s, c]


@compiled
def _largest(at: Layout, system: Floats, border: Floats, result: Floats) -> None:
    """Give the size of the largest entry of each lane, (lanes,)."""
    result[:] = 0.0
    for part in (system, border):
        for k in range(len(part)):
            entry = part[k]
            for c in range(len(at.side)):
                result[c] = max(result[c], abs(entry[c]))


@compiled
def _refined(at: Layout, room: Room, border: Border, running: Bools) -> None:
    """
    Solve for ``right``, refined against the matrix without its shift.

    Leaves in ``seen`` how much of each lane's right-hand side is unmet.
    """
    lanes = len(at.side)
    best, goal, worst = np.full(lanes, np.inf), np.empty(lanes), np.empty(lanes)
    _largest(at, room.right, border.right, goal)
    room.found[:] = 0.0
    room.residual[:] = room.right
    border.multiplier[:] = 0.0
    border.residual[:] = border.right
    for _ in range(LANE_REFINEMENTS):
        _substitute(at, room, room.residual)
        _add_border(at, room, border, room.residual)
        room.found[:] += room.residual
        room.residual[:] = room.right
        _apply(at, room, room.found, room.residual)
        _apply_border(at, room, border, room.residual)
        again = False
        _largest(at, room.residual, border.residual, worst)
        for c in range(lanes):
            if running[c] and worst[c] > LANE_SETTLED * goal[c] and worst[c] < 0.5 * best[c]:
                again = True
            best[c] = min(best[c], worst[c])
        if not again:
            break
    for c in range(lanes):
        room.seen[c] = best[c] / goal[c] if goal[c] > 0.0 else 0.0


@compiled
def step(
    at: Layout,
    given: Given,
    room: Room,
    slope: Floats,
    gradient: Floats,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    running: Bools,
    move: Floats,
    shadow: Floats,
    unmet: Floats,
    kept: Border,
    keeping: bool,
) -> Border:
    """
    Give the step for what is held, and what each unknown that is held costs.

    ``keeping`` takes the factor as it was left by the step before, whose rows ``slope`` must then
    be and whose border is ``kept``, with the same held: only the gradient and the point are new.
    Gives the border for the next that keeps.
    ``shadow`` (g, lanes) takes what each bound between unknowns costs, zero where it does not hold;
    ``unmet`` (lanes,) says how much of the system rounding left unsolved.
    """
    n, lanes = len(at.weak), len(at.side)
    for j in range(n):
        held, closed, to, floor, now = bounds.lower[j], given.closed[j], move[j], low[j], x[j]
        for c in range(lanes):
            room.free[j, c] = not (held[c] | bounds.pinned[j, c] | closed[c])
        for c in range(lanes):
            to[c] = floor[c] - now[c] if held[c] else 0.0
        for c in range(lanes):
            to[c] = -now[c] if closed[c] else to[c]
        right, downhill, weight = room.right[j], gradient[j], room.weight[j]
        for c in range(lanes):
            right[c] = downhill[c] + weight[c] * to[c]
    border = kept
    if keeping:
        border.right[:] = 0.0
    else:
        _measure(at, slope, room)
        _assemble(at, slope, room, bounds)
        _factor(at, room)
        border = _border(at, room, bounds.within, running)
    add_square(at, slope, move, 1.0, room.right, room.seen)
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
    for s in range(len(border.row)):
        for c in range(lanes):
            row = border.row[s, c]
            if row >= 0 and border.schur[s, s, c] < np.inf:
                for p in range(at.within_start[row], at.within_start[row + 1]):
                    j = at.within_column[p]
                    border.right[s, c] -= at.within[p] * (x[j, c] + move[j, c])
    _refined(at, room, border, running)
    unmet[:] = room.seen
    _costs(at, room, border, slope, gradient, move, shadow)
    return border


@compiled
def _costs(
    at: Layout,
    room: Room,
    border: Border,
    slope: Floats,
    gradient: Floats,
    move: Floats,
    shadow: Floats,
) -> None:
    """Add the free part of the step to ``move``, and give what everything that is held costs."""
    n, lanes = len(at.weak), len(at.side)
    for j in range(n):
        for c in range(lanes):
            move[j, c] += room.size[j, c] * room.found[j, c]
            room.cost[j, c] = gradient[j, c] + room.weight[j, c] * move[j, c]
            room.terms[j, c] = abs(gradient[j, c])
    add_square(at, slope, move, 1.0, room.cost, room.seen)
    for r in range(len(at.balance_start) - 1):
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j = at.balance_column[p]
            for c in range(lanes):
                term = at.balance[p] * room.row_size[r, c] * room.found[n + r, c]
                room.cost[j, c] += term
                room.terms[j, c] += abs(term)
    shadow[:] = 0.0
    for s in range(len(border.row)):
        for c in range(lanes):
            row = border.row[s, c]
            if row < 0:
                continue
            shadow[row, c] = -border.multiplier[s, c]
            for p in range(at.within_start[row], at.within_start[row + 1]):
                j = at.within_column[p]
                room.cost[j, c] += at.within[p] * border.multiplier[s, c]
                room.terms[j, c] += abs(at.within[p] * border.multiplier[s, c])
