"""
What is held at the border of a linear system instead of in its matrix, compiled.

Bounds between unknowns that hold are few, and never stand in the matrix.  Bounds of single unknowns
do, but one that is met after the matrix was factored is cheaper at the border: a solve for each,
where a factor costs as much as many (Schur-complement active sets: Gill, Murray, Saunders and
Wright 1990).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import part_of_others
from .lane_readings import Layout
from .lane_system import Bounds, Room, substitute_lanes
from .ldl import substitute
from .limits import CANCELS, FOLLOWS

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Border(NamedTuple):
    """
    The bounds that hold there, in the slots that they take in each lane.

    ``row`` (slots, lanes) which they are, -1 in a slot without one: the bounds between unknowns by
    their rows, and behind those each unknown at its own; ``spread`` (slots, n + e, lanes) the
    system solved for each; ``schur`` (slots, slots, lanes) what they leave, factored;
    ``multiplier``, ``right`` and ``residual`` (slots, lanes).
    """

    row: Ints
    spread: Floats
    schur: Floats
    multiplier: Floats
    right: Floats
    residual: Floats


@part_of_others
def no_border(at: Layout) -> Border:
    """Give a border before any bound holds."""
    nothing: Border = _empty(np.full((0, len(at.side)), -1, dtype=np.int64), len(at.order))
    return nothing


@part_of_others
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


@part_of_others
def _rows(at: Layout, room: Room, bounds: Bounds, running: Bools, before: Ints) -> Ints:
    """Give the slots of all that is held at the border, what was there ``before`` first."""
    groups, n, lanes = len(at.within_start) - 1, len(at.weak), len(at.side)
    count = np.zeros(lanes, dtype=np.int64)
    for g in range(groups):
        within = bounds.within[g]
        for c in range(lanes):
            count[c] += within[c] & running[c]
    for j in range(n):
        lower, free = bounds.lower[j], room.free[j]
        for c in range(lanes):
            count[c] += lower[c] & free[c] & running[c]
    row = np.full((count.max(), lanes), -1, dtype=np.int64)
    for c in range(lanes):
        if count[c] == 0:
            continue
        filled, waiting = 0, np.empty(groups + n, dtype=np.bool_)
        waiting[:groups] = bounds.within[:, c]
        waiting[groups:] = bounds.lower[:, c] & room.free[:, c]
        for s in range(len(before)):
            k = before[s, c]
            if k >= 0 and waiting[k]:
                row[filled, c], waiting[k] = k, False
                filled += 1
        for k in np.flatnonzero(waiting):
            row[filled, c] = k
            filled += 1
    return row


@part_of_others
def gathered(at: Layout, room: Room, bounds: Bounds, running: Bools, kept: Border) -> Border:
    """
    Gather what is held at the border, and solve the system for each.

    What ``kept`` has solved for on the same factor is not solved again.
    """
    whole, lanes = len(at.order), len(at.side)
    row = _rows(at, room, bounds, running, kept.row)
    slots = len(row)
    border: Border = _empty(row, whole)
    fresh = np.zeros(slots, dtype=np.bool_)
    for s in range(slots):
        for c in range(lanes):
            t = 0
            while t < len(kept.row) and kept.row[t, c] != row[s, c]:
                t += 1
            if t == len(kept.row):
                fresh[s] = row[s, c] >= 0 or fresh[s]
                continue
            for k in range(whole):
                border.spread[s, k, c] = kept.spread[t, k, c]
    for s in range(slots):
        if fresh[s]:
            border.spread[s] = 0.0
            for c in range(lanes):
                _add_row(at, room, row[s, c], 1.0, border.spread[s], c)
    if lanes == 1 and fresh.any():
        _spread_alone(at, room, border.spread, np.flatnonzero(fresh))
    else:
        for s in range(slots):
            if fresh[s]:
                substitute_lanes(at, room, border.spread[s])
    for s in range(slots):
        for t in range(s + 1):
            for c in range(lanes):
                border.schur[s, t, c] = _across(at, room, row[s, c], border.spread[t], c)
    _factor_border(at, room, border)
    return border


@part_of_others
def _spread_alone(at: Layout, room: Room, spread: Floats, fresh: Ints) -> None:
    """Solve for the ``fresh`` slots of a single lane together, (slots, n + e, 1), in place."""
    slots, whole = len(fresh), spread.shape[1]
    rights = np.empty((whole, slots))
    for k in range(whole):
        for s in range(slots):
            rights[k, s] = spread[fresh[s], at.order[k], 0]
    lower, inverse = room.lower.reshape(room.lower.size), room.inverse.reshape(whole)
    substitute(at.start, at.rows, lower, inverse, rights)
    for k in range(whole):
        for s in range(slots):
            spread[fresh[s], at.order[k], 0] = rights[k, s]


@part_of_others
def _across(at: Layout, room: Room, row: int, vector: Floats, c: int) -> float:
    """Give a scaled bound's row times a vector (n + e, lanes) in one lane, zero without a row."""
    groups, total = len(at.within_start) - 1, 0.0
    if row >= groups:
        return float(room.size[row - groups, c] * vector[row - groups, c])
    if row >= 0:
        for p in range(at.within_start[row], at.within_start[row + 1]):
            j = at.within_column[p]
            total += at.within[p] * room.size[j, c] * vector[j, c]
    return total


