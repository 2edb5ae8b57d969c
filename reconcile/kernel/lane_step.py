"""
One step of many sets of values side by side for what is held, compiled.

It may keep the factor of the step before: also where only what is held has changed, as long as all
that is newly held fits at the border.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .compiled import part_of_others
from .lane_border import (
    Border,
    add_border,
    aim,
    apply_border,
    at_odds,
    cost_border,
    gathered,
    no_border,
)
from .lane_readings import Given, Layout, add_square
from .lane_system import (
    Bounds,
    Room,
    apply_multipliers,
    apply_system,
    assemble,
    factor_lanes,
    measure,
    substitute_lanes,
)
from .limits import LANE_REFINEMENTS, LANE_SETTLED, MOST_AT_BORDER

if TYPE_CHECKING:
    from .problem import Bools, Floats

AFRESH, SAME_ROWS, SAME_HELD = range(3)
"""What a step keeps of the one before: nothing; the readings' rows, and the factor if what is held
now fits at its border; the factor and its border, since the same is held."""


@part_of_others
def _largest(at: Layout, system: Floats, border: Floats, result: Floats) -> None:
    """Give the size of the largest entry of each lane, (lanes,)."""
    result[:] = 0.0
    for part in (system, border):
        for k in range(len(part)):
            entry = part[k]
            for c in range(len(at.side)):
                result[c] = max(result[c], abs(entry[c]))


@part_of_others
def _refined(at: Layout, room: Room, border: Border, running: Bools, keeps: int) -> None:
    """
    Solve for ``right``, refined against the matrix without its shift.

    Where the same is held, multipliers begin from those of the step before: near the optimum little
    is left to solve for, and one substitution is enough where two were needed.  Leaves in ``seen``
    how much of each lane's right-hand side is unmet.
    """
    # Most have no border, and a call takes longer than to ask.
    lanes, bordered = len(at.side), len(border.row) > 0
    n, found, residual = len(at.weak), room.found, room.residual
    best, goal, worst = np.full(lanes, np.inf), np.empty(lanes), np.empty(lanes)
    _largest(at, room.right, border.right, goal)
    residual[:], border.residual[:] = room.right, border.right
    if keeps == SAME_HELD:
        found[:n] = 0.0
        apply_multipliers(at, room, found, residual)
        if bordered:
            apply_border(at, room, border, residual)
    else:
        found[:], border.multiplier[:] = 0.0, 0.0
    for _ in range(LANE_REFINEMENTS):
        substitute_lanes(at, room, residual)
        if bordered:
            add_border(at, room, border, residual)
        for k in range(len(found)):
            into, more, right = found[k], residual[k], room.right[k]
            for c in range(lanes):
                into[c] += more[c]
                more[c] = right[c]
        apply_system(at, room, found, residual)
        if bordered:
            apply_border(at, room, border, residual)
        again = False
        _largest(at, residual, border.residual, worst)
        for c in range(lanes):
            if running[c] and worst[c] > LANE_SETTLED * goal[c] and worst[c] < 0.5 * best[c]:
                again = True
            best[c] = min(best[c], worst[c])
        if not again:
            break
    for c in range(lanes):
        room.seen[c] = best[c] / goal[c] if goal[c] > 0.0 else 0.0


@part_of_others
def _fits(at: Layout, given: Given, room: Room, bounds: Bounds, running: Bools) -> bool:
    """Say whether the factor can be kept for what is held now: few are held more, none less."""
    for c in range(len(at.side)):
        more = 0
        for j in range(len(at.weak) if running[c] else 0):
            if not room.free[j, c]:
                if not (given.closed[j, c] or bounds.lower[j, c]):
                    return False
            elif bounds.lower[j, c]:
                more += 1
        if more > MOST_AT_BORDER:
            return False
    return True


@part_of_others
def _renew(at: Layout, given: Given, room: Room, slope: Floats, bounds: Bounds) -> None:
    """Make and factor the matrix for what is held now."""
    for j in range(len(at.weak)):
        held, closed, free = bounds.lower[j], given.closed[j], room.free[j]
        for c in range(len(at.side)):
            free[c] = not (held[c] | closed[c])
    measure(at, slope, room)
    assemble(at, slope, room)
    factor_lanes(at, room)


@part_of_others
def _unsettled(unmet: Floats, running: Bools) -> bool:
    """Say whether refinement left more of a lane's system than it usually does."""
    unsettled = False
    for c in range(len(unmet)):
        unsettled |= running[c] and not unmet[c] <= LANE_SETTLED
    return unsettled


