"""
Readings of many sets of values side by side: values, rows, gradients, objectives; compiled.

Every number carries a last axis of lanes, one for each set of values, so that the innermost loops
run over neighbours in memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled
from .limits import LANES

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


ALONE: tuple[int, ...] = (0,)
ABREAST: tuple[int, ...] = tuple(range(LANES))
"""The lanes of a layout, by number: loops over them are compiled for each of the two."""


class Layout(NamedTuple):
    """
    A statement's patterns, in the form that the compiled loops read.

    Readings, equalities and bounds between unknowns by row, with their coefficients; ``weak`` marks
    unknowns that no reading sees by themselves; ``order`` to ``reach_entry`` are the factor's order
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
    pair_start: Ints
    pair_entry: Ints
    diagonal_entry: Ints
    balance_entry: Ints
    side: tuple[int, ...]

    def abreast(self) -> Layout:
        """Give the same for as many lanes as go side by side."""
        return self._replace(side=ABREAST)


class Given(NamedTuple):
    """
    The values of each lane.

    ``y`` and ``sd`` (m, lanes), an infinite sd where nothing was read; ``target`` (e, lanes);
    ``floor`` (n, lanes) the lower bounds, above zero for what divides, minus infinity where free;
    ``scale`` (n, lanes) the size of each unknown; ``closed`` (n, lanes) what is zero for good;
    ``steady`` (m,) readings whose denominator no undetermined move changes.
    """

    y: Floats
    sd: Floats
    target: Floats
    floor: Floats
    scale: Floats
    closed: Bools
    steady: Bools


@compiled
def see(at: Layout, rows: Floats, vector: Floats, i: int, seen: Floats) -> None:
    """Give a reading's row times a vector (n, lanes)."""
    lanes = len(at.side)
    seen[:] = 0.0
    for p in range(at.reading_start[i], at.reading_start[i + 1]):
        row, value = rows[p], vector[at.reading_column[p]]
        for c in range(lanes):
            seen[c] += row[c] * value[c]


@compiled
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


@compiled
def read(
    at: Layout, given: Given, x: Floats, i: int, above: Floats, below: Floats, beside: Floats
) -> None:
    """
    Give a reading's numerator, denominator and offset at ``x`` in every lane, each (lanes,).

    Where it was not taken they are of no consequence, since all of it is divided by its sd.
    """
    lanes = len(at.side)
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
    for c in range(lanes):
        if given.sd[i, c] == np.inf:
            above[c], below[c], beside[c] = 0.0, 1.0, 0.0


@compiled
def objective(at: Layout, given: Given, x: Floats, total: Floats) -> None:
    """Give each lane's weighted sum of squares, infinite where a denominator is not positive."""
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    total[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
        for c in range(lanes):
            residual = (above[c] / below[c] + beside[c] - given.y[i, c]) / given.sd[i, c]
            total[c] += residual * residual if below[c] > 0.0 else np.inf


@compiled
def linear_rows(
    at: Layout, given: Given, x: Floats, least: Floats, slope: Floats, gradient: Floats
) -> None:
    """Give the rows and gradient of residuals cleared of their denominators."""
    lanes = len(at.side)
    above, below, beside = np.empty(lanes), np.empty(lanes), np.empty(lanes)
    unmet, divisor = np.empty(lanes), np.empty(lanes)
    gradient[:] = 0.0
    for i in range(len(at.reading_start) - 1):
        read(at, given, x, i, above, below, beside)
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
def curved_rows(
    at: Layout,
    given: Given,
    x: Floats,
    curved: Bools,
    pinned: Bools,
    slope: Floats,
    gradient: Floats,
    objective: Floats,
) -> None:
    """
    Give the rows whose square is the Hessian, the gradient and the objective.

    Only lanes that are ``curved`` have them; the others those of Gauss and Newton, as do readings
    that are not steady in lanes where something is ``pinned``, since the bent row would see moves
    that the reading does not.
    """
    lanes = len(at.side)
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
        read(at, given, x, i, above, below, beside)
        for c in range(lanes):
            ratio[c] = above[c] / below[c]
            residual = ratio[c] + beside[c] - given.y[i, c]
            bent = curved[c] and (given.steady[i] or not pinned[c])
            pull[c] = ratio[c] + residual if bent else ratio[c]
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
