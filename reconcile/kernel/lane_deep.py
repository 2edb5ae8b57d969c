"""
The whole Hessian for many sets of values side by side, on the factor at hand; compiled.

The square of the bent rows has the square of hollow ones too much
(:mod:`~reconcile.kernel.newton`).  Where that makes convergence slow, by an unweighed stream whose
assays do not fit, conjugate gradients restore it as on the general road
(:mod:`~reconcile.kernel.curvature`), for a solve each instead of a factor for every half digit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .compiled import part_of_others
from .lane_border import Border, add_border
from .lane_readings import Given, Layout, add_square
from .lane_system import Bounds, Room, substitute_lanes
from .limits import BOUND_TOLERANCE, CG_TOLERANCE, DEEP_STEPS

if TYPE_CHECKING:
    from .problem import Bools, Floats


@part_of_others
def _dot(left: Floats, right: Floats, result: Floats) -> None:
    """Give the product of two vectors (n, lanes) in each lane, (lanes,)."""
    result[:] = 0.0
    for j in range(len(left)):
        one, other = left[j], right[j]
        for c in range(len(result)):
            result[c] += one[c] * other[c]


@part_of_others
def _answer(
    at: Layout, room: Room, border: Border, residual: Floats, whole: Floats, turned: Floats
) -> None:
    """Give the factored system's answer to a residual (n, lanes) that leaves what is held."""
    n, lanes = len(at.weak), len(at.side)
    whole[:] = 0.0
    for j in range(n):
        for c in range(lanes):
            whole[j, c] = room.size[j, c] * residual[j, c]
    substitute_lanes(at, room, whole)
    if len(border.row) > 0:
        border.residual[:] = 0.0
        add_border(at, room, border, whole)
    for j in range(n):
        for c in range(lanes):
            turned[j, c] = room.size[j, c] * whole[j, c]


@part_of_others
def _leaves(
    at: Layout, given: Given, x: Floats, low: Floats, bounds: Bounds, move: Floats, c: int
) -> bool:
    """Say whether a move breaks a bound that is not held."""
    for j in range(len(x)):
        still = bounds.lower[j, c] or given.closed[j, c]
        if not still and x[j, c] + move[j, c] < low[j, c] - BOUND_TOLERANCE * given.scale[j, c]:
            return True
    for g in range(len(at.within_start) - 1):
        slack, largest = 0.0, 0.0
        for p in range(at.within_start[g], at.within_start[g + 1]):
            j = at.within_column[p]
            slack += at.within[p] * (x[j, c] + move[j, c])
            largest = max(largest, abs(at.within[p]) * given.scale[j, c])
        if not bounds.within[g, c] and slack < -BOUND_TOLERANCE * largest:
            return True
    return False


@part_of_others
def deepen(
    at: Layout,
    given: Given,
    room: Room,
    factored: Floats,
    rows: Floats,
    hollow: Floats,
    border: Border,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    deep: Bools,
    move: Floats,
) -> None:
    """
    Turn moves (n, lanes) into those of the whole Hessian within what is held, in ``deep`` lanes.

    The Hessian is ``rows`` squared less ``hollow`` squared; the factor is of ``factored`` squared.
    A lane keeps its move where the Hessian is not positive along a direction met, or where the
    other would break a bound.
    """
    n, lanes = len(at.weak), len(at.side)
    whole, seen = np.empty((len(at.order), lanes)), np.empty(lanes)
    residual, bent = np.zeros((n, lanes)), np.zeros((n, lanes))
    turned, found = np.empty((n, lanes)), move.copy()
    size, length, enough = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    going = deep.copy()
    add_square(at, factored, move, 1.0, bent, seen)
    _dot(move, bent, enough)
    residual -= bent
    add_square(at, rows, move, 1.0, residual, seen)
    add_square(at, hollow, move, -1.0, residual, seen)
    _answer(at, room, border, residual, whole, turned)
    _dot(residual, turned, size)
    along = -turned
    sound = deep.copy()
    for _ in range(DEEP_STEPS):
        for c in range(lanes):
            going[c] = going[c] and size[c] > CG_TOLERANCE**2 * enough[c]
        if not going.any():
            break
        bent[:] = 0.0
        add_square(at, rows, along, 1.0, bent, seen)
        add_square(at, hollow, along, -1.0, bent, seen)
        _dot(along, bent, length)
        for c in range(lanes):
            if going[c] and not length[c] > 0.0:
                sound[c], going[c] = False, False
            length[c] = size[c] / length[c] if going[c] else 0.0
        for j in range(n):
            for c in range(lanes):
                found[j, c] += length[c] * along[j, c]
                residual[j, c] += length[c] * bent[j, c]
        _answer(at, room, border, residual, whole, turned)
        _dot(residual, turned, length)
        for j in range(n):
            for c in range(lanes):
                before = length[c] / size[c] * along[j, c] if going[c] else 0.0
                along[j, c] = before - turned[j, c]
        for c in range(lanes):
            size[c] = length[c] if going[c] else size[c]
    for c in range(lanes):
        if sound[c] and not _leaves(at, given, x, low, bounds, found, c):
            move[:, c] = found[:, c]
