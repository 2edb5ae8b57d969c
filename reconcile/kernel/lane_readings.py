"""
Readings of many sets of values side by side: values, rows, gradients, objectives; compiled.

Every number carries a last axis of lanes, one for each set of values, so that the innermost loops
run over neighbours in memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, TypeAlias

import numpy as np

from .compiled import part_of_others
from .limits import LANE_ROOM, LANES, VECTOR

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


Side: TypeAlias = "tuple[int] | Ints"

ALONE: tuple[int] = (0,)
"""
The lanes of a layout, by number: one as a tuple, many as an array.

Loops over them are compiled for both.  The length of a tuple is known then, and nothing is left of
loops over one lane; that of an array is not, and loops over many become loops over vectors, which
they would not if they were unrolled.
"""

COLUMNS = 15
"""Numbers kept for each unknown and balance of a lane, beside its matrix and its factor."""


class Layout(NamedTuple):
    """
    A statement's patterns, in the form that the compiled loops read.

    Readings, equalities and bounds between unknowns by row, with their coefficients; ``weak`` marks
    unknowns that no reading sees by themselves; ``order`` to ``seat`` are the factor's order
    and pattern; the ``_entry`` arrays say where each product of two coefficients of a reading, each
    diagonal and each coefficient of an equality stands in the matrix to be factored.
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
    order: Ints
    matrix_start: Ints
    matrix_row: Ints
    start: Ints
    rows: Ints
    reach_start: Ints
    reach: Ints
    reach_entry: Ints
    seat: Ints
    pair_start: Ints
    pair_entry: Ints
    diagonal_entry: Ints
    balance_entry: Ints
    side: Side

    def abreast(self, lanes: int) -> Layout:
        """Give the same for so many lanes side by side, more than one."""
        return self._replace(side=np.arange(lanes))

    def lanes(self, wanted: int) -> int:
        """Say how many lanes to take for as many sets of values as are wanted, or fewer."""
        entries = len(self.matrix_row) + len(self.rows) + COLUMNS * len(self.order)
        fit = max(LANE_ROOM // entries // VECTOR * VECTOR, 2 * VECTOR)
        return min(-(-wanted // VECTOR) * VECTOR, fit, LANES)


class Given(NamedTuple):
    """
    The values of each lane.

    ``y`` and ``sd`` (m, lanes), an infinite sd where nothing was read; ``target`` (e, lanes);
    ``floor`` (n, lanes) the lower bounds, above zero for what divides, minus infinity where free;
    ``scale`` (n, lanes) the size of each unknown; ``closed`` (n, lanes) what is zero for good;
    ``pins`` (n, lanes) unknowns which, held where they are, leave nothing undetermined;
    ``steady`` (m,) readings whose denominator no undetermined move changes; ``gaps`` (m,) those
    that are missing in some lane.
    """

    y: Floats
    sd: Floats
    target: Floats
    floor: Floats
    scale: Floats
    closed: Bools
    pins: Bools
    steady: Bools
    gaps: Bools


@part_of_others
def see(at: Layout, rows: Floats, vector: Floats, i: int, seen: Floats) -> None:
    """Give a reading's row times a vector (n, lanes)."""
    lanes = len(at.side)
    seen[:] = 0.0
    for p in range(at.reading_start[i], at.reading_start[i + 1]):
        row, value = rows[p], vector[at.reading_column[p]]
        for c in range(lanes):
            seen[c] += row[c] * value[c]


@part_of_others
def add_square(
    at: Layout, rows: Floats, vector: Floats, sign: float, into: Floats, seen: Floats
) -> None:
    """Add ``sign · rowsᵀ (rows · vector)`` to ``into`` (n, lanes)."""
    lanes = len(at.side)
    for i in range(len(at.reading_start) - 1):
        see(at, rows, vector, i, seen)
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, to = rows[p], into[at.reading_column[p]]
            for c in range(lanes):
                to[c] += sign * row[c] * seen[c]


@part_of_others
def gaps_of(sd: Floats) -> Bools:
    """Say of each reading (m, lanes) whether it is missing in some lane, (m,)."""
    gaps = np.zeros(len(sd), dtype=np.bool_)
    for i in range(len(sd)):
        for c in range(sd.shape[1]):
            gaps[i] |= sd[i, c] == np.inf
    return gaps


@part_of_others
def read(
    at: Layout, given: Given, x: Floats, i: int, above: Floats, below: Floats, beside: Floats
) -> None:
    """
    Give a reading's numerator, denominator and offset at ``x`` in every lane, each (lanes,).

    Where it was not taken they are of no consequence, since all of it is divided by its sd.
    """
    # Loops here and below touch few arrays each: of more, the compiler does not know that they do
    # not overlap, and takes one lane after the other.
    lanes = len(at.side)
    first, constant = at.reading_start[i], at.constant[i]
    value, over, under = x[at.reading_column[first]], at.above[first], at.below[first]
    for c in range(lanes):
        above[c] = over * value[c]
        below[c] = constant + under * value[c]
    for p in range(first + 1, at.reading_start[i + 1]):
        value, over, under = x[at.reading_column[p]], at.above[p], at.below[p]
        for c in range(lanes):
            above[c] += over * value[c]
            below[c] += under * value[c]
    beside[:] = 0.0
    for p in range(first, at.reading_start[i + 1]):
        shift, value = at.beside[p], x[at.reading_column[p]]
        if shift != 0.0:
            for c in range(lanes):
                beside[c] += shift * value[c]
    if given.gaps[i]:
        for c in range(lanes):
            if given.sd[i, c] == np.inf:
                above[c], below[c], beside[c] = 0.0, 1.0, 0.0


@part_of_others
def objective(at: Layout, given: Given, x: Floats, total: Floats) -> None:
    """Give each lane's weighted sum of squares, infinite where a denominator is not positive."""
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    total[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        y, sd = given.y[i], given.sd[i]
        for c in range(lanes):
            above[c] = above[c] / below[c] + beside[c] - y[c]
        for c in range(lanes):
            above[c] /= sd[c]
        for c in range(lanes):
            total[c] += above[c] * above[c] if below[c] > 0.0 else np.inf


@part_of_others
def linear_rows(
    at: Layout, given: Given, x: Floats, least: Floats, slope: Floats, gradient: Floats
) -> None:
    """Give the rows and gradient of residuals cleared of their denominators."""
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    divisor = np.empty(lanes)
    gradient[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        y, sd = given.y[i], given.sd[i]
        for c in range(lanes):
            divisor[c] = max(below[c], least[c])
            above[c] -= y[c] * below[c]
        for c in range(lanes):
            above[c] = (above[c] / divisor[c] + beside[c]) / sd[c]
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, into = slope[p], gradient[at.reading_column[p]]
            over, under, shift = at.above[p], at.below[p], at.beside[p]
            for c in range(lanes):
                row[c] = ((over - y[c] * under) / divisor[c] + shift) / sd[c]
            for c in range(lanes):
                into[c] += row[c] * above[c]


@part_of_others
def hollow_rows(at: Layout, given: Given, x: Floats, loose: Bools, hollow: Floats) -> None:
    """
    Give the rows whose square the bent ones have too much in the Hessian.

    They are zero for readings whose rows are not bent (:func:`curved_rows`), and wrong where
    a stream falls.
    """
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        y, sd, steady = given.y[i], given.sd[i], given.steady[i]
        for c in range(lanes):
            above[c] = (above[c] / below[c] + beside[c] - y[c]) / (below[c] * sd[c])
            above[c] = above[c] if steady or not loose[c] else 0.0
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, under = hollow[p], at.below[p]
            for c in range(lanes):
                row[c] = under * above[c]


@part_of_others
def _fall_of(
    at: Layout, low: Floats, held: Bools, falling: Bools, i: int, below: Floats, fall: Floats
) -> None:
    """Give the share that a reading's denominator falls to in each lane, one where it does not."""
    fall[:] = 1.0
    if at.constant[i] > 0.0:
        return
    for c in range(len(at.side)):
        least, falls = 0.0, False
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            j = at.reading_column[p]
            if at.below[p] != 0.0:
                falls = falling[c] and held[j, c] and low[j, c] > 0.0
                if not falls:
                    break
                least += at.below[p] * low[j, c]
        if falls:
            fall[c] = least / below[c]


@part_of_others
def curved_rows(
    at: Layout,
    given: Given,
    x: Floats,
    curved: Bools,
    loose: Bools,
    held: Bools,
    low: Floats,
    falling: Bools,
    slope: Floats,
    gradient: Floats,
    objective: Floats,
) -> None:
    """
    Give the rows whose square is the Hessian, the gradient and the objective.

    Only lanes that are ``curved`` have them; the others those of Gauss and Newton, as do readings
    that are not steady in ``loose`` lanes, where something is undetermined, since the bent row
    would see moves that the reading does not.

    A stream that empties falls to a fraction k of itself in a step, and a row made where it is now
    is a k-th of what it should be where it will be: the rest of the network bends its assays out of
    shape.  So where all that a reading is divided by was ``held`` at its bound by the step before
    and is ``falling`` in this lane to ``low`` (n, lanes), the row is made for there: over k times
    its denominator, and bent k times as much, which leads to the reading whatever k is.
    """
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    ratio, pull, weight = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    falls, fall, stiff = falling.any(), np.ones(lanes), np.empty(lanes)
    always, free = np.zeros(lanes), np.zeros(lanes)
    for c in range(lanes):
        always[c] = 1.0 if curved[c] else 0.0
        free[c] = 1.0 if curved[c] and not loose[c] else 0.0
    gradient[:] = 0.0
    objective[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        y, sd, bent = given.y[i], given.sd[i], always if given.steady[i] else free
        if falls:
            _fall_of(at, low, held, falling, i, below, fall)
        for c in range(lanes):
            below[c] = 1.0 / below[c]
            ratio[c] = above[c] * below[c]
        for c in range(lanes):
            weight[c] = 1.0 / sd[c]
        for c in range(lanes):
            above[c] = ratio[c] + beside[c] - y[c]
        for c in range(lanes):
            pull[c] = ratio[c] + bent[c] * fall[c] * above[c]
        for c in range(lanes):
            above[c] *= weight[c]
            objective[c] += above[c] * above[c]
        for c in range(lanes):
            above[c] *= weight[c]
        for c in range(lanes):
            stiff[c] = weight[c] / fall[c]
        for p in range(at.reading_start[i], at.reading_start[i + 1]):
            row, into = slope[p], gradient[at.reading_column[p]]
            over, under, shift = at.above[p], at.below[p], at.beside[p]
            for c in range(lanes):
                row[c] = ((over - pull[c] * under) * below[c] + shift) * stiff[c]
            for c in range(lanes):
                into[c] += ((over - ratio[c] * under) * below[c] + shift) * above[c]
