"""The readings that could usually be taken, with the errors that those at hand let expect."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import nnls

from reconcile.flowsheet import SOLIDS, Part
from reconcile.measurands import PULP, Measurand, analyte, assay, measurand, solids

from .questions import Prospect

if TYPE_CHECKING:
    from reconcile.flowsheet import Flowsheet, Stream
    from reconcile.readings import Reading

HALVED = 0.5
"""Share of its sd that an improved reading keeps."""

USUAL_RELATIVE_SD = 0.02
"""Relative sd of a reading where none at hand is like it: an assay of a major constituent with its
sampling; for anything else it had better be stated."""


@dataclass(frozen=True)
class _Error:
    """An error as it may be expected: both parts add in squares."""

    sd: float
    relative_sd: float
    origin: str

    def of(self, streams: tuple[str, ...], what: Measurand) -> Prospect:
        return Prospect(streams, what, self.sd, self.relative_sd, origin=self.origin)


def error_of_alike(values: Sequence[float], sds: Sequence[float]) -> tuple[float, float]:
    """
    Give the absolute and the relative part of an error that fit the sds of like readings.

    ``sd² = a² + (b · value)²`` by least squares of the squared sds over themselves, neither part
    below zero; a single reading gives a relative error.
    """
    y, s = np.abs(np.array(values, dtype=np.float64)), np.array(sds, dtype=np.float64)
    if len(y) == 1:
        return (0.0, float(s[0] / y[0])) if y[0] > 0 else (float(s[0]), 0.0)
    parts, _ = nnls(np.column_stack((1 / s**2, (y / s) ** 2)), np.ones(len(y)))
    return float(np.sqrt(parts[0])), float(np.sqrt(parts[1]))


class ErrorsAtHand:
    """The errors of the readings at hand, by what they are of."""

    def __init__(
        self, flowsheet: Flowsheet, readings: Sequence[Reading], at_hand: Sequence[int]
    ) -> None:
        self._of: dict[Measurand, list[tuple[float, float]]] = {}
        for i in at_hand:
            reading = readings[i]
            told = self._of.setdefault(measurand(flowsheet, reading.of), [])
            told.append((reading.value, reading.total_sd))

    @property
    def measurands(self) -> list[Measurand]:
        """What was read at all."""
        return list(self._of)

    def prospect(self, streams: tuple[str, ...], of: Measurand) -> Prospect:
        """Give a reading that could be added, with the error to expect of it."""
        return self._expected(of).of(streams, of)

    def _expected(self, of: Measurand) -> _Error:
        """Give the error to expect of a reading: that of its like, or of its kind."""
        if of in self._of:
            told = self._of[of]
            sd, relative = error_of_alike([v for v, _ in told], [s for _, s in told])
            count = "the reading" if len(told) == 1 else f"the {len(told)} readings"
            return _Error(sd, relative, f"like {count} of {of.name} at hand")
        kind = "amounts" if of.is_amount else "ratios"
        shares = [
            s / abs(v)
            for k, t in self._of.items()
            if k.is_amount is of.is_amount
            for v, s in t
            if v
        ]
        if shares:
            middle = float(np.median(shares))
            return _Error(0.0, middle, f"the median relative sd of the {kind} at hand")
        return _Error(
            0.0, USUAL_RELATIVE_SD, f"no reading at hand is like it: {USUAL_RELATIVE_SD:.0%}"
        )


def _is_simple(of: Measurand) -> bool:
    """Say whether one sample or weighing reads it, without a density or a count."""
    whole = of.below in ((), ((SOLIDS, 1.0),), PULP) or all(
        isinstance(q, Part) for q, _ in of.below
    )
    single = len(of.above) <= 1 or all(isinstance(q, Part) for q, _ in of.above)
    return whole and single and bool(of.above or of.carried)


def _can_have(flowsheet: Flowsheet, stream: Stream, of: Measurand) -> bool:
    held = all(flowsheet.holds(stream, quantity) for quantity in of.quantities)
    return held and (of.is_amount or not stream.signed)


def is_repeatable(reading: Reading) -> bool:
    """Say whether a reading is a number with an error, of something that flows."""
    return bool(reading.streams) and 0 < reading.sd < np.inf and reading.limit is None


def usual_prospects(
    flowsheet: Flowsheet,
    readings: Sequence[Reading],
    *,
    streams: Iterable[str] | None = None,
    at_hand: Iterable[int] | None = None,
    besides: Iterable[int] = (),
) -> tuple[Prospect, ...]:
    """
    Give every unread mass and assay, a repeat of every reading, and half the sd of each.

    Additions are looked for in ``streams`` (all if not given) and are of the solids, of the
    components and analytes, and of whatever else was read of one stream.  ``at_hand`` are the
    positions of the readings that may be repeated and tell what error to expect; those that are
    fixed, or limits, are left out.  Positions ``besides`` are mere expectations, not read.
    """
    every = range(len(readings)) if at_hand is None else at_hand
    usable = [i for i in every if is_repeatable(readings[i])]
    errors = ErrorsAtHand(flowsheet, readings, usable)
    pure = [c for c in flowsheet.components if c not in flowsheet.contents]
    kinds = dict.fromkeys(
        (
            solids(),
            *(assay(c) for c in pure),
            *(analyte(flowsheet, a) for a in flowsheet.analytes),
            *(of for of in errors.measurands if _is_simple(of)),
        )
    )
    mere = set(besides)
    read = {
        (r.streams, measurand(flowsheet, r.of))
        for i, r in enumerate(readings)
        if np.isfinite(r.sd) and i not in mere
    }
    wanted = None if streams is None else set(streams)
    additions = [
        errors.prospect((stream.name,), of)
        for stream in flowsheet.streams
        if wanted is None or stream.name in wanted
        for of in kinds
        if ((stream.name,), of) not in read and _can_have(flowsheet, stream, of)
    ]
    repeats, improvements = [], []
    for i in usable:
        reading = readings[i]
        what, where = measurand(flowsheet, reading.of), reading.streams
        again = "that of the reading at hand"
        repeats.append(Prospect(where, what, causes=reading.causes, reading=i, origin=again))
        half = "half of that of the reading at hand"
        improvements.append(
            Prospect(where, what, causes=reading.causes, reading=i, narrowed=HALVED, origin=half)
        )
    return (*additions, *repeats, *improvements)
