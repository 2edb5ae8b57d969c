"""Readings of the usual kinds laid out as rows, and their derivatives at one point; compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled, part_of_others

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Shapes(NamedTuple):
    """
    Coefficients that many readings have alike, counted from the first column of their stream.

    ``start`` (shapes + 1,); ``offset``, ``above`` and ``below`` the entries of each; ``constant``
    (shapes,).
    """

    start: Ints
    offset: Ints
    above: Floats
    below: Floats
    constant: Floats


class Kinds(NamedTuple):
    """
    What kinds of reading are of, each (kinds,).

    ``amount`` where it is an amount, ``plain`` the quantity if it is of one alone, as it is or over
    the solids, -1 otherwise.
    """

    amount: Bools
    plain: Ints


@compiled
def taken(
    kinds: Kinds,
    kind: Ints,
    stream: Ints,
    telling: Bools,
    part: Ints,
    begins: Bools,
    weighed: Bools,
) -> tuple[Ints, tuple[Ints, Ints, Ints]]:
    """
    Give the first stream that begins each part in which no amount is read, and the plain readings.

    ``kind`` and ``stream`` (keys,), -1 for several streams; ``part`` and ``begins`` (streams,), and
    those ``weighed`` by readings of several.  Plain readings are those ``telling`` of one quantity
    of one stream: reading, stream and quantity.
    """
    streams, parts = len(part), part.max() + 1
    done, first = np.zeros(parts, dtype=np.bool_), np.full(parts, -1, dtype=np.int64)
    reading, count = np.empty(len(kind), dtype=np.int64), 0
    for i in range(len(kind)):
        if stream[i] >= 0 and kinds.amount[kind[i]]:
            done[part[stream[i]]] = True
        if stream[i] >= 0 and kinds.plain[kind[i]] >= 0 and telling[i]:
            reading[count] = i
            count += 1
    for s in range(streams):
        done[part[s]] |= weighed[s]
    for s in range(streams):
        if begins[s] and not done[part[s]]:
            first[part[s]], done[part[s]] = s, True
    reading = reading[:count].copy()
    return first[first >= 0], (reading, stream[reading], kinds.plain[kind[reading]])


@compiled
def laid_out(
    shapes: Shapes, shape: Ints, first: Ints, length: Ints
) -> tuple[Ints, Ints, Floats, Floats, Floats, Floats]:
    """
    Give the rows of readings: starts, columns, coefficients above, below and beside, constants.

    ``shape`` (m,) says which shape a reading has and ``first`` (m,) the first column of its stream;
    one with shape -1 gets ``length`` empty entries, to be filled by whoever knows of it.
    """
    count = len(shape)
    start, constant = np.zeros(count + 1, dtype=np.int64), np.zeros(count)
    for i in range(count):
        k = shape[i]
        start[i + 1] = start[i] + (shapes.start[k + 1] - shapes.start[k] if k >= 0 else length[i])
        constant[i] = shapes.constant[k] if k >= 0 else 0.0
    column, above = np.zeros(start[count], dtype=np.int64), np.zeros(start[count])
    below = np.zeros(start[count])
    for i in range(count):
        begin = shapes.start[shape[i]]
        for t in range(start[i + 1] - start[i] if shape[i] >= 0 else 0):
            column[start[i] + t] = first[i] + shapes.offset[begin + t]
            above[start[i] + t] = shapes.above[begin + t]
            below[start[i] + t] = shapes.below[begin + t]
    return start, column, above, below, np.zeros(start[count]), constant


@compiled
def slopes_of(
    start: Ints,
    column: Ints,
    above: Floats,
    below: Floats,
    beside: Floats,
    constant: Floats,
    x: Floats,
) -> Floats:
    """Give the derivatives of ratios without products at ``x``, one for each stored entry."""
    slope = np.empty(len(column))
    for i in range(len(start) - 1):
        over, under = 0.0, constant[i]
        for p in range(start[i], start[i + 1]):
            over += above[p] * x[column[p]]
            under += below[p] * x[column[p]]
        for p in range(start[i], start[i + 1]):
            slope[p] = (above[p] - over / under * below[p]) / under + beside[p]
    return slope


@compiled
def divided(
    start: Ints, column: Ints, below: Floats, constant: Floats, closed: Bools, kinds: int
) -> tuple[Bools, Bools]:
    """
    Say which readings keep a meaning with ``closed`` unknowns zero, (m,), and what they divide by.

    Of several unknowns that divide together only the solids, the first of each stream's ``kinds``,
    are marked (n,).
    """
    meaningful = np.zeros(len(constant), dtype=np.bool_)
    divides = np.zeros(len(closed), dtype=np.bool_)
    for i in range(len(constant)):
        total, together = constant[i], 0
        for p in range(start[i], start[i + 1]):
            together += below[p] != 0.0
            if not closed[column[p]]:
                total += below[p]
        meaningful[i] = total > 0.0
        for p in range(start[i], start[i + 1]):
            alone = together == 1 or column[p] % kinds == 0
            if total > 0.0 and below[p] != 0.0 and alone:
                divides[column[p]] = True
    return meaningful, divides


@compiled
def plain_amounts(start: Ints, column: Ints, above: Floats, constant: Floats) -> tuple[Ints, Ints]:
    """Give the readings of a single unknown as it is, and which unknown each is of."""
    reading = np.empty(len(constant), dtype=np.int64)
    count = 0
    for i in range(len(constant)):
        if start[i + 1] - start[i] == 1 and constant[i] > 0.0 and above[start[i]] == 1.0:
            reading[count] = i
            count += 1
    reading = reading[:count].copy()
    return reading, column[start[reading]]


@part_of_others
def unit_lengths(start: Ints, data: Floats) -> Floats:
    """Give the coefficients of rows divided by their lengths."""
    unit = data.copy()
    for i in range(len(start) - 1):
        total = 0.0
        for p in range(start[i], start[i + 1]):
            total += data[p] * data[p]
        for p in range(start[i] if total > 0.0 else start[i + 1], start[i + 1]):
            unit[p] = data[p] / np.sqrt(total)
    return unit
