"""
The linear system behind one step of many sets of values side by side, compiled.

Scaled, and factored on one order and one symbolic factor.  Bounds between unknowns that hold are
few, so they border the system (:mod:`~reconcile.kernel.lane_border`) instead of standing in its
pattern.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .lane_readings import Given, Layout, add_square
from .ldl import factorise, substitute_one
from .limits import CANCELLED_PIVOT, DUAL_SHIFT, LOST_PIVOT

if TYPE_CHECKING:
    from .problem import Bools, Floats


class Bounds(NamedTuple):
    """
    What is held in each lane.

    ``lower`` (n, lanes) at the lower bound, ``within`` (g, lanes) bounds between unknowns;
    ``pushing`` (n, lanes) and ``pressing`` (g, lanes) the bounds among them that push back.
    """

    lower: Bools
    within: Bools
    pushing: Bools
    pressing: Bools


@compiled
def open_bounds(at: Layout) -> Bounds:
    """Give a start with nothing held."""
    own, between = (len(at.weak), len(at.side)), (len(at.within_start) - 1, len(at.side))
    return Bounds(
        np.zeros(own, dtype=np.bool_),
        np.zeros(between, dtype=np.bool_),
        np.zeros(own, dtype=np.bool_),
        np.zeros(between, dtype=np.bool_),
    )


class Room(NamedTuple):
    """
    Space for one inner problem.

    ``free`` (n, lanes) is what was free when the matrix was made; ``prop`` (lanes,) marks lanes
    where readings are missing, while the order counts on them all.
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


@part_of_others
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


@part_of_others
def factor_lanes(at: Layout, room: Room) -> None:
    """Factor what was assembled."""
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
            at.seat,
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


@part_of_others
def substitute_lanes(at: Layout, room: Room, right: Floats) -> None:
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


@part_of_others
def measure(at: Layout, slope: Floats, room: Room) -> None:
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


@part_of_others
def assemble(at: Layout, slope: Floats, room: Room) -> None:
    """
    Fill the matrix to be factored, without its border.

    An unknown that has lost its readings has no pivot of its own; what is added to it is taken out
    again by refinement.
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
            if room.free[j, c] and lost:
                into[c] += LOST_PIVOT
    for r in range(len(at.balance_start) - 1):
        data[at.diagonal_entry[n + r]] = -DUAL_SHIFT
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            into, j = data[at.balance_entry[p]], at.balance_column[p]
            for c in range(lanes):
                into[c] += at.balance[p] * room.size[j, c] * room.row_size[r, c]


@part_of_others
def _own(room: Room, j: int, c: int) -> float:
    """Give an unknown's own diagonal: the pull to the start, or one where it is held."""
    return room.weight[j, c] * room.size[j, c] ** 2 if room.free[j, c] else 1.0


@part_of_others
def apply_system(at: Layout, room: Room, found: Floats, residual: Floats) -> None:
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


@part_of_others
def apply_multipliers(at: Layout, room: Room, found: Floats, residual: Floats) -> None:
    """Take what the multipliers of the balances in ``found`` do off the residual."""
    n = len(at.weak)
    for r in range(len(at.balance_start) - 1):
        multiplier, height = found[n + r], room.row_size[r]
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j, factor = at.balance_column[p], at.balance[p]
            size, into = room.size[j], residual[j]
            for c in range(len(at.side)):
                into[c] -= factor * size[c] * height[c] * multiplier[c]
