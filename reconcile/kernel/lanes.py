"""
Many sets of values of one statement, side by side, compiled.

The same iteration as :mod:`~reconcile.kernel.newton` with the inner problem of
:mod:`~reconcile.kernel.active_set`, on one elimination order and one symbolic factor.  What a lane
meets and this road does not handle (a set of bounds that does not settle, too many bounds between
unknowns) ends it with a named state, and the caller takes that one set of values over the general
road.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others
from .lane_border import Border, no_border
from .lane_deep import deepen
from .lane_readings import (
    Given,
    Layout,
    curved_rows,
    gaps_of,
    hollow_rows,
    linear_rows,
    objective,
    read,
    see,
)
from .lane_step import AFRESH, SAME_HELD, SAME_ROWS, step
from .lane_system import Bounds, Room, open_bounds, room_for
from .limits import (
    ARMIJO,
    BLOCK_ROUNDS,
    BOUND_TOLERANCE,
    DUST,
    FALLING,
    FORESEEN,
    KEPT_BELOW,
    KEPT_GAIN,
    KEPT_RATE,
    KKT_STALLED,
    KKT_TOLERANCE,
    KNOWN_WITHIN,
    LANE_HALVINGS,
    LANE_SETTLED,
    LANE_STEPS,
    LEAST_EXCHANGED,
    LINEAR_PASSES,
    MEASURABLE,
    MENDING_RISE,
    MOST_BORDERED,
    MOST_DAMPING,
    MOST_UNMET,
    MULTIPLIER_FLOOR,
    MULTIPLIER_RELATIVE,
    PASSES_UNMET,
    PRIOR_WEIGHT,
    PROP_WEIGHT,
    SET_ROUNDS,
    SHORT_STEP,
    SHRINK,
    SMALLEST_SCALE,
    STACK_ROUNDS,
    STALL_ROUNDS,
    STEADY_DIVISOR,
    STRAGGLERS,
    UNSTEADY_LANES,
    WRONG_FOR_A_ROUND,
)

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints

RUNNING, CONVERGED, BEYOND, UNSETTLED, STEPS, NUMBERS, AGAIN, KNOWN = range(8)
"""How a lane stands: ``BEYOND`` more bounds between unknowns hold than this road takes;
``UNSETTLED`` the set of bounds went on changing or no step went down; ``STEPS`` too many of them;
``NUMBERS`` beyond the range of the arithmetic; ``AGAIN`` between two tries of one step; ``KNOWN``
on its way to an optimum that was met before."""


class _Rows(NamedTuple):
    """Bounds between unknowns by row: what a layout has of them, for calls made for each."""

    start: Ints
    column: Ints
    entry: Floats


@part_of_others
def _within(at: Layout) -> _Rows:
    return _Rows(at.within_start, at.within_column, at.within)


@part_of_others
def _slack(rows: _Rows, vector: Floats, g: int, c: int) -> float:
    """Give a bound between unknowns times a vector (n, lanes) in one lane."""
    total = 0.0
    for p in range(rows.start[g], rows.start[g + 1]):
        total += rows.entry[p] * vector[rows.column[p], c]
    return total


@part_of_others
def _slacks(at: Layout, vector: Floats, g: int, slack: Floats) -> None:
    """Give a bound between unknowns times a vector (n, lanes) in every lane, (lanes,)."""
    slack[:] = 0.0
    for p in range(at.within_start[g], at.within_start[g + 1]):
        value, entry = vector[at.within_column[p]], at.within[p]
        for c in range(len(at.side)):
            slack[c] += entry * value[c]


@part_of_others
def _size(rows: _Rows, scale: Floats, g: int, c: int) -> float:
    """Give the largest term of a bound between unknowns of ``scale`` (n, lanes) in one lane."""
    largest = 0.0
    for p in range(rows.start[g], rows.start[g + 1]):
        largest = max(largest, abs(rows.entry[p]) * scale[rows.column[p], c])
    return largest


@part_of_others
def _follows(rows: _Rows, low: Floats, lower: Bools, g: int, c: int) -> bool:
    """
    Say whether a bound between unknowns says no more in one lane than what is held at nothing.

    A part that is held there is no more than its whole as long as that is not below nothing, which
    its own bound sees to.  With all three held, which of them pulls would be a matter of order.
    """
    for p in range(rows.start[g], rows.start[g + 1]):
        j = rows.column[p]
        floor = low[j, c]
        if floor < 0.0 if rows.entry[p] > 0.0 else floor > 0.0 or not lower[j, c]:
            return False
    return True


@part_of_others
def _drop_what_follows(at: Layout, low: Floats, bounds: Bounds, c: int) -> None:
    """Let go of bounds between unknowns that others of the set imply."""
    rows = _within(at)
    for g in range(len(at.within_start) - 1):
        if bounds.within[g, c]:
            bounds.within[g, c] = not _follows(rows, low, bounds.lower, g, c)


@part_of_others
def _judge(
    at: Layout,
    given: Given,
    room: Room,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    move: Floats,
    shadow: Floats,
    c: int,
    wrong: Ints,
) -> int:
    """
    Give how many bounds are wrong in one lane: broken, or held where they pull away.

    ``wrong`` (n + g,) takes their positions; what pushes back is marked on the way.  One that is
    held but has no say, since it follows from others, may be broken as well.
    """
    n, count, rows = len(x), 0, _within(at)
    for j in range(n):
        scale = given.scale[j, c]
        if bounds.lower[j, c]:
            cost = room.cost[j, c] * scale
            tolerance = MULTIPLIER_FLOOR + MULTIPLIER_RELATIVE * room.terms[j, c] * scale
            bounds.pushing[j, c] = cost > tolerance
            bad = cost < -tolerance
        else:
            bounds.pushing[j, c] = False
            short = x[j, c] + move[j, c] < low[j, c] - BOUND_TOLERANCE * scale
            bad = short and not given.closed[j, c]
        if bad:
            wrong[count] = j
            count += 1
    for g in range(len(at.within_start) - 1):
        if bounds.within[g, c]:
            cost = shadow[g, c] * _size(rows, given.scale, g, c)
            bounds.pressing[g, c] = cost > MULTIPLIER_FLOOR
            bad = cost < -MULTIPLIER_FLOOR
        else:
            bounds.pressing[g, c], bad = False, False
            if _follows(rows, low, bounds.lower, g, c):
                continue
        if not bounds.within[g, c] or shadow[g, c] == 0.0:
            slack = _slack(rows, x, g, c) + _slack(rows, move, g, c)
            bad = slack < 0.0 and slack < -BOUND_TOLERANCE * _size(rows, given.scale, g, c)
        if bad:
            wrong[count] = n + g
            count += 1
    return count


@part_of_others
def _clear(
    at: Layout, given: Given, room: Room, x: Floats, low: Floats, bounds: Bounds, move: Floats
) -> Bools:
    """Say in which lanes no bound holds and none is broken, (lanes,): most have none near."""
    lanes = len(at.side)
    clear, slack = np.ones(lanes, dtype=np.bool_), np.empty(lanes)
    for j in range(len(x)):
        now, by, floor = x[j], move[j], low[j]
        for c in range(lanes):
            slack[c] = now[c] + by[c] - floor[c]
        free, held, scale = room.free[j], bounds.lower[j], given.scale[j]
        for c in range(lanes):
            clear[c] &= not (held[c] | (free[c] & (slack[c] < -BOUND_TOLERANCE * scale[c])))
    for g in range(len(at.within_start) - 1):
        slack[:] = 0.0
        for p in range(at.within_start[g], at.within_start[g + 1]):
            now, by, entry = x[at.within_column[p]], move[at.within_column[p]], at.within[p]
            for c in range(lanes):
                slack[c] += entry * (now[c] + by[c])
        held = bounds.within[g]
        for c in range(lanes):
            clear[c] &= not (held[c] | (slack[c] < 0.0))
    for c in range(lanes):
        if clear[c]:
            bounds.pushing[:, c], bounds.pressing[:, c] = False, False
    return clear


@part_of_others
def _exchange(
    at: Layout, low: Floats, bounds: Bounds, wrong: Ints, share: float, turn: int, c: int
) -> None:
    """
    Hold what was broken, release what was held.

    Only about a ``share`` of them is exchanged, others at each ``turn``, and one at least.
    """
    n, count = len(bounds.lower), len(wrong)
    for i in range(count):
        k = wrong[i]
        drawn = ((k + 1) * 2654435761 + (turn + 1) * 40503 * 65536) // 65536 % 65536
        if drawn >= share * 65536 and i != turn % count:
            continue
        if k < n:
            bounds.lower[k, c] = not bounds.lower[k, c]
        else:
            bounds.within[k - n, c] = not bounds.within[k - n, c]
    _drop_what_follows(at, low, bounds, c)


class _Walk(NamedTuple):
    """
    Lanes that go from bound to bound: ``on`` (lanes,), and how far each has come, (n, lanes).

    ``freed`` (n + g, lanes) marks bounds let go since a lane last came any further.

    Where wholesale exchanges do not settle, this does, step by step: the primal active set method
    (Nocedal and Wright 2006, 16.5), started from the present point with what it touches held.
    """

    on: Bools
    done: Floats
    freed: Bools
    lowest: Floats


@part_of_others
def _set_out(
    at: Layout, given: Given, x: Floats, low: Floats, bounds: Bounds, walk: _Walk, c: int
) -> None:
    """Begin a walk: hold what the point touches."""
    rows, walk.on[c], walk.freed[:, c] = _within(at), True, False
    walk.lowest[c] = np.inf
    for j in range(len(x)):
        walk.done[j, c] = max(low[j, c] - x[j, c], 0.0)
        touched = x[j, c] - low[j, c] <= BOUND_TOLERANCE * given.scale[j, c]
        bounds.lower[j, c] = touched and not given.closed[j, c]
    for g in range(len(at.within_start) - 1):
        bounds.within[g, c] = _slack(rows, x, g, c) <= BOUND_TOLERANCE * _size(
            rows, given.scale, g, c
        )
    _drop_what_follows(at, low, bounds, c)


@part_of_others
def _reached(now: float, then: float, share: float, tolerance: float) -> float:
    """Give the share of a move at which a slack that falls from ``now`` to ``then`` is used up."""
    if then >= -tolerance or then >= now:
        return share
    return min(share, max(now, 0.0) / (now - then))


@part_of_others
def _go(
    at: Layout,
    given: Given,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    move: Floats,
    walk: _Walk,
    c: int,
) -> bool:
    """Go towards a move until a bound is met, and hold that; say whether one was met."""
    n, done, rows = len(x), walk.done, _within(at)
    share, met = 1.0, -1
    for j in range(n):
        if bounds.lower[j, c] or given.closed[j, c]:
            continue
        room = x[j, c] - low[j, c]
        tolerance = BOUND_TOLERANCE * given.scale[j, c]
        reached = _reached(room + done[j, c], room + move[j, c], share, tolerance)
        if reached < share:
            share, met = reached, j
    for g in range(len(at.within_start) - 1):
        if bounds.within[g, c]:
            continue
        room, tolerance = _slack(rows, x, g, c), BOUND_TOLERANCE * _size(rows, given.scale, g, c)
        now, then = room + _slack(rows, done, g, c), room + _slack(rows, move, g, c)
        reached = _reached(now, then, share, tolerance)
        if reached < share:
            share, met = reached, n + g
    further = False
    for j in range(n):
        by = share * (move[j, c] - done[j, c])
        done[j, c] += by
        further |= abs(by) > BOUND_TOLERANCE * given.scale[j, c]
    if further:
        walk.freed[:, c] = False
    if met >= n:
        bounds.within[met - n, c] = True
    elif met >= 0:
        bounds.lower[met, c] = True
    return met >= 0


@part_of_others
def _let_worst_go(
    given: Given, room: Room, bounds: Bounds, shadow: Floats, wrong: Ints, walk: _Walk, c: int
) -> bool:
    """
    Release the bound that pulls away the most for its size; say whether there was one.

    One that was met again on the spot is not let go a second time there: it would be met for ever.
    """
    n, most, chosen = len(bounds.lower), 0.0, -1
    for k in wrong:
        if walk.freed[k, c]:
            continue
        pull = -room.cost[k, c] * given.scale[k, c] if k < n else -shadow[k - n, c]
        if chosen < 0 or pull > most:
            most, chosen = pull, k
    if chosen < 0:
        return False
    walk.freed[chosen, c] = True
    if chosen < n:
        bounds.lower[chosen, c] = False
    else:
        bounds.within[chosen - n, c] = False
    return True


@part_of_others
def _fell(
    at: Layout, room: Room, slope: Floats, gradient: Floats, move: Floats, walk: _Walk, c: int
) -> bool:
    """
    Say whether a move is predicted to lead no higher than the best of the walk before.

    Each that meets all balances must; where rounding is too large for that, a walk goes in circles.
    One that only exchanges bounds on the spot leads as high.
    """
    value = 0.0
    for j in range(len(move)):
        by = move[j, c]
        value += by * (gradient[j, c] + 0.5 * room.weight[j, c] * by)
    for i in range(len(at.reading_start) - 1):
        seen = 0.0
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            seen += slope[p, c] * move[at.reading_column[p], c]
        value += 0.5 * seen * seen
    fell = value <= walk.lowest[c] + LANE_SETTLED * abs(walk.lowest[c])
    walk.lowest[c] = min(value, walk.lowest[c])
    return bool(fell)


class _Best(NamedTuple):
    """
    The best set of bounds that each lane has met, with the ``fewest`` (lanes,) wrong ones.

    ``wrong`` (n + g, lanes) which those were; ``lower`` and ``within`` the set, as in ``Bounds``;
    ``left`` (lanes,) rounds in which there may be none better; ``share`` (lanes,) of the wrong ones
    that is exchanged.
    """

    fewest: Ints
    wrong: Ints
    lower: Bools
    within: Bools
    left: Ints
    share: Floats


@part_of_others
def _best_met(at: Layout, bounds: Bounds) -> _Best:
    """Give what there is before a set was judged."""
    lanes, every = len(at.side), len(bounds.lower) + len(bounds.within)
    return _Best(
        np.full(lanes, every + 1),
        np.zeros((every, lanes), dtype=np.int64),
        bounds.lower.copy(),
        bounds.within.copy(),
        np.full(lanes, BLOCK_ROUNDS),
        np.ones(lanes),
    )


@part_of_others
def _is_crowded(at: Layout, bounds: Bounds, c: int) -> bool:
    """Say whether more bounds hold than the border takes, or half of all that may move."""
    within = bounds.within[:, c].sum()
    free = len(at.weak) - (len(at.balance_start) - 1)
    return bool(within > MOST_BORDERED or 2 * (within + bounds.lower[:, c].sum()) > free)


@part_of_others
def _is_at_the_brim(bounds: Bounds, best: _Best, c: int) -> bool:
    """Say whether the best set met, all but right, has as many bounds as the border takes."""
    within = bounds.within[:, c].sum() + best.fewest[c]
    return bool(within > MOST_BORDERED and best.fewest[c] * LEAST_EXCHANGED < 1.0)


@part_of_others
def _revise(
    at: Layout,
    low: Floats,
    bounds: Bounds,
    best: _Best,
    wrong: Ints,
    solved: bool,
    turn: int,
    c: int,
) -> bool:
    """Exchange wrong bounds in one lane; say whether there was a set worth trying."""
    every, count = len(best.wrong), len(wrong)
    # What is wrong in a system that is not solved says nothing.
    solved = solved or best.fewest[c] > every
    best.left[c] -= 1
    if solved and count < best.fewest[c]:
        best.fewest[c], best.left[c] = count, BLOCK_ROUNDS
        best.share[c] = min(1.0, 2 * best.share[c])
        best.lower[:, c], best.within[:, c] = bounds.lower[:, c], bounds.within[:, c]
        best.wrong[:count, c] = wrong
    if solved and best.left[c] > 0:
        _exchange(at, low, bounds, wrong, best.share[c], turn, c)
        if not _is_crowded(at, bounds, c):
            return True
    while True:
        best.left[c], best.share[c] = BLOCK_ROUNDS, 0.5 * best.share[c]
        bounds.lower[:, c], bounds.within[:, c] = best.lower[:, c], best.within[:, c]
        if best.share[c] < LEAST_EXCHANGED:
            return False
        _exchange(at, low, bounds, best.wrong[: best.fewest[c], c], best.share[c], turn, c)
        if not _is_crowded(at, bounds, c):
            return True


@part_of_others
def _inner(
    at: Layout,
    given: Given,
    room: Room,
    slope: Floats,
    gradient: Floats,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    state: Ints,
    move: Floats,
    rounds: int,
    most_unmet: float,
) -> Border:
    """
    Solve the inner problem with bounds; lanes whose set does not settle are ended.

    All wrong bounds are exchanged at once as long as they become fewer (block principal pivoting:
    Portugal, Júdice and Vicente 1994).  Where they do not, where so many would hold that little is
    left free, or where the system with them has no solution, half of those wrong at the best set
    met are exchanged instead, and at last the lane walks from bound to bound.  One that would walk
    far longer than there are rounds is ended; one that walked without an end has come nearer.
    """
    n, lanes = len(at.weak), len(at.side)
    groups = len(at.within_start) - 1
    running = state == RUNNING
    unmet, shadow = np.zeros(lanes), np.zeros(bounds.within.shape)
    best = _best_met(at, bounds)
    border: Border = no_border(at)
    freed = np.zeros((n + groups, lanes), dtype=np.bool_)
    on, lowest = np.zeros(lanes, dtype=np.bool_), np.full(lanes, np.inf)
    walk = _Walk(on, np.zeros((n, lanes)), freed, lowest)
    wrong = np.empty(n + groups, dtype=np.int64)
    for turn in range(rounds):
        alive = state == RUNNING
        parts = at, given, room, slope, gradient, x, low, bounds, alive, move, shadow, unmet
        keeps = SAME_ROWS if turn > 0 else AFRESH
        border = step(*parts, border, keeps)
        clear = _clear(at, given, room, x, low, bounds, move)
        for c in range(lanes):
            if not running[c]:
                continue
            if walk.on[c] and _go(at, given, x, low, bounds, move, walk, c):
                continue
            count = 0
            if not clear[c]:
                count = _judge(at, given, room, x, low, bounds, move, shadow, c, wrong)
            if count == 0:
                running[c] = False
            elif walk.on[c]:
                chosen = wrong[:count]
                fell = _fell(at, room, slope, gradient, move, walk, c)
                if not (fell and _let_worst_go(given, room, bounds, shadow, chosen, walk, c)):
                    state[c], running[c] = UNSETTLED, False
            elif not _revise(at, low, bounds, best, wrong[:count], unmet[c] <= most_unmet, turn, c):
                if best.fewest[c] > WRONG_FOR_A_ROUND * (rounds - turn):
                    state[c], running[c] = UNSETTLED, False
                elif _is_at_the_brim(bounds, best, c):
                    state[c], running[c] = BEYOND, False
                else:
                    _set_out(at, given, x, low, bounds, walk, c)
        if not running.any():
            break
    for c in range(lanes):
        if running[c]:
            state[c] = UNSETTLED
        if state[c] == RUNNING and not unmet[c] <= most_unmet:
            state[c] = NUMBERS
        if state[c] == UNSETTLED:
            move[:, c] = walk.done[:, c]
    return border


@part_of_others
def _moved_a_divisor(
    at: Layout, given: Given, x: Floats, move: Floats, least: Floats, state: Ints
) -> bool:
    """
    Say whether a pass that led to ``x`` by ``move`` has made its own weights out of date.

    That is in more than few of the lanes that run.
    """
    lanes = len(at.side)
    below, fallen, moved = np.empty(lanes), np.empty(lanes), np.zeros(lanes, dtype=np.bool_)
    for i in range(len(at.reading_start) - 1):
        if at.constant[i] > 0.0:
            continue
        below[:], fallen[:] = 0.0, 0.0
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            j, under = at.reading_column[p], at.below[p]
            now, by = x[j], move[j]
            for c in range(lanes):
                below[c] += under * now[c]
                fallen[c] -= under * by[c]
        sd = given.sd[i]
        for c in range(lanes):
            much = abs(fallen[c]) > STEADY_DIVISOR * max(below[c] + fallen[c], least[c])
            moved[c] |= much & (sd[c] < np.inf)
    running = state == RUNNING
    return bool((moved & running).sum() > UNSTEADY_LANES * running.sum())


@part_of_others
def _passes(
    at: Layout,
    given: Given,
    room: Room,
    x: Floats,
    bounds: Bounds,
    state: Ints,
    move: Floats,
    rounds: int,
) -> None:
    """Improve a start by weighted linear least squares with bounds, with a weak pull to it."""
    n, lanes = len(at.weak), len(at.side)
    begun, low = x.copy(), np.empty((n, lanes))
    slope, gradient = np.empty_like(room.scaled), np.empty((n, lanes))
    none = np.zeros((n, lanes), dtype=np.bool_)
    least, far = np.zeros(lanes), np.full(lanes, np.inf)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        for c in range(lanes):
            least[c] = max(least[c], SMALLEST_SCALE * below[c])
    for j in range(n):
        for c in range(lanes):
            room.weight[j, c] = (PRIOR_WEIGHT / given.scale[j, c]) ** 2
    for _ in range(LINEAR_PASSES):
        linear_rows(at, given, x, least, slope, gradient)
        for j in range(n):
            for c in range(lanes):
                gradient[j, c] += room.weight[j, c] * (x[j, c] - begun[j, c])
        _guard(at, given, x, none, far, low)
        parts = at, given, room, slope, gradient, x, low, bounds, state, move
        _inner(*parts, rounds, PASSES_UNMET)
        for c in range(lanes):
            if state[c] == RUNNING or state[c] == UNSETTLED:
                for j in range(n):
                    x[j, c] += move[j, c]
        if not _moved_a_divisor(at, given, x, move, least, state):
            break
    # A pass that does not settle is no loss: the steps start from as far as it came.
    for c in range(lanes):
        if state[c] != RUNNING:
            state[c] = RUNNING
            bounds.lower[:, c], bounds.within[:, c] = False, False
    room.weight[:] = 0.0


@part_of_others
def _guard(
    at: Layout, given: Given, x: Floats, held: Bools, decrement: Floats, low: Floats
) -> Bools:
    """
    Give lower bounds that no divisor falls through in one step; say in which lanes one falls on.

    One that was ``held`` (n, lanes) by the step before may fall further in this one, whose rows are
    right for that, if the step before had a ``decrement`` (lanes,) small enough to lead on: from
    afar another optimum may be the nearer one.
    """
    n, lanes = len(at.weak), len(at.side)
    falling = np.zeros(lanes, dtype=np.bool_)
    for j in range(n):
        for c in range(lanes):
            floor, falls = given.floor[j, c], held[j, c] and decrement[c] <= KEPT_BELOW
            share = FALLING if falls else SHRINK
            low[j, c] = max(floor, share * x[j, c]) if floor > 0.0 else floor
            falling[c] |= falls and floor > 0.0 and low[j, c] < x[j, c]
    return falling


@part_of_others
def _decrements(
    at: Layout, slope: Floats, move: Floats, total: Floats, seen: Floats, result: Floats
) -> None:
    """Give the length of each move in posterior sds, relative to one plus the root of ``total``."""
    lanes = len(at.side)
    result[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        see(at, slope, move, i, seen)
        for c in range(lanes):
            result[c] += seen[c] * seen[c]
    for c in range(lanes):
        result[c] = np.sqrt(result[c]) / (1.0 + np.sqrt(total[c]))


@part_of_others
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
    """
    Give the share of each move that delivers a fair part of the predicted decrease, or 0.

    One that mends an imbalance, be it of rounding beside a stream of next to nothing, may be
    predicted to go up, and may go up by more than that (:data:`MENDING_RISE`).
    """
    n, lanes = len(at.weak), len(at.side)
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
        objective(at, given, trial, reached)
        for c in range(lanes):
            if waiting[c]:
                fair = ARMIJO if down[c] < 0.0 else MENDING_RISE
                if 0.5 * reached[c] <= 0.5 * was[c] + fair * share[c] * down[c]:
                    waiting[c] = False
                else:
                    share[c] *= 0.5
    for c in range(lanes):
        if waiting[c]:
            share[c] = 0.0


@part_of_others
def _broken(at: Layout, given: Given, x: Floats) -> Bools:
    """Say in which lanes a bound between unknowns is broken, (lanes,)."""
    lanes, rows = len(at.side), _within(at)
    broken, slack = np.zeros(lanes, dtype=np.bool_), np.empty(lanes)
    for g in range(len(at.within_start) - 1):
        _slacks(at, x, g, slack)
        for c in range(lanes):
            if slack[c] < 0.0:
                tolerance = BOUND_TOLERANCE * _size(rows, given.scale, g, c)
                broken[c] = broken[c] or slack[c] < -tolerance
    return broken


@part_of_others
def _damp_more(bounds: Bounds, state: Ints, loose: Bools, damp: Floats, c: int) -> None:
    """
    Where the bounds of a step did not settle, have it tried again with a pull to where it starts.

    Far from the optimum directions may be all but undetermined, and a step along them breaks bounds
    by the dozen (Levenberg 1944).  Where something is undetermined indeed and numbers did not
    settle, its prop was too weak.
    """
    worth = state[c] == UNSETTLED or state[c] == BEYOND or (state[c] == NUMBERS and loose[c])
    if not worth or damp[c] > MOST_DAMPING:
        return
    state[c] = AGAIN
    damp[c] = max(10 * damp[c], PRIOR_WEIGHT)
    bounds.lower[:, c], bounds.within[:, c] = False, False


@part_of_others
def _near(state: Ints, full: Bools, share: Floats, decrement: Floats, within: float) -> bool:
    """Say whether every lane that runs is so near its optimum that a factor may be kept."""
    for c in range(len(state)):
        near = full[c] and share[c] == 1.0 and decrement[c] <= within
        if state[c] == RUNNING and not near:
            return False
    return True


@part_of_others
def _chord(
    at: Layout,
    given: Given,
    room: Room,
    slope: Floats,
    gradient: Floats,
    x: Floats,
    low: Floats,
    bounds: Bounds,
    state: Ints,
    move: Floats,
    border: Border,
    total: Floats,
    before: Floats,
    size: Floats,
) -> bool:
    """
    Give a step on the factor of the one before, and say whether it stands in every lane that runs.

    A chord step (Ortega and Rheinboldt 1970, 7.1) has the true gradient, so it leads to the same
    optimum; it costs a fraction of a factor.  It stands if no bound changes and if its ``size``
    (lanes,) is well below that of the step ``before``.
    """
    n, lanes = len(at.weak), len(at.side)
    shadow, unmet = np.zeros(bounds.within.shape), np.zeros(lanes)
    wrong = np.empty(n + len(bounds.within), dtype=np.int64)
    alive = state == RUNNING
    step(
        at,
        given,
        room,
        slope,
        gradient,
        x,
        low,
        bounds,
        alive,
        move,
        shadow,
        unmet,
        border,
        SAME_HELD,
    )
    _decrements(at, slope, move, total, room.seen, size)
    clear = _clear(at, given, room, x, low, bounds, move)
    for c in range(lanes):
        if not alive[c]:
            continue
        if not (size[c] <= KEPT_GAIN * before[c] and unmet[c] <= MOST_UNMET):
            return False
        parts = at, given, room, x, low, bounds, move, shadow, c, wrong
        if not clear[c] and _judge(*parts) > 0:
            return False
    return True


@part_of_others
def _end_known(
    at: Layout,
    given: Given,
    known: Floats,
    x: Floats,
    move: Floats,
    trial: Floats,
    size: Floats,
    total: Floats,
    state: Ints,
) -> None:
    """
    End lanes whose step leads to an optimum met before.

    ``known`` (optima, m, lanes) has the residuals there in their sds.  They tell two optima apart
    whatever undetermined unknowns are, and near an optimum a step ends much nearer to it still.
    """
    lanes = len(at.side)
    near = np.zeros(lanes, dtype=np.bool_)
    for c in range(lanes):
        near[c] = state[c] == RUNNING and size[c] <= KEPT_BELOW
    if len(known) == 0 or not near.any():
        return
    for j in range(len(x)):
        for c in range(lanes):
            trial[j, c] = x[j, c] + move[j, c]
    apart = np.zeros((len(known), lanes))
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    for i in range(len(at.reading_start) - 1):
        read(at, given, trial, i, above, below, beside)
        for c in range(lanes):
            residual = (above[c] / below[c] + beside[c] - given.y[i, c]) / given.sd[i, c]
            for k in range(len(known)):
                apart[k, c] += (residual - known[k, i, c]) ** 2
    for c in range(lanes):
        within = KNOWN_WITHIN * size[c] * (1.0 + np.sqrt(total[c]))
        for k in range(len(known)):
            if near[c] and apart[k, c] <= within * within:
                state[c] = KNOWN


@part_of_others
def _clear_dust(given: Given, x: Floats) -> None:
    """Put at zero what a balance ties to one that is held there: steps lessen it for ever."""
    for j in range(len(x)):
        now, scale = x[j], given.scale[j]
        for c in range(x.shape[1]):
            now[c] = now[c] if abs(now[c]) > DUST * scale[c] else 0.0


@compiled
def descend(
    at: Layout,
    given: Given,
    x: Floats,
    bounds: Bounds,
    passes: bool,
    rounds: int,
    known: Floats,
    few: int,
) -> tuple[Ints, Ints, Floats, Floats]:
    """
    Go down from ``x`` (n, lanes) to each lane's optimum, in place; ``bounds`` follow.

    ``rounds`` bounds the search for the bounds that hold in each step; with all ``SET_ROUNDS`` of
    them a step that does not settle is tried again.  A lane on its way to an optimum that is
    ``known`` by its residuals in their sds (optima, m, lanes) ends there.  Once only a ``few``
    lanes are left, they are left running.  Gives of each lane how it stands, its Newton steps, its
    decrement and its objective.  Of many lanes one is done as well if the rate at which its steps
    on one factor fall foresees the next (Hairer and Wanner 1996, IV.8), since all wait for the
    last.

    What no reading determines is held near where it is by a weak prop, which leaves no trace: it
    pulls to the present point of each step.
    """
    n, lanes = len(at.weak), len(at.side)
    room = room_for(at, given)
    slope, gradient = np.empty_like(room.scaled), np.empty((n, lanes))
    move, low, trial = np.zeros((n, lanes)), np.empty((n, lanes)), np.empty((n, lanes))
    state, steps = np.zeros(lanes, dtype=np.int64), np.zeros(lanes, dtype=np.int64)
    decrement, total = np.full(lanes, np.inf), np.zeros(lanes)
    best, since = np.full(lanes, np.inf), np.zeros(lanes, dtype=np.int64)
    full, searched = np.ones(lanes, dtype=np.bool_), np.zeros(lanes, dtype=np.bool_)
    size, share, damp = np.empty(lanes), np.empty(lanes), np.zeros(lanes)
    left = np.empty(lanes)
    room.weight[:] = 0.0
    if passes:
        _passes(at, given, room, x, bounds, state, move, rounds)
    loose, deep = np.zeros(lanes, dtype=np.bool_), np.zeros(lanes, dtype=np.bool_)
    for c in range(lanes):
        loose[c] = given.pins[:, c].any()
    border, keeping, within, done = no_border(at), False, KEPT_BELOW, 0
    spare, hollow = np.empty_like(slope), np.empty_like(slope)
    while done < LANE_STEPS:
        held, falling = bounds.lower, _guard(at, given, x, bounds.lower, decrement, low)
        # What falls would fall out of the range that the factor's rows are made for.
        keeping = keeping and not (falling & (state == RUNNING)).any()
        rows = spare if keeping else slope
        curved_rows(at, given, x, full, loose, held, low, falling, rows, gradient, total)
        for c in range(lanes):
            if state[c] == RUNNING and not np.isfinite(total[c]):
                state[c] = NUMBERS
        renew = False
        if keeping:
            parts = at, given, room, slope, gradient, x, low, bounds, state, move
            keeping = _chord(*parts, border, total, decrement, size)
            if not keeping:
                within *= KEPT_RATE
                continue
            for c in range(lanes):
                renew |= state[c] == RUNNING and size[c] > KEPT_RATE * decrement[c]
        else:
            for j in range(n):
                for c in range(lanes):
                    pull = max(damp[c], PROP_WEIGHT if given.pins[j, c] else 0.0)
                    room.weight[j, c] = (pull / given.scale[j, c]) ** 2
            parts = at, given, room, slope, gradient, x, low, bounds, state, move
            most_unmet = PASSES_UNMET if loose.any() or damp.any() else MOST_UNMET
            border = _inner(*parts, rounds, most_unmet)
            if rounds == SET_ROUNDS:
                for c in range(lanes):
                    if np.isfinite(total[c]):
                        _damp_more(bounds, state, loose, damp, c)
            _decrements(at, slope, move, total, room.seen, size)
        for c in range(lanes):
            searched[c] = False
            if state[c] != RUNNING:
                continue
            left[c] = size[c] / decrement[c] * size[c] if keeping and lanes > 1 else np.inf
            near = full[c] and damp[c] == 0.0 and size[c] <= KEPT_BELOW
            slow = size[c] > KEPT_RATE * decrement[c] and size[c] > KKT_TOLERANCE
            deep[c] = near and not falling[c] and (deep[c] or (slow and not keeping))
            decrement[c] = size[c] if damp[c] == 0.0 else np.inf
            if not np.isfinite(size[c]):
                state[c] = NUMBERS
                continue
            if size[c] < 0.5 * best[c]:
                best[c], since[c] = size[c], 0
            else:
                since[c] += 1
            searched[c] = size[c] > KKT_TOLERANCE and size[c] * size[c] > MEASURABLE
            if not searched[c] and damp[c] > 0.0:
                since[c] = 0
        if deep.any():
            hollow_rows(at, given, x, loose, hollow)
            deepen(at, given, room, slope, rows, hollow, border, x, low, bounds, deep, move)
        _end_known(at, given, known, x, move, trial, size, total, state)
        _shares(at, given, x, move, trial, gradient, total, searched, share)
        for c in range(lanes):
            if state[c] != RUNNING:
                share[c] = 0.0
                state[c] = RUNNING if state[c] == AGAIN else state[c]
                continue
            steps[c] = done
            damp[c] = 0.0
            if decrement[c] <= KKT_TOLERANCE:
                state[c] = CONVERGED
            elif searched[c]:
                if share[c] == 0.0 and not full[c]:
                    state[c] = UNSETTLED
                full[c] = share[c] > SHORT_STEP
            elif left[c] <= FORESEEN * KKT_TOLERANCE:
                state[c], decrement[c] = CONVERGED, left[c]
            elif since[c] >= STALL_ROUNDS:
                # A prop leaves more to rounding than a step without.
                still = decrement[c] <= KKT_STALLED and not loose[c]
                state[c] = CONVERGED if still else UNSETTLED
                share[c] = 0.0
        for j in range(n):
            for c in range(lanes):
                if share[c] > 0.0:
                    x[j, c] += share[c] * move[j, c]
        if (state == RUNNING).sum() <= few:
            break
        keeping = not renew and _near(state, full, share, decrement, within)
        done += 1
    _clear_dust(given, x)
    objective(at, given, x, total)
    broken = _broken(at, given, x)
    for c in range(lanes):
        if state[c] == RUNNING and done == LANE_STEPS:
            state[c] = STEPS
        if state[c] == CONVERGED and broken[c]:
            state[c] = BEYOND
    return state, steps, decrement, total


@compiled
def descend_all(
    at: Layout,
    y: Floats,
    sd: Floats,
    given: Given,
    start: Floats,
    passes: bool,
    x: Floats,
) -> tuple[Ints, Ints, Floats, Bools, Bools]:
    """
    Go down for many blocks of lanes, all from one start (n,).

    ``y`` and ``sd`` are (blocks, m, lanes); ``given`` lends what all blocks share; ``x`` (blocks,
    n, lanes) takes the optima.  Gives of each block and lane how it stands, its steps and its
    objective, whether a bound pushes back, and whether something that divides is at its floor.

    The last lanes of each block, which would hold up all others, go on from where they are in
    blocks of their own.
    """
    blocks, lanes, n = len(y), len(at.side), len(start)
    few = lanes // STRAGGLERS if blocks > 1 else 0
    state, steps = np.zeros((blocks, lanes), dtype=np.int64), np.zeros((blocks, lanes), np.int64)
    total = np.zeros((blocks, lanes))
    bounded = np.zeros((blocks, lanes), dtype=np.bool_)
    emptied = np.zeros((blocks, lanes), dtype=np.bool_)
    none = np.zeros((0, 0, lanes))
    late, count = np.empty(blocks * lanes, dtype=np.int64), 0
    for b in range(blocks):
        for j in range(n):
            x[b, j] = start[j]
        bounds = open_bounds(at)
        own = _with_values(given, y[b], sd[b])
        found = descend(at, own, x[b], bounds, passes, STACK_ROUNDS, none, few)
        state[b], steps[b], total[b] = found[0], found[1], found[3]
        bounded[b], emptied[b] = _ends(given, bounds)
        for c in range(lanes):
            if state[b, c] == RUNNING:
                late[count] = b * lanes + c
                count += 1
    for first in range(0, count, lanes):
        chosen = late[first : min(first + lanes, count)]
        parts = _regrouped(y, chosen), _regrouped(sd, chosen), _regrouped(x, chosen)
        bounds = open_bounds(at)
        own = _with_values(given, parts[0], parts[1])
        found = descend(at, own, parts[2], bounds, False, STACK_ROUNDS, none, 0)
        ends = _ends(given, bounds)
        for k in range(len(chosen)):
            b, c = divmod(chosen[k], lanes)
            x[b, :, c] = parts[2][:, k]
            state[b, c], total[b, c] = found[0][k], found[3][k]
            steps[b, c] += found[1][k] + 1
            if steps[b, c] >= LANE_STEPS:
                state[b, c] = STEPS
            bounded[b, c], emptied[b, c] = ends[0][k], ends[1][k]
    return state, steps, total, bounded, emptied


@part_of_others
def _with_values(given: Given, y: Floats, sd: Floats) -> Given:
    """Give a block's values and sds (m, lanes) with what all blocks share."""
    shared = given.target, given.floor, given.scale, given.closed, given.pins, given.steady
    return Given(y, sd, *shared, gaps_of(sd))


@part_of_others
def _ends(given: Given, bounds: Bounds) -> tuple[Bools, Bools]:
    """Say in which lanes a bound pushes back, and where what divides is at its floor, (lanes,)."""
    lanes = bounds.lower.shape[1]
    bounded, emptied = np.zeros(lanes, dtype=np.bool_), np.zeros(lanes, dtype=np.bool_)
    for g in range(len(bounds.pressing)):
        bounded |= bounds.pressing[g]
    for j in range(len(bounds.lower)):
        bounded |= bounds.pushing[j]
        emptied |= bounds.lower[j] & (given.floor[j] > 0.0)
    return bounded, emptied


@part_of_others
def _regrouped(blocks: Floats, chosen: Ints) -> Floats:
    """Give a block of lanes out of (blocks, k, lanes), some of them again where they are fewer."""
    height, lanes = blocks.shape[1:]
    result = np.empty((height, lanes))
    for c in range(lanes):
        b, from_ = divmod(chosen[c % len(chosen)], lanes)
        for k in range(height):
            result[k, c] = blocks[b, k, from_]
    return result
