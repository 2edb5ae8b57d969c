"""
What nothing determines, in a known order: unknowns to hold, and the moves left open; compiled.

The unknowns eliminated last whose pivot vanishes are a smallest set that, once held, leaves nothing
undetermined.  Pushing them moves exactly what is not determined.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .compiled import compiled, part_of_others
from .exact import Rows
from .ldl import DROPPED, factorise
from .limits import DUAL_SHIFT, PROBE_TOLERANCE, UNDETERMINED_PIVOT
from .ratio_rows import unit_lengths
from .system import System, filled, pushed, sized

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints
    from .skeleton import Skeleton


@part_of_others
def _without(rows: Rows, pins: Bools) -> Rows:
    """Give rows without the coefficients of pins."""
    data = rows.data.copy()
    for p in range(len(data)):
        if pins[rows.column[p]]:
            data[p] = 0.0
    return Rows(rows.start, rows.column, data)


@part_of_others
def _pinned(of: System, pins: Bools) -> System:
    """Give a system in which the pins (n,) are held as well."""
    columns, held = of.columns.copy(), of.held.copy()
    columns[pins], held[pins] = 0.0, 1.0
    return System(
        _without(of.balances, pins), _without(of.readings, pins), columns, of.row_size, held
    )


@compiled
def _open(
    balances: Rows,
    slopes: Rows,
    free: Bools,
    push: Floats,
    weak: Bools,
    order: Ints,
    last: Ints,
    place: Ints,
    entries: tuple[Ints, Ints, Ints],
    pointer: Ints,
    index: Ints,
    start: Ints,
    reaches: tuple[Ints, Ints, Ints, Ints, Ints],
) -> tuple[Bools, bool, Floats]:
    """Give the pins, whether they are certain, and the moves of :func:`open_in`."""
    n, whole = len(free), len(order)
    readings = Rows(slopes.start, slopes.column, unit_lengths(slopes.start, slopes.data))
    system = sized(balances, readings, free, weak)
    data = filled(system, entries[0], entries[1], entries[2], DUAL_SHIFT, len(index))
    lower, inverse, work = np.empty(start[whole]), np.empty(whole), np.empty(whole)
    rows = reaches[0]
    factorise(
        pointer, index, start, *reaches, data, UNDETERMINED_PIVOT, DROPPED, lower, inverse, work
    )
    dropped, pins = inverse == 1.0 / DROPPED, np.zeros(n, dtype=np.bool_)
    for j in last:
        pins[j] = dropped[place[j]]
        dropped[place[j]] = False
    certain, moves = not dropped.any(), np.zeros((n, len(push)))
    for j in np.flatnonzero(pins):
        for k in range(len(push)):
            moves[j, k] = push[k, j]
    if len(push) > 0 and certain and pins.any():
        parts = order, start, rows, lower, inverse
        moves = pushed(_pinned(system, pins), *parts, balances, readings, moves)
    return pins, certain, moves


def open_in(
    skeleton: Skeleton, balances: Rows, slopes: Rows, free: Bools, push: Floats
) -> tuple[Bools, bool, Floats]:
    """
    Give a smallest set of unknowns to hold, (n,), whether that is certain, and open moves, (n, k).

    Among the ``free`` unknowns (n,); ``slopes`` are the readings' derivatives, and each row of
    ``push`` (k, n) says how far every unknown moves if it is held.  It is not certain where the
    pivot of a balance, or of an unknown matched to one, has vanished: nothing read crosses the
    balances merged there, and what they say of the unread is lost.  There are no moves then.

    Raises
    ------
    numpy.linalg.LinAlgError
        if a derivative is beyond the range of the arithmetic.
    """
    if not np.isfinite(slopes.data).all():
        raise np.linalg.LinAlgError("numbers beyond the range of the arithmetic")
    elimination, symbolic = skeleton.elimination, skeleton.symbolic
    if not elimination.weak.any():
        return np.zeros(len(free), dtype=bool), True, np.zeros(push.T.shape)
    found: tuple[Bools, bool, Floats] = _open(
        balances,
        slopes,
        free,
        push,
        elimination.weak,
        elimination.order,
        elimination.last,
        skeleton.place,
        (skeleton.pair_entry, skeleton.diagonal_entry, skeleton.balance_entry),
        symbolic.pointer,
        symbolic.index,
        symbolic.start,
        symbolic.reaches,
    )
    return found


def undetermined_on(
    skeleton: Skeleton, balances: Rows, slopes: Rows, free: Bools
) -> tuple[Bools, bool]:
    """Give the same without moves."""
    pins, certain, _ = open_in(skeleton, balances, slopes, free, np.zeros((0, len(free))))
    return pins, certain


@compiled
def unmoved(start: Ints, column: Ints, data: Floats, moves: Floats) -> Bools:
    """Say which rows see nothing of the moves (n, k) but rounding, (rows,)."""
    still = np.ones(len(start) - 1, dtype=np.bool_)
    largest = np.abs(moves).max() if moves.size else 0.0
    for i in range(len(still)):
        for c in range(moves.shape[1]):
            seen = size = length = 0.0
            for p in range(start[i], start[i + 1]):
                term = data[p] * moves[column[p], c]
                seen, size, length = seen + term, size + abs(term), length + abs(data[p])
            real = size > PROBE_TOLERANCE * largest * length
            still[i] = still[i] and not (real and abs(seen) > PROBE_TOLERANCE * size)
    return still
