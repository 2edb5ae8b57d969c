"""Many quotients of sums at one point: values, gradients, and what moves do to them; compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .compiled import compiled
from .limits import PROBE_TOLERANCE

if TYPE_CHECKING:
    from .problem import Bools, Floats, Ints


class Quotients(NamedTuple):
    """
    Rows ``above · x / (below · x + constant)`` on one compressed pattern.

    ``start`` (k + 1,) and ``column`` of the entries; ``above`` and ``below`` by entry, ``constant``
    (k,).
    """

    start: Ints
    column: Ints
    above: Floats
    below: Floats
    constant: Floats


class Slopes(NamedTuple):
    """``value`` (k,), whether it is ``defined`` (k,), and the ``gradient`` entry by entry."""

    value: Floats
    defined: Bools
    gradient: Floats


@compiled
def slopes_of(of: Quotients, x: Floats, throughput: Floats) -> Slopes:
    """
    Give each row's value and gradient at ``x`` (n,).

    It has no value where the divisor is rounding beside that of ``throughput`` (n,); the numerator
    stands in its place then.
    """
    count = len(of.constant)
    value, defined = np.empty(count), np.empty(count, dtype=np.bool_)
    gradient = np.empty(len(of.column))
    smallest = np.finfo(np.float64).eps
    for k in range(count):
        over, under, usual = 0.0, of.constant[k], of.constant[k]
        for p in range(of.start[k], of.start[k + 1]):
            over += of.above[p] * x[of.column[p]]
            under += of.below[p] * x[of.column[p]]
            usual += of.below[p] * throughput[of.column[p]]
        defined[k] = under > smallest * usual
        under = under if defined[k] else 1.0
        value[k] = over / under
        for p in range(of.start[k], of.start[k + 1]):
            gradient[p] = (of.above[p] - value[k] * of.below[p]) / under
    return Slopes(value, defined, gradient)


@compiled
def still(of: Quotients, gradient: Floats, throughput: Floats, moves: Floats) -> Bools:
    """
    Say which rows see nothing but rounding of ``moves`` (n, k), given per throughput.

    As :meth:`~reconcile.observability.Structure.observable` does of any rows.
    """
    count, probes = len(of.constant), moves.shape[1]
    found = np.ones(count, dtype=np.bool_)
    most = np.abs(moves).max()
    for k in range(count):
        for c in range(probes):
            moved, size, length = 0.0, 0.0, 0.0
            for p in range(of.start[k], of.start[k + 1]):
                j = of.column[p]
                entry = gradient[p] * throughput[j]
                moved += entry * moves[j, c]
                size += abs(entry) * abs(moves[j, c])
                length += abs(entry)
            if abs(moved) > PROBE_TOLERANCE * size and size > PROBE_TOLERANCE * most * length:
                found[k] = False
    return found


@compiled
def bends(of: Quotients, at: Slopes, x: Floats, straight: Floats, curved: Floats) -> Floats:
    """
    Give the mean square by which the rows at ``x + curved`` leave their straight line.

    That line is followed by ``straight``, both (n, k); infinite where a row has no value.
    """
    count, draws = len(of.constant), straight.shape[1]
    found = np.zeros(count)
    line, over, under = np.empty(draws), np.empty(draws), np.empty(draws)
    for k in range(count):
        line[:], over[:], under[:] = at.value[k], 0.0, of.constant[k]
        for p in range(of.start[k], of.start[k + 1]):
            j, slope, above, below = of.column[p], at.gradient[p], of.above[p], of.below[p]
            for c in range(draws):
                there = x[j] + curved[j, c]
                line[c] += slope * straight[j, c]
                over[c] += above * there
                under[c] += below * there
        for c in range(draws):
            bend = (over[c] / under[c] - line[c]) ** 2
            found[k] += np.inf if np.isnan(bend) else bend
        found[k] /= draws
    return found


@compiled
def told(
    of: Quotients, beside: Floats, y: Floats, sd: Floats, x: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """
    Give readings at ``x``, ``beside`` (entries,) what shifts them: weighted by ``sd`` (k,).

    Residuals (k,) and their derivative; the part of that which is the quotients' own, and what
    bends it: ``below`` over the divisor; all by entry.
    """
    count = len(of.constant)
    residual = np.empty(count)
    row, own, bent = np.empty(len(of.column)), np.empty(len(of.column)), np.empty(len(of.column))
    for i in range(count):
        over, under, shift = 0.0, of.constant[i], 0.0
        for p in range(of.start[i], of.start[i + 1]):
            value = x[of.column[p]]
            over += of.above[p] * value
            under += of.below[p] * value
            shift += beside[p] * value
        ratio = over / under
        residual[i] = (ratio + shift - y[i]) / sd[i]
        for p in range(of.start[i], of.start[i + 1]):
            own[p] = (of.above[p] - ratio * of.below[p]) / under / sd[i]
            bent[p] = of.below[p] / under
            row[p] = own[p] + beside[p] / sd[i]
    return residual, row, own, bent