@part_of_others
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
    keeps: int,
) -> Border:
    """
    Give the step for what is held, and what each unknown that is held costs.

    ``keeps`` says what is still true of the step before, whose border is ``kept``.  Gives the
    border for the next that keeps something.
    ``shadow`` (g, lanes) takes what each bound between unknowns costs, zero where it does not hold;
    ``unmet`` (lanes,) says how much of the system rounding left unsolved.
    """
    border = kept
    if keeps == SAME_HELD:
        _solve(at, given, room, slope, gradient, x, low, bounds, running, move, border, keeps)
    elif keeps == SAME_ROWS and _fits(at, given, room, bounds, running):
        border = gathered(at, room, bounds, running, kept)
        if at_odds(at, border):
            keeps = AFRESH
        else:
            _solve(at, given, room, slope, gradient, x, low, bounds, running, move, border, keeps)
            keeps = AFRESH if _unsettled(room.seen, running) else SAME_ROWS
    else:
        keeps = AFRESH
    if keeps == AFRESH:
        _renew(at, given, room, slope, bounds)
        border = gathered(at, room, bounds, running, no_border(at))
        _solve(at, given, room, slope, gradient, x, low, bounds, running, move, border, keeps)
    unmet[:] = room.seen
    for j in range(len(at.weak)):
        to, size, found = move[j], room.size[j], room.found[j]
        for c in range(len(at.side)):
            to[c] += size[c] * found[c]
    if _holds(at, bounds):
        _costs(at, room, slope, gradient, move)
    shadow[:] = 0.0
    if len(border.row) > 0:
        cost_border(at, room, border, x, low, move, shadow)
    return border


@part_of_others
def _solve(
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
    border: Border,
    keeps: int,
) -> None:
    """Put what the matrix holds where it belongs in ``move``, and solve for the rest."""
    n, lanes = len(at.weak), len(at.side)
    put = np.zeros(lanes, dtype=np.bool_)
    for j in range(n):
        held, free, closed, to = bounds.lower[j], room.free[j], given.closed[j], move[j]
        floor, now = low[j], x[j]
        for c in range(lanes):
            to[c] = floor[c] - now[c] if held[c] & ~free[c] else 0.0
        for c in range(lanes):
            to[c] = -now[c] if closed[c] else to[c]
        for c in range(lanes):
            put[c] |= held[c] | closed[c]
        right, downhill, weight = room.right[j], gradient[j], room.weight[j]
        for c in range(lanes):
            right[c] = downhill[c] + weight[c] * to[c]
    if put.any():
        add_square(at, slope, move, 1.0, room.right, room.seen)
    for j in range(n):
        for c in range(lanes):
            room.right[j, c] *= -room.size[j, c]
    for r in range(len(at.balance_start) - 1):
        lack, target, size = room.right[n + r], given.target[r], room.row_size[r]
        lack[:] = target
        for p in range(at.balance_start[r], at.balance_start[r + 1]):
            j, factor = at.balance_column[p], at.balance[p]
            now, to = x[j], move[j]
            for c in range(lanes):
                lack[c] -= factor * (now[c] + to[c])
        for c in range(lanes):
            lack[c] *= size[c]
    if len(border.row) > 0:
        aim(at, border, x, low, move)
    _refined(at, room, border, running, keeps)


@part_of_others
def _holds(at: Layout, bounds: Bounds) -> bool:
    """Say whether an unknown is held in any lane, so that somebody asks what it costs."""
    held = np.zeros(len(at.side), dtype=np.bool_)
    for j in range(len(at.weak)):
        lower = bounds.lower[j]
        for c in range(len(at.side)):
            held[c] |= lower[c]
    return bool(held.any())


@part_of_others
def _costs(at: Layout, room: Room, slope: Floats, gradient: Floats, move: Floats) -> None:
    """Give what everything that is held costs."""
    n, lanes = len(at.weak), len(at.side)
    for j in range(n):
        for c in range(lanes):
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
