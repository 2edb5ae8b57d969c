"""
The head as calculated from everything else, against the head as read.

To compare the two, the calculated head must owe nothing to the reading that it is held against: it
is what the balance says without that reading.  Of a reading ``y`` with its own sd ``s``, residual
``e = ŷ - y`` and leverage ``h = var(ŷ)/s²`` the others predict ``y + e/(1-h)``, with the variance
``s² h/(1-h)``, so that reading less prediction has the variance ``s²/(1-h)`` (the deletion residual
of linear regression: Cook and Weisberg 1982, 2.2.1; exact where the model is linear, else to first
order).  ``ŷ`` holds the errors that the reading shares with others, so what is shared does not
count as a difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from reconcile.evidence.multiplicity import adjusted, two_sided
from reconcile.flowsheet import SOLIDS
from reconcile.kernel.limits import LEVERAGE_TOLERANCE
from reconcile.kernel.losses import Loss
from reconcile.measurands import measurand
from reconcile.options import Control

if TYPE_CHECKING:
    from reconcile.linearisation import Linearisation
    from reconcile.readings import Reading


@dataclass(frozen=True, slots=True)
class Head:
    """
    One reading of a feed beside what everything else says of it, in the unit of the reading.

    ``reading`` is its position among the readings.  ``difference`` is reading less calculated;
    ``standardised`` is it over its own sd, standard normal if the stated errors are right;
    ``p_value`` is two-sided, ``among_all`` with every reading compared taken into account (Holm
    1979).  All are ``None`` where ``because`` says why nothing can be compared.
    """

    reading: int
    calculated: float | None = None
    calculated_sd: float | None = None
    difference: float | None = None
    difference_sd: float | None = None
    standardised: float | None = None
    p_value: float | None = None
    among_all: float | None = None
    because: str | None = None


def heads(
    at: Linearisation,
    readings: Sequence[Reading],
    counted: Sequence[int],
    feed: Sequence[str],
) -> tuple[Head, ...]:
    """
    Compare what was read of the feed's streams, one by one, with what follows without it.

    ``counted`` are the positions of the readings that the plan knows.  Weights and assays of one
    stream as a whole are compared; composites, and parts of a head, are not.
    """
    sheet = at.solution.plan.model.flowsheet
    words = {measurand(sheet, word) for word in (SOLIDS, *sheet.components, *sheet.analytes)}
    places = {i: k for k, i in enumerate(counted)}
    wanted = [
        i
        for i, reading in enumerate(readings)
        if len(reading.streams) == 1
        and reading.streams[0] in feed
        and i in places
        and measurand(sheet, reading.of) in words
    ]
    found = [_compared(at, i, places[i]) for i in wanted]
    tested = [k for k, head in enumerate(found) if head.p_value is not None]
    p_values = np.array([found[k].p_value for k in tested], dtype=np.float64)
    for k, p_value in zip(tested, adjusted(p_values, Control.HOLM), strict=True):
        found[k] = replace(found[k], among_all=float(p_value))
    return tuple(found)


def _compared(at: Linearisation, reading: int, row: int) -> Head:
    solution = at.solution
    if solution.plan.fixed[row]:
        return Head(reading, because="it is taken as exact, so nothing can contradict it")
    if not solution.used[row]:
        return Head(reading, because="it does not take part in the balance")
    kind = Loss(int(solution.losses.kind[row]))
    if kind in {Loss.BELOW, Loss.ABOVE}:
        return Head(reading, because="it is a limit, not a number")
    if kind is not Loss.SQUARE:
        return Head(reading, because="a robust fit has no reference distribution")
    used = int(np.cumsum(solution.used)[row]) - 1
    inner = at.inner
    leverage = float(inner.factor.variance(inner.rows[[used]])[0])
    room = 1.0 - leverage
    if room <= LEVERAGE_TOLERANCE:
        return Head(reading, because="nothing else determines it")
    sd, y = float(solution.sds[row]), float(solution.values[row])
    difference = -float(inner.residual[used]) * sd / room
    difference_sd = sd / float(np.sqrt(room))
    standardised = difference / difference_sd
    return Head(
        reading,
        y - difference,
        sd * float(np.sqrt(max(leverage, 0.0) / room)),
        difference,
        difference_sd,
        standardised,
        float(two_sided(np.array([standardised]))[0]),
    )