@part_of_others
def _add_row(at: Layout, room: Room, row: int, times: float, into: Floats, c: int) -> None:
    """Add a multiple of a scaled bound's row to a vector (n + e, lanes) in one lane."""
    groups = len(at.within_start) - 1
    if row >= groups:
        into[row - groups, c] += times * room.size[row - groups, c]
    elif row >= 0:
        for p in range(at.within_start[row], at.within_start[row + 1]):
            j = at.within_column[p]
            into[j, c] += times * (at.within[p] * room.size[j, c])


@part_of_others
def _square(at: Layout, room: Room, row: int, c: int) -> float:
    """Give the square of a scaled bound's row in one lane, zero without a row."""
    groups, total = len(at.within_start) - 1, 0.0
    if row >= groups:
        return float(room.size[row - groups, c] ** 2)
    if row >= 0:
        for p in range(at.within_start[row], at.within_start[row + 1]):
            total += (at.within[p] * room.size[at.within_column[p], c]) ** 2
    return total


@part_of_others
def _factor_border(at: Layout, room: Room, border: Border) -> None:
    """
    Factor what the bounds leave, in place; one that follows from the others has no say.

    It is told by its pivot beside its own row and size, not beside other bounds: those of a small
    stream leave little beside those of large ones, and much less than one that a bound determines.
    """
    slots, lanes = len(border.row), len(at.side)
    schur = border.schur
    for c in range(lanes):
        for s in range(slots):
            own = _square(at, room, border.row[s, c], c)
            least = max(FOLLOWS * own, CANCELS * schur[s, s, c])
            for t in range(s):
                if schur[t, t, c] == np.inf:
                    schur[s, t, c] = 0.0
                    continue
                for u in range(t):
                    if schur[u, u, c] < np.inf:
                        schur[s, t, c] -= schur[s, u, c] * schur[t, u, c] * schur[u, u, c]
                schur[s, t, c] /= schur[t, t, c]
                schur[s, s, c] -= schur[s, t, c] ** 2 * schur[t, t, c]
            if not schur[s, s, c] > least:
                schur[s, s, c] = np.inf


@part_of_others
def at_odds(at: Layout, border: Border) -> bool:
    """Say whether an unknown at its own bound has no say there: then it belongs in the matrix."""
    for s in range(len(border.row)):
        for c in range(len(at.side)):
            own = border.row[s, c] >= len(at.within_start) - 1
            if own and border.schur[s, s, c] == np.inf:
                return True
    return False


@part_of_others
def aim(at: Layout, border: Border, x: Floats, low: Floats, move: Floats) -> None:
    """Give what each bound at the border still lacks at ``x + move`` (n, lanes)."""
    groups = len(at.within_start) - 1
    for s in range(len(border.row)):
        for c in range(len(at.side)):
            row, lack = border.row[s, c], 0.0
            if row >= groups:
                j = row - groups
                lack = low[j, c] - x[j, c] - move[j, c]
            elif row >= 0 and border.schur[s, s, c] < np.inf:
                for p in range(at.within_start[row], at.within_start[row + 1]):
                    j = at.within_column[p]
                    lack -= at.within[p] * (x[j, c] + move[j, c])
            border.right[s, c] = lack


@part_of_others
def add_border(at: Layout, room: Room, border: Border, found: Floats) -> None:
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


@part_of_others
def apply_border(at: Layout, room: Room, border: Border, residual: Floats) -> None:
    """Take the border off the residual of the system, and give that of the bounds themselves."""
    slots, lanes = len(border.row), len(at.side)
    for s in range(slots):
        for c in range(lanes):
            row = border.row[s, c]
            if row < 0 or border.schur[s, s, c] == np.inf:
                border.residual[s, c] = 0.0
                continue
            border.residual[s, c] = border.right[s, c] - _across(at, room, row, room.found, c)
            _add_row(at, room, row, -border.multiplier[s, c], residual, c)


@part_of_others
def cost_border(
    at: Layout, room: Room, border: Border, x: Floats, low: Floats, move: Floats, shadow: Floats
) -> None:
    """
    Give what the bounds between unknowns that hold cost, and put that into the unknowns' costs.

    ``shadow`` (g, lanes) comes with zeros.

    An unknown at its own bound is put exactly there, where the solve leaves it to rounding; what it
    costs is, as in the matrix, what the rest leaves unbalanced.
    """
    groups = len(at.within_start) - 1
    for s in range(len(border.row)):
        for c in range(len(at.side)):
            row, multiplier = border.row[s, c], border.multiplier[s, c]
            if row >= groups:
                move[row - groups, c] = low[row - groups, c] - x[row - groups, c]
            elif row >= 0:
                shadow[row, c] = -multiplier
                for p in range(at.within_start[row], at.within_start[row + 1]):
                    j = at.within_column[p]
                    room.cost[j, c] += at.within[p] * multiplier
                    room.terms[j, c] += abs(at.within[p] * multiplier)
